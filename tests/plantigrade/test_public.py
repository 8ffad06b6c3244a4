"""The names the library exports: all there, all documented, quick to import, the examples true."""

import ast
import doctest
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import plantigrade

CONSTANTS = {"ANALYSIS_VERSION", "REGIONS"}


@pytest.mark.parametrize("name", plantigrade.__all__)
def test_a_public_name_is_there_and_documented(name):
    value = getattr(plantigrade, name)
    assert f"`{name}`" in str(plantigrade.__doc__) or is_part_of_an_event(name) or is_result(name)
    if name not in CONSTANTS:
        doc = inspect.getdoc(value)
        assert doc is not None
        assert not doc.startswith(f"{name}("), "the signature that a dataclass makes for itself"
        assert value.__module__.startswith("plantigrade.")


def is_part_of_an_event(name: str) -> bool:
    return bool(getattr(plantigrade, name).__module__ == "plantigrade.events")


def is_result(name: str) -> bool:
    """Whether it is an error, or what a documented function of reliability returns."""
    module = getattr(plantigrade, name).__module__
    return module in ("plantigrade.errors", "plantigrade.reliability")


def test_type_checkers_and_python_see_the_same_names():
    tree = ast.parse(Path(str(plantigrade.__file__)).read_text("utf-8"))
    seen = {
        alias.name: str(node.module)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("plantigrade.")
        for alias in node.names
    }
    assert {name: f"plantigrade.{at}" for name, at in plantigrade._MODULE_OF.items()} == seen
    assert sorted(plantigrade.__all__) == sorted(seen)
    assert set(plantigrade.__all__) <= set(dir(plantigrade))


def test_a_name_that_is_not_there_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'pressure'"):
        _ = plantigrade.pressure


def test_importing_loads_no_library():
    code = "import sys, plantigrade; print({'numpy', 'scipy'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_the_examples_hold():
    failed, tried = doctest.testmod(plantigrade)
    assert tried >= 10
    assert failed == 0
