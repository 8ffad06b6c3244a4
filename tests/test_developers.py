"""Documents and docstrings name files and modules that are there."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "gateway" / "plantigrade_gateway"
SIGNAL = ROOT / "signal" / "plantigrade"
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
WHERE = "DEVELOPERS.md, Where things live"
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "hardware_notes").glob("*.md")]
MADE = {"signal/__init__.py"}  # named since it must not be there


def is_there(name: str) -> bool:
    """Whether a file is there: from the root, a source or test folder; a bare name anywhere."""
    folders = (ROOT, PACKAGE, SIGNAL, ROOT / "tests" / "plantigrade_gateway", ROOT / "replay_data")
    if any((folder / name).exists() for folder in (*folders, ROOT / "hardware_notes")):
        return True
    tops = (PACKAGE, SIGNAL, ROOT / "tests")
    return "/" not in name and any(next(top.rglob(name), None) is not None for top in tops)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_file_that_a_document_names_is_there(document):
    names = set(re.findall(r"`([\w./-]+\.(?:py|js|html|toml))`", document.read_text("utf-8")))
    assert sorted(name for name in names - MADE if not is_there(name)) == []


@pytest.mark.parametrize("package", [PACKAGE, SIGNAL], ids=lambda path: path.name)
def test_every_file_that_the_code_names_is_there(package):
    missing = [
        f"{path.relative_to(package)}: {name}"
        for path in package.rglob("*.py")
        for name in re.findall(r"`([\w./-]+\.py)`", path.read_text("utf-8"))
        if not is_there(name)
    ]
    assert missing == []


def rows(head: str) -> list[list[str]]:
    """Return the cells of the table with a head."""
    table = TEXT[TEXT.index(head) :].split("\n\n")[0]
    return [line.strip("|").split("|") for line in table.splitlines()[2:]]


def quoted(cell: str) -> list[str]:
    return re.findall(r"`([\w/]+)`", cell)


def modules_of(folder: Path) -> set[str]:
    """Return the modules in a folder, as the map names them; `__main__` is where a room is run."""
    return {path.stem for path in folder.glob("*.py")} - {"__init__", "__main__"}


def mapped() -> dict[str, set[str]]:
    """Return the modules that the map names, by room; the table's cells in order."""
    return {quoted(room)[0]: set(quoted(modules)) for room, _, modules in rows("| room |")}


def test_the_map_names_every_room():
    there = {".".join(p.parent.relative_to(PACKAGE).parts) for p in PACKAGE.rglob("__init__.py")}
    rooms = {name.replace(".", "/") for name in there if name} - {"web/desk/charts"}
    assert rooms == set(mapped())


def test_the_map_names_the_modules_of_each_room_and_no_others():
    for room, named in mapped().items():
        folders = {name for name in named if (PACKAGE / room / name / "__init__.py").is_file()}
        said, there = named - folders, modules_of(PACKAGE / room)
        assert said == there, f"{WHERE}, {room}: lacks {there - said}, names in vain {said - there}"


def test_the_map_names_the_modules_of_signal_and_no_others():
    named = {name for cell, _ in rows("| modules of signal |") for name in quoted(cell)}
    folders = {path.parent.name for path in SIGNAL.glob("*/__init__.py")}
    there = modules_of(SIGNAL) | folders
    assert named == there, f"{WHERE}, signal: lacks {there - named}, names in vain {named - there}"


def test_the_modules_beside_the_rooms_are_named():
    begin = TEXT.index("Beside the rooms:")
    said = set(re.findall(r"`(\w+)`", TEXT[begin : TEXT.index(". `tests/`", begin)]))
    assert said == modules_of(PACKAGE)


def is_test(name: str) -> bool:
    """Whether a test is there, named by its file and its function."""
    file, _, function = name.partition("::")
    paths = (ROOT / "tests" / file, ROOT / "tests" / "plantigrade_gateway" / file)
    found = [path for path in paths if path.name.startswith("test_") and path.is_file()]
    if not found or not function.startswith("test_"):
        return False
    tree = ast.parse(found[0].read_text("utf-8"))
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    return any(isinstance(node, functions) and node.name == function for node in tree.body)


def test_every_promise_names_tests_that_are_there():
    found = rows("| promise |")
    assert len(found) > 25
    for promise, (what, held) in enumerate(found, 1):
        names = re.findall(r"`([^`]+)`", held)
        assert what.strip() and names, promise
        assert [name for name in names if not is_test(name)] == []


def test_a_test_that_is_gone_is_found():
    assert is_test("test_developers.py::test_a_test_that_is_gone_is_found")
    assert not is_test("test_developers.py::test_that_was_never_there")
    assert not is_test("test_gone.py::test_every_promise_names_tests_that_are_there")
    assert not is_test("test_developers.py::is_test")
    assert not is_test("support/ways.py::test_nothing")


def test_a_name_that_is_gone_is_found():
    assert not is_there("pipeline.txt")
    assert not is_there("web/guard.py")
    assert not is_there("test_wire.py")


def test_every_dependency_has_its_reason():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(one for extra in extras for one in extra)]
    names = {re.match(r"[\w.-]+", one)[0].lower() for one in wanted}  # type: ignore[index]
    table = TEXT[TEXT.index("## Dependencies, and why") :].lower()
    rows = " ".join(line.split("|")[1] for line in table.splitlines() if line.startswith("| "))
    said = set(re.findall(r"[\w.-]+", rows))
    assert sorted(names - said) == []
