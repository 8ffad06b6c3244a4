"""The mutation runner itself: what it changes, whose tests it runs, and that it leaves no trace."""

import ast
from pathlib import Path

import pytest
from tests.support import mutants
from tests.support.mutants import ROOT, Bench, drawn, mutated, mutations, related

MODULE = Path("signal/plantigrade/small.py")
SOURCE = '''"""Text is left alone: 1 + 1."""

from typing import Final

LIMIT: Final = 5.0


def f(a: int, b: int = 2) -> list[int]:
    """Return 3 < 4."""
    out = []
    if a < b and not a == 0:
        out.append(a - b)
    if a > 9:
        raise ValueError(f"{a + 1} is too much")
    return [x for x, _ in zip(out, out, strict=True)]
'''

CHANGES = [
    "LIMIT: Final = 5.0  ->  LIMIT: Final = 6.0",
    "def f(a: int, b: int=2) -> list[int]:  ->  def f(a: int, b: int=3) -> list[int]:",
    "if a < b and (not a == 0):  ->  if a < b or not a == 0:",
    "if a < b and (not a == 0):  ->  if a <= b and (not a == 0):",
    "if a < b and (not a == 0):  ->  if a < b and a == 0:",
    "if a < b and (not a == 0):  ->  if a < b and (not a != 0):",
    "if a < b and (not a == 0):  ->  if a < b and (not a == 1):",
    "out.append(a - b)  ->  pass",
    "out.append(a - b)  ->  out.append(a + b)",
    "if a > 9:  ->  if a >= 9:",
    "if a > 9:  ->  if a > 10:",
    "raise ValueError(f'{a + 1} is too much')  ->  pass",
    "return [x for x, _ in zip(out, out, strict=True)]  ->  return None",
]
"""Every place of it, once: nothing in texts, types or `strict`."""


LOOKED_AT = {
    "out.append(a - b)  ->  out.append(a + b)": False,
    "if a > 9:  ->  if a > 10:": False,  # by a slow test
    "def f(a: int, b: int=2) -> list[int]:  ->  def f(a: int, b: int=3) -> list[int]:": True,
}
"""Whether it survives."""


@pytest.fixture
def small(tmp_path: Path, monkeypatch) -> Path:
    """A repository with one module in it and one test of that."""
    root = tmp_path / "repository"
    for name in mutants.COPIED:
        (root / name).mkdir(parents=True)
    for name in mutants.FILES:
        (root / name).write_text("")
    (root / MODULE).parent.mkdir()
    (root / MODULE).with_name("__init__.py").write_text("")
    (root / MODULE).write_text(SOURCE)
    (root / "tests" / "test_small.py").write_text(
        "import pytest\nfrom plantigrade.small import f\n\n"
        "def test_f(): assert f(1, 3) == [-2]\n\n"
        "@pytest.mark.slow\ndef test_its_limit():\n"
        "    with pytest.raises(ValueError): f(10)\n"
    )
    (root / "tests" / "test_other.py").write_text("def test_nothing(): pass\n")
    (root / "pyproject.toml").write_text("[tool.pytest.ini_options]\nmarkers = ['slow', 'dear']\n")
    monkeypatch.setattr(mutants, "ROOT", root)
    return root


def test_everything_that_can_be_changed_is_changed_once(small):
    found = mutations(MODULE)
    assert sorted(m.text for m in found) == sorted(CHANGES)
    sources = {mutated(m) for m in found}
    assert len(sources) == len(found)
    for source in sources:
        ast.parse(source)
    assert (small / MODULE).read_text() == SOURCE


def test_a_seed_draws_the_same_again(small):
    assert drawn(MODULE.parent, 5, 3) == drawn(MODULE, 5, 3) != drawn(MODULE, 5, 4)
    assert len(set(drawn(MODULE, 5, 3))) == 5
    assert len(drawn(MODULE, 100, 3)) == len(CHANGES)


def test_tests_of_a_module_are_found_by_its_name_and_by_who_imports_it():
    own, others, _ = related(Path("signal/plantigrade/load.py"))
    assert [path.name for path in own] == ["test_load.py", "test_found_kept.py"]
    assert all("load" in (ROOT / path).read_text() for path in others) and others


@pytest.mark.parametrize(
    ("module", "room"),
    [
        ("gateway/plantigrade_gateway/web/desk/frame.py", "plantigrade_gateway/web/desk"),
        ("signal/plantigrade/synth/walk.py", "plantigrade"),
    ],
)
def test_the_others_of_its_room_are_asked_last_and_none_twice(module, room):
    own, others, rest = related(Path(module))
    everyone = own + others + rest
    assert len(everyone) == len(set(everyone))
    assert {*(ROOT / "tests" / room).glob("test_*.py")} <= {ROOT / path for path in everyone}
    assert {path.parent for path in rest} == {Path("tests") / room}


@pytest.mark.parametrize(
    ("module", "expected"),
    [
        (
            "signal/plantigrade/stance.py",
            ["tests/plantigrade/test_steps.py", "tests/plantigrade/test_found_kept.py"],
        ),
        (
            "signal/plantigrade/overlay.py",
            ["tests/plantigrade/test_overlay.py", "tests/plantigrade/test_found_kept.py"],
        ),
        (
            "gateway/plantigrade_gateway/report/listing.py",
            [
                "tests/plantigrade_gateway/report/test_listing.py",
                "tests/plantigrade_gateway/cli/test_transcript.py",
            ],
        ),
        (
            "signal/plantigrade/synth/walk.py",
            [
                "tests/plantigrade/test_synth.py",
                "tests/plantigrade/test_drawn_kept.py",
                "tests/plantigrade/test_drawn.py",
                "tests/plantigrade/test_movements.py",
                "tests/plantigrade_gateway/analysis/test_practice.py",
                "tests/plantigrade/test_laced.py",
            ],
        ),
    ],
)
def test_a_test_of_another_package_s_module_of_the_same_name_does_not_belong(module, expected):
    """Where this package has none by that name, `MORE` may name another's; a room has some too."""
    assert [path.as_posix() for path in related(Path(module))[0]] == expected


@pytest.mark.dear
@pytest.mark.slow
def test_what_a_test_holds_is_noticed_and_what_none_holds_survives(small, tmp_path):
    bench = Bench(tmp_path / "bench")
    tried = [m for m in mutations(MODULE) if m.text in LOOKED_AT]
    outcome = {m.text: bench.survives(m) for m in tried}
    assert outcome == LOOKED_AT
    assert (small / MODULE).read_text() == SOURCE
