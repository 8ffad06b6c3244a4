"""Change one thing in the code, run the tests that belong to it, and see whether one fails.

    python -m tests.support.mutants AREA [N] [SEED]

AREA is a module or a folder below the repository, N how many mutations are drawn (20), SEED draws
the same again. Everything happens in a copy: the work tree is never changed. A mutation survives
where the tests of the module's own name (`test_NAME.py`, `test_NAME_quick.py`), those of `MORE` and
`OF_ROOM`, then those that import the module, and then those of its room all pass; the `slow` ones
of all but the room too, last of their kind, since CI runs them as well. The last line is the total;
the exit code is 1 where one survived that is not in `mutants_equivalent.toml`.
"""

import ast
import copy
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("signal", "gateway", "tests", "hardware_notes", "replay_data", ".ci")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "Makefile", "LICENSE")
EQUIVALENT = Path(__file__).with_name("mutants_equivalent.toml")
MORE: dict[str, tuple[str, ...]] = {
    "block": ("load", "pairing"),
    "clock": ("pace", "exchange"),
    "commands": ("check",),
    "console": ("measures", "visit"),
    "curves": ("timeline",),
    "database": ("store",),
    "enqueue": ("outbox", "tsdb"),
    "entries": ("pipeline",),
    "errors": ("foreign",),
    "evidence": ("fitting",),
    "feed": ("orders",),
    "files": ("model",),
    "fitting": ("posetimes",),
    "heard": ("backend",),
    "hubtables": ("tables",),
    "insoles": ("runner",),
    "limits": ("calibrate", "steps", "stand"),
    "messages": ("codec",),
    "monitor": ("load", "fitting"),
    "motifs": ("score",),
    "offer": ("backend", "peripheral_quick"),
    "owed": ("visits",),
    "pitch": ("oscillator",),
    "poses": ("fitting",),
    "practice": ("run", "session_facts"),
    "process": ("tsdb", "mqtt"),
    "record": ("pipeline",),
    "recorded": ("demo",),
    "restore": ("backup_quick",),
    "result": ("record", "uncalibrated"),
    "results": ("store", "sessions", "uncalibrated"),
    "routes": ("uploads", "changes", "deletions"),
    "rows": ("store", "steps", "uploads_quick"),
    "runner": ("life", "visit"),
    "sequence": ("decoder",),
    "sessions": ("life",),
    "sheet": ("players_quick",),
    "speech": ("engine",),
    "speedwork": ("speedblock",),
    "stage": ("life", "runner"),
    "stance": ("steps",),
    "stat": ("summary", "interval"),
    "steps": ("laced",),
    "strikes": ("record_quick",),
    "swing": ("swings",),
    "swinglimits": ("swingrules", "swings"),
    "swingrows": ("swinglimits", "swings"),
    "swingrules": ("swings",),
    "swings": ("swinglimits", "swingrules"),
    "synth": ("drawn_kept", "drawn", "movements", "practice", "laced"),
    "timeline": ("record",),
    "tsdb": ("queries",),
    "visits": ("invented",),
    "zonecolumns": ("zonecsv",),
}
"""Tests beside those of a module's own name, by stems: its work shows there."""
OF_ROOM = {
    "api": ("story",),
    "charts": ("charts",),
    "cli": ("transcript",),
    "coach": ("pages_kept",),
    "desk": ("pages_kept",),
    "plantigrade": ("found_kept",),
    "report": ("transcript",),
}
"""Those in which the work of every module of a room shows."""
_SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Add,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
_SLOW = "slow"
LIMITS_S = {"not dear and not slow": 180.0, "dear and not slow": 900.0, _SLOW: 3600.0}
"""Which of the tests run, what is quick first, and past how many seconds they hang: many times as
long as the longest of a module takes."""
_NONE_COLLECTED = 5  # pytest's exit code
_FAILED = re.compile(r"^(?:FAILED|ERROR) (tests/\S+\.py::\S.*?)(?: - .*)?$", re.MULTILINE)
_NOT_LOOKED_INTO = (ast.JoinedStr, ast.Import, ast.ImportFrom)  # texts for people, and names


@dataclass(frozen=True)
class Mutation:
    """One change: where, what of, and what it becomes.

    Attributes
    ----------
    path : Path
        The module, below the repository.
    place : int
        Which of the module's places, counted as `places` gives them.
    line : int
    text : str
        Before and after, on one line.
    """

    path: Path
    place: int
    line: int
    text: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.text}"


Change = Callable[[], None]


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, Change]]:
    """Give every node that can be changed, with what changes it in its tree."""
    yield from _within(tree)


def _within(node: ast.AST) -> Iterator[tuple[ast.AST, Change]]:
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params", "bases"):
            continue
        if isinstance(value, list):
            for at, item in enumerate(value):
                if isinstance(item, ast.stmt):
                    yield from _statement(value, at, item)
                if isinstance(item, ast.AST):
                    yield from _expression(item, partial(value.__setitem__, at))
        elif isinstance(value, ast.AST):
            yield from _expression(value, partial(setattr, node, name))


def _statement(body: list[ast.stmt], at: int, item: ast.stmt) -> Iterator[tuple[ast.AST, Change]]:
    def remove() -> None:
        body[at] = ast.copy_location(ast.Pass(), item)

    is_text = isinstance(item, ast.Expr) and isinstance(item.value, ast.Constant)
    removable = (ast.Expr, ast.AugAssign, ast.Raise, ast.Continue, ast.Break, ast.Delete)
    if isinstance(item, removable) and not is_text:
        yield item, remove
    if isinstance(item, ast.Return) and not (
        item.value is None or (isinstance(item.value, ast.Constant) and item.value.value is None)
    ):
        yield item, lambda: setattr(item, "value", ast.Constant(None))


def _expression(node: ast.AST, put: Callable[[Any], None]) -> Iterator[tuple[ast.AST, Change]]:
    if isinstance(node, _NOT_LOOKED_INTO):
        return
    if isinstance(node, ast.keyword) and node.arg == "strict":
        return  # it asks for an error that is never to come
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return
    if isinstance(node, ast.Compare) and type(node.ops[0]) in _SWAPS:
        yield node, lambda: setattr(node, "ops", [_swapped(node.ops[0]), *node.ops[1:]])
    elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign) and type(node.op) in _SWAPS:
        yield node, lambda: setattr(node, "op", _swapped(node.op))
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node, lambda: put(node.operand)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        other = ast.copy_location(ast.Constant(_other(node.value)), node)
        yield node, partial(put, other)
    yield from _within(node)


def _swapped(operator: ast.AST) -> ast.AST:
    return _SWAPS[type(operator)]()


def _other(value: float) -> float:
    if isinstance(value, bool):
        return not value
    return value + 1 if isinstance(value, int) else value * 1.2 if value else 1.0


def mutations(path: Path) -> list[Mutation]:
    """Return all that can be changed in a module, in its order."""
    return [_mutation(path, place) for place in range(_n_places(path))]


def _n_places(path: Path) -> int:
    return sum(1 for _ in places(ast.parse((ROOT / path).read_text("utf-8"))))


def _mutation(path: Path, place: int) -> Mutation:
    source = (ROOT / path).read_text("utf-8")
    node, _ = list(places(ast.parse(source)))[place]
    assert isinstance(node, ast.expr | ast.stmt)
    before, after = _texts(source, place)
    return Mutation(path, place, node.lineno, f"{before}  ->  {after}")


def _texts(source: str, place: int) -> tuple[str, str]:
    tree = ast.parse(source)
    node, change = list(places(tree))[place]
    holder = _smallest_statement(tree, node)
    before = ast.unparse(holder).splitlines()[0]
    change()
    after = ast.unparse(holder).splitlines()[0]
    if before == after:  # a statement that was removed, or a change below its first line
        return ast.unparse(node).splitlines()[0], "changed" if node is not holder else "pass"
    return before, after


def _smallest_statement(tree: ast.Module, node: ast.AST) -> ast.AST:
    holder: ast.AST = node
    for one in ast.walk(tree):
        if isinstance(one, ast.stmt) and any(below is node for below in ast.walk(one)):
            holder = one
    return holder


def mutated(mutation: Mutation) -> str:
    """Return the module's source with the change made."""
    tree = ast.parse((ROOT / mutation.path).read_text("utf-8"))
    _, change = list(places(tree))[mutation.place]
    change()
    return ast.unparse(ast.fix_missing_locations(copy.deepcopy(tree)))


def modules(area: Path) -> list[Path]:
    """Return the modules of an area, below the repository."""
    whole = (ROOT / area).resolve()
    found = [whole] if whole.is_file() else sorted(whole.rglob("*.py"))
    return [path.relative_to(ROOT) for path in found]


def drawn(area: Path, n: int, seed: int) -> list[Mutation]:
    """Draw mutations of an area: every place is as likely."""
    where = [(path, place) for path in modules(area) for place in range(_n_places(path))]
    return [_mutation(*each) for each in random.Random(seed).sample(where, min(n, len(where)))]


def related(module: Path) -> tuple[list[Path], list[Path], list[Path]]:
    """Return the tests that belong to a module, others that import it, and others of its room."""
    tests = [path.relative_to(ROOT) for path in sorted((ROOT / "tests").rglob("test_*.py"))]
    stem = "synth" if module.parent.name == "synth" else module.stem  # one test file for them all
    package, room = module.parts[1], module.parent.name

    def named(name: str, anywhere: bool) -> list[Path]:
        found = [path for path in tests if path.name == f"test_{name}.py"]
        near = [path for path in found if path.parts[1] in (package, path.name)]
        return near or found if anywhere else near

    # a module of another package may have the same name
    beside = [path for name in (stem, f"{stem}_quick") for path in named(name, anywhere=False)]
    own = [path for path in beside if path.parent.name == room] or beside
    for each in (*MORE.get(stem, ()), *OF_ROOM.get(room, ())):
        own += [path for path in named(each, anywhere=True) if path not in own]
    dotted = ".".join(module.with_suffix("").parts[1:]).removesuffix(".__init__")
    folder, _, name = dotted.rpartition(".")
    others = []
    for path in tests:
        text = (ROOT / path).read_text("utf-8")
        imports = f"from {dotted} import" in text or f"import {dotted}" in text
        imports |= any(
            line.startswith(f"from {folder} import") and name in line.replace(",", " ").split()
            for line in text.splitlines()
        )
        if imports and path not in own:
            others.append(path)
    at = Path("tests", *module.parts[1:-1])
    nearest = next(folder for folder in (at, *at.parents) if (ROOT / folder).is_dir())
    nearer = {*own, *others}
    return own, others, [p for p in tests if p.parent == nearest and p not in nearer]


class Bench:
    """A copy of the tree in which tests run.

    Parameters
    ----------
    folder : Path
        Empty.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        leave = shutil.ignore_patterns("__pycache__", "*.pyc")
        for name in COPIED:
            shutil.copytree(ROOT / name, folder / name, ignore=leave)
        for name in FILES:
            shutil.copy(ROOT / name, folder / name)
        paths = [folder / "signal", folder / "gateway", folder]
        self._environment = os.environ | {
            "PYTHONPATH": os.pathsep.join(map(str, paths)),
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        self._without: list[str] = []

    def run(self, tests: list[str], limit_s: float) -> tuple[bool, list[str]]:
        """Whether these tests pass as the tree stands, and the first that fails where it is known.

        A run past the limit does not pass; one that holds no test does.
        """
        arguments = ["-x", "-q", "-rfE", "-p", "no:cacheprovider", *tests]
        with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as said:
            with subprocess.Popen(
                [sys.executable, "-m", "pytest", *arguments],
                cwd=self._folder,
                env=self._environment,
                stdout=said,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            ) as run:
                try:
                    code = run.wait(limit_s)
                except subprocess.TimeoutExpired:
                    os.killpg(run.pid, 9)
                    return False, []
            said.seek(0)
            return code in (0, _NONE_COLLECTED), _FAILED.findall(said.read())

    def survives(self, mutation: Mutation) -> bool:
        """Whether all tests that belong to a module pass although it was changed.

        What fails is run again on the code as it is: a test that fails there as well has noticed
        nothing, is said and left out.
        """
        path = self._folder / mutation.path
        whole = path.read_text("utf-8")
        own, others, room = related(mutation.path)
        for tests in (own, others, room):
            for marks, limit_s in LIMITS_S.items():
                if marks == _SLOW and tests is room:
                    continue  # minutes of what is mostly about its neighbours
                while tests:
                    chosen = ["-m", marks, *map(str, tests), *self._without]
                    path.write_text(mutated(mutation), "utf-8")
                    try:
                        passed, failed = self.run(chosen, limit_s)
                    finally:
                        path.write_text(whole, "utf-8")
                    if passed:
                        break
                    if self.run(failed or chosen, limit_s)[0]:
                        return False
                    more = [f"--deselect={each}" for each in failed]
                    assert more and more[0] not in self._without, f"they fail unchanged: {chosen}"
                    print(f"fails without a mutation: {failed}", flush=True)
                    self._without += more
        return True


def equivalents() -> dict[tuple[str, str], str]:
    """Return the mutations that change nothing that can be seen: file name and text, and why."""
    table = tomllib.loads(EQUIVALENT.read_text("utf-8"))
    return {(row["module"], row["mutation"]): row["reason"] for row in table.get("equivalent", [])}


def main() -> None:
    """Draw, try, say what survived."""
    area = Path(sys.argv[1])
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else random.randrange(1_000_000)
    known = equivalents()
    chosen = drawn(area, n, seed)
    survivors = same = 0
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        for mutation in chosen:
            if (mutation.path.name, mutation.text) in known:
                same += 1
            elif bench.survives(mutation):
                survivors += 1
                print(f"survives: {mutation}", flush=True)
            else:
                print(f"noticed: {mutation}", flush=True)
    meant = len(chosen) - same
    percent = 100.0 * (meant - survivors) / max(1, meant)
    print(
        f"{area}, seed {seed}: {meant - survivors} of {meant} mutations were noticed "
        f"({percent:.0f} %), {survivors} survived, {same} are equivalent"
    )
    sys.exit(1 if survivors else 0)


if __name__ == "__main__":
    main()
