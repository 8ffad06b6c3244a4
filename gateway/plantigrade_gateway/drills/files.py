"""Drills from TOML: the built-in ones, the coach's folder beside the store, single files, marks.

A table that cannot be used is refused in one sentence: which key, what was expected, and the
nearest name that is known. The drill itself is `model.py`'s.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_toml
from plantigrade.limits import Limits
from plantigrade_gateway.drills.model import (
    FORMER_CUES,
    NONE,
    OUTCOME,
    BalanceTarget,
    Choice,
    Cues,
    Drill,
    DrillKind,
    Feedback,
    HeelLiftTarget,
    PushTarget,
    Say,
    Span,
    StayTarget,
    Target,
    TrailHeelTarget,
    WalkTarget,
    When,
)
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_file
from plantigrade_gateway.sound.motifs import Motif
from plantigrade_gateway.sound.pitch import CopSource

DEFAULTS = Limits()
"""Of an analysis whose limits nobody has set."""
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")
_Choice = TypeVar("_Choice", bound=StrEnum)

_USUAL: dict[DrillKind, Callable[[Limits], Target]] = {
    DrillKind.PUSH: PushTarget.of,
    DrillKind.HEEL_LIFT: HeelLiftTarget.of,
    DrillKind.STAY: lambda _: StayTarget(),
    DrillKind.BALANCE: lambda _: BalanceTarget(),
    DrillKind.WALK_THROUGH: lambda _: WalkTarget(),
    DrillKind.TRAIL_HEEL: TrailHeelTarget.of,
}
"""The target of a file that says nothing of it, by the limits of the analysis."""
_CUES = {
    DrillKind.PUSH: Cues("rolled", OUTCOME, CopSource.TRAIL, heel_clicks=True, replay_push=True),
    DrillKind.HEEL_LIFT: Cues(tone=CopSource.LEAD, heel_clicks=True),
    DrillKind.STAY: Cues(tone=CopSource.LEAD, heel_clicks=True),
    DrillKind.BALANCE: Cues(tone=CopSource.BOTH),
    DrillKind.WALK_THROUGH: Cues(),
    DrillKind.TRAIL_HEEL: Cues(tone=CopSource.TRAIL),
}
"""What is heard unless the file says otherwise."""
_PUSHES = (DrillKind.PUSH, DrillKind.TRAIL_HEEL)
_TOP = ("name", "title", "goal", "kind", "feedback", "cautions", "target", "cues", "say")


def drill_of(table: Mapping[str, Any], source: str, limits: Limits = DEFAULTS) -> Drill:
    """Read a drill from its table.

    Parameters
    ----------
    table : mapping
        Of a TOML file, or `Drill.table`.
    source : str
        Named in errors: the file.
    limits : Limits
        Of the analysis: what a target leaves out that is a limit there too.

    Raises
    ------
    InputError
        A key that is missing, unknown or of the wrong kind: says which, what was expected, and the
        nearest known name.
    """
    if not isinstance(table, Mapping):  # of a record that others wrote
        raise InputError(f"{source}: is {shown(table)}, expected a table")
    table = _renamed(source, table, {"judge": "kind"})
    _known(source, table, _TOP)
    for key in ("name", "title", "goal", "kind"):
        if key not in table:
            raise InputError(f"{source}: {key} is missing, expected {_WANTED[key]}")
    name = _text(f"{source}: name", table["name"], 40)
    if not _NAME.fullmatch(name):
        raise InputError(f"{source}: name is {shown(name)}, expected {_WANTED['name']}")
    if name == NONE:
        raise InputError(f"{source}: name is {NONE!r}, expected another: it stands for no drill")
    kind = _choice(f"{source}: kind", table["kind"], DrillKind)
    cautions = table.get("cautions", [])
    if not isinstance(cautions, list):
        raise InputError(f"{source}: cautions is {shown(cautions)}, expected a list of sentences")
    return Drill(
        name=name,
        title=_text(f"{source}: title", table["title"], 60),
        goal=_text(f"{source}: goal", table["goal"], 240),
        kind=kind,
        target=_target(f"{source}: target", _section(source, table, "target"), kind, limits),
        cues=_cues(f"{source}: cues", _section(source, table, "cues"), kind),
        feedback=_choice(f"{source}: feedback", table.get("feedback", "every"), Feedback),
        cautions=tuple(
            _text(f"{source}: cautions, sentence {n}", item, 240)
            for n, item in enumerate(cautions, 1)
        ),
        say=_say(f"{source}: say", _section(source, table, "say"), kind),
    )


_WANTED = {
    "name": "a short name of lower-case letters, digits, _ and -",
    "title": "a few words",
    "goal": "one sentence",
    "kind": "one of " + ", ".join(DrillKind),
}


def _target(where: str, table: Mapping[str, Any], kind: DrillKind, limits: Limits) -> Target:
    usual = _USUAL[kind](limits)
    names = {field.name.rstrip("_"): field.name for field in fields(usual)}  # `from` is a keyword
    _known(where, table, names, f" in a {kind} drill")
    given = {names[key]: _READ[key](f"{where}.{key}", value) for key, value in table.items()}
    return replace(usual, **given)


def _cues(where: str, table: Mapping[str, Any], kind: DrillKind) -> Cues:
    usual = _CUES[kind]
    table = _renamed(where, table, FORMER_CUES)
    _known(where, table, [f.name for f in fields(Cues)])
    values = {f.name: getattr(usual, f.name) for f in fields(Cues)}
    for key, value in table.items():
        at = f"{where}.{key}"
        if key in ("heel_clicks", "replay_push"):
            values[key] = _bool(at, value)
        elif key == "tone":
            values[key] = _choice(at, value, CopSource)
        else:
            by_outcome = (OUTCOME,) if key == "missed_sound" and kind is DrillKind.PUSH else ()
            values[key] = _one_of(at, value, [*map(str, Motif), NONE, *by_outcome])
    if kind not in _PUSHES and values["replay_push"]:
        raise InputError(
            f"{where}.replay_push is true, expected false: only a push drill has a push"
        )
    return Cues(**values)


_SAY_LONGEST, _WORD_LONGEST = 24, 9
"""Characters of a line, and of one of its words, that a phone shows at three metres (ours)."""


def _say(where: str, table: Mapping[str, Any], kind: DrillKind) -> Say:
    names = (
        [f.name for f in fields(Say)] if kind is DrillKind.PUSH else ["good", "missed", "unclear"]
    )
    _known(where, table, names, f" in a {kind} drill")
    lines = {}
    for key, value in table.items():
        lines[key] = _text(f"{where}.{key}", value, _SAY_LONGEST)
        longest = max(lines[key].split(), key=len)
        if len(longest) > _WORD_LONGEST:
            raise InputError(
                f"{where}.{key}: {longest!r} has {len(longest)} letters, expected words of at "
                f"most {_WORD_LONGEST}, to be read on a phone at three metres"
            )
    return Say(**lines)


def _section(source: str, table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    section = table.get(key, {})
    if not isinstance(section, Mapping):
        raise InputError(f"{source}: {key} is {shown(section)}, expected a [{key}] table")
    return section


def _renamed(where: str, table: Mapping[str, Any], former: Mapping[str, str]) -> Mapping[str, Any]:
    """Return a table by the names of today: 0.1.0 and every record use former ones."""
    for old, name in former.items():
        if old in table and name in table:
            raise InputError(f"{where}: {old} is the former name of {name}, expected one of them")
    return {former.get(key, key): value for key, value in table.items()}


def _known(where: str, table: Mapping[str, Any], names: Iterable[str], here: str = "") -> None:
    known = list(names)
    for key in table:
        if key not in known:
            raise InputError(
                f"{where}: key {shown(key)} is not known{here}, expected {_listed(key, known)}"
            )


def _listed(wrong: str, known: list[str]) -> str:
    """Return all known names, the nearest one first where one is near."""
    near = get_close_matches(wrong, known, 1)
    others = [name for name in known if name not in near]
    if near:
        return f"{near[0]} (or {', '.join(others)})" if others else near[0]
    return known[0] if len(known) == 1 else "one of " + ", ".join(known)


def _one_of(where: str, value: object, known: list[str]) -> str:
    if not isinstance(value, str) or value not in known:
        raise InputError(f"{where} is {shown(value)}, expected {_listed(str(value), known)}")
    return value


def _choice(where: str, value: object, names: type[_Choice]) -> _Choice:
    return names(_one_of(where, value, [str(name) for name in names]))


def _text(where: str, value: object, longest: int) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise InputError(f"{where} is {shown(value)}, expected one line of text")
    if len(value) > longest:
        raise InputError(f"{where} has {len(value)} characters, expected at most {longest}")
    return value.strip()


def _bool(where: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"{where} is {shown(value)}, expected true or false")
    return value


def _number(low: float, high: float) -> Callable[[str, object], float]:
    def read(where: str, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(
                f"{where} is {shown(value)}, expected a number from {low:g} to {high:g}"
            )
        if not low <= value <= high:
            raise InputError(f"{where} is {value:g}, expected {low:g} to {high:g}")
        return float(value)

    return read


def _span(low: float, high: float) -> Callable[[str, object], Span]:
    number = _number(low, high)

    def read(where: str, value: object) -> Span:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise InputError(
                f"{where} is {shown(value)}, expected two numbers, as [{low:g}, {high:g}]"
            )
        first, second = number(where, value[0]), number(where, value[1])
        if first >= second:
            raise InputError(f"{where} is [{first:g}, {second:g}], expected the lower one first")
        return first, second

    return read


def _stance(where: str, value: object) -> CopSource:
    stance = _choice(where, value, CopSource)
    if stance is CopSource.NONE:
        raise InputError(f"{where} is 'none', expected both, lead or trail")
    return stance


_READ: dict[str, Callable[[str, object], Any]] = {
    "transfer_s": _span(0.0, 2.0),
    "timing": lambda where, value: _choice(where, value, When),
    "travel": _number(0.05, 1.0),
    "from": _number(0.05, 1.0),
    "share": _number(0.0, 1.0),
    "gain": _number(0.0, 1.0),
    "lifted_s": _span(0.0, 5.0),
    "return_by_s": _number(-2.0, 2.0),
    "heel_bw": _number(0.0, 0.5),
    "stance": _stance,
    "y": _span(0.0, 1.0),
    "x": _span(0.0, 1.0),
    "hold_s": _number(1.0, 120.0),
    "transfer_pct": _number(0.0, 90.0),
}

FOLDER = "drills"
"""The coach's folder, beside the store's file."""

BUILT_IN = ("push", "trail_heel", "heel_lift", "stay", "balance", "walk_through")
"""In the order in which they are listed."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """The drills to choose from.

    Attributes
    ----------
    drills : dict of str to Drill
        By name: the built-in ones first, then the coach's.
    origin : dict of str to str
        Where each is from: "built in", or its file.
    problems : tuple of str
        One sentence for each file of the folder that cannot be used.
    """

    drills: dict[str, Drill]
    origin: dict[str, str]
    problems: tuple[str, ...]

    def find(self, name: str) -> Drill:
        """Return a drill by name.

        Raises
        ------
        InputError
            There is none; the nearest name is said, and which files were left out: it may be one.
        """
        if name in self.drills:
            return self.drills[name]
        near = get_close_matches(name, self.drills, 1)
        expected = f"perhaps {near[0]}" if near else "one of " + ", ".join(self.drills)
        left_out = "".join(f"; left out: {problem}" for problem in self.problems)
        raise InputError(f"drill {name!r}: is not known, expected {expected}{left_out}")


@dataclass(frozen=True, slots=True)
class Drilling:
    """What is practised in a session.

    Attributes
    ----------
    shelf : Shelf
        What there is to choose from.
    choice : Choice or None
        What it begins with.
    voice : bool
        Whether outcomes are said.
    """

    shelf: Shelf
    choice: Choice | None = None
    voice: bool = False


def read_drill(path: Path, limits: Limits = DEFAULTS) -> Drill:
    """Read a drill file.

    Raises
    ------
    InputError
        It cannot be read, is not TOML, or is no drill.
    """
    return parse_drill(read_file(path, f"drill {path}"), f"drill {path}", limits)


def parse_drill(text: str | bytes, source: str, limits: Limits = DEFAULTS) -> Drill:
    """Read a drill from TOML text.

    Raises
    ------
    InputError
        Not TOML, or no drill.
    """
    try:
        table = read_toml(text, source)
    except ForeignError as error:
        raise InputError(str(error)) from error
    return drill_of(table, source, limits)


def shelf(store: Path | None, files: Iterable[Path] = (), limits: Limits = DEFAULTS) -> Shelf:
    """Return the built-in drills, those beside the store, and those of single files.

    A drill of the coach's takes the place of a built-in one of the same name.

    Parameters
    ----------
    store : Path or None
        The store's file; None: no folder is looked in.
    files : iterable of Path
    limits : Limits
        Of the analysis; a target that leaves one of them out goes by it.

    Raises
    ------
    InputError
        One of `files` cannot be used. (A bad file of the folder is a problem, not an error: it
        stops nobody from practising something else.)
    """
    drills: dict[str, Drill] = {}
    origin: dict[str, str] = {}
    problems: list[str] = []
    for name in BUILT_IN:
        text = (resources.files("plantigrade_gateway") / FOLDER / f"{name}.toml").read_text("utf-8")
        drills[name], origin[name] = parse_drill(text, f"drill {name}.toml", limits), "built in"
    for path in sorted((store.parent / FOLDER).glob("*.toml")) if store is not None else ():
        try:
            drill = read_drill(path, limits)
        except InputError as error:
            problems.append(str(error))
            continue
        other = origin.get(drill.name, "built in")
        if other != "built in":
            problems.append(f"drill {path}: name is {drill.name!r}, which {other} has already")
            continue
        drills[drill.name], origin[drill.name] = drill, str(path)
    for path in files:
        drill = read_drill(path, limits)
        drills[drill.name], origin[drill.name] = drill, str(path)
    return Shelf(drills, origin, tuple(problems))
