"""A drill from a table, of a TOML file or of a mark in the record: read, checked, refused.

Pure. A table that cannot be used is refused in one sentence: which key, what was expected, and the
nearest name that is known.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from difflib import get_close_matches
from enum import StrEnum
from typing import Any, TypeVar

from plantigrade_gateway.drills.model import (
    NONE,
    OUTCOME,
    BalanceTarget,
    Cues,
    Drill,
    Feedback,
    HeelLiftTarget,
    Judge,
    PushTarget,
    Span,
    StayTarget,
    Target,
    WalkTarget,
    When,
)
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sound.motifs import Motif
from plantigrade_gateway.sound.pitch import Of

_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")
_Choice = TypeVar("_Choice", bound=StrEnum)

_TARGETS: dict[Judge, type[Target]] = {
    Judge.PUSH: PushTarget,
    Judge.HEEL_LIFT: HeelLiftTarget,
    Judge.STAY: StayTarget,
    Judge.BALANCE: BalanceTarget,
    Judge.WALK_THROUGH: WalkTarget,
}
_CUES = {
    Judge.PUSH: Cues("rolled", OUTCOME, Of.TRAIL, ticks=True, echo=True),
    Judge.HEEL_LIFT: Cues(tone=Of.LEAD, ticks=True),
    Judge.STAY: Cues(tone=Of.LEAD, ticks=True),
    Judge.BALANCE: Cues(tone=Of.BOTH),
    Judge.WALK_THROUGH: Cues(),
}
"""What is heard unless the file says otherwise."""
_TOP = ("name", "title", "goal", "judge", "feedback", "cautions", "target", "cues")


def drill_of(table: Mapping[str, Any], source: str) -> Drill:
    """Read a drill from its table.

    Parameters
    ----------
    table : mapping
        Of a TOML file, or `Drill.table`.
    source : str
        Named in errors: the file.

    Raises
    ------
    InputError
        A key that is missing, unknown or of the wrong kind: says which, what was expected, and the
        nearest known name.
    """
    _known(source, table, _TOP, "key")
    for key in ("name", "title", "goal", "judge"):
        if key not in table:
            raise InputError(f"{source}: {key} is missing, expected {_WANTED[key]}")
    name = _text(f"{source}: name", table["name"], 40)
    if not _NAME.fullmatch(name):
        raise InputError(f"{source}: name is {name!r}, expected {_WANTED['name']}")
    if name == NONE:
        raise InputError(f"{source}: name is {NONE!r}, expected another: it stands for no drill")
    judge = _choice(f"{source}: judge", table["judge"], Judge)
    cautions = table.get("cautions", [])
    if not isinstance(cautions, list):
        raise InputError(f"{source}: cautions is {cautions!r}, expected a list of sentences")
    return Drill(
        name=name,
        title=_text(f"{source}: title", table["title"], 60),
        goal=_text(f"{source}: goal", table["goal"], 240),
        judge=judge,
        target=_target(f"{source}: target", _section(source, table, "target"), judge),
        cues=_cues(f"{source}: cues", _section(source, table, "cues"), judge),
        feedback=_choice(f"{source}: feedback", table.get("feedback", "every"), Feedback),
        cautions=tuple(
            _text(f"{source}: cautions, sentence {n}", item, 240)
            for n, item in enumerate(cautions, 1)
        ),
    )


_WANTED = {
    "name": "a short name of lower-case letters, digits, _ and -",
    "title": "a few words",
    "goal": "one sentence",
    "judge": "one of " + ", ".join(Judge),
}


def _target(where: str, table: Mapping[str, Any], judge: Judge) -> Target:
    cls = _TARGETS[judge]
    _known(where, table, [f.name for f in fields(cls)], f"target of a {judge} drill")
    return cls(**{key: _READ[key](f"{where}.{key}", value) for key, value in table.items()})


def _cues(where: str, table: Mapping[str, Any], judge: Judge) -> Cues:
    usual = _CUES[judge]
    _known(where, table, [f.name for f in fields(Cues)], "cue")
    values = {f.name: getattr(usual, f.name) for f in fields(Cues)}
    for key, value in table.items():
        at = f"{where}.{key}"
        if key in ("ticks", "echo"):
            values[key] = _bool(at, value)
        elif key == "tone":
            values[key] = _choice(at, value, Of)
        else:
            by_outcome = (OUTCOME,) if key == "missed" and judge is Judge.PUSH else ()
            values[key] = _one_of(at, value, [*map(str, Motif), NONE, *by_outcome])
    if judge is not Judge.PUSH and values["echo"]:
        raise InputError(f"{where}.echo is true, expected false: only a push drill has a push")
    return Cues(**values)


def _section(source: str, table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    section = table.get(key, {})
    if not isinstance(section, Mapping):
        raise InputError(f"{source}: {key} is {section!r}, expected a [{key}] table")
    return section


def _known(where: str, table: Mapping[str, Any], names: Iterable[str], what: str) -> None:
    known = list(names)
    for key in table:
        if key not in known:
            raise InputError(
                f"{where}: {what} {key!r} is not known, expected {_listed(key, known)}"
            )


def _listed(wrong: str, known: list[str]) -> str:
    """Return the nearest known name, or all of them."""
    near = get_close_matches(wrong, known, 1)
    return f"perhaps {near[0]}" if near else "one of " + ", ".join(known)


def _one_of(where: str, value: object, known: list[str]) -> str:
    if not isinstance(value, str) or value not in known:
        raise InputError(f"{where} is {value!r}, expected {_listed(str(value), known)}")
    return value


def _choice(where: str, value: object, names: type[_Choice]) -> _Choice:
    return names(_one_of(where, value, [str(name) for name in names]))


def _text(where: str, value: object, longest: int) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise InputError(f"{where} is {value!r}, expected one line of text")
    if len(value) > longest:
        raise InputError(f"{where} has {len(value)} characters, expected at most {longest}")
    return value.strip()


def _bool(where: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"{where} is {value!r}, expected true or false")
    return value


def _number(low: float, high: float) -> Callable[[str, object], float]:
    def read(where: str, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{where} is {value!r}, expected a number from {low:g} to {high:g}")
        if not low <= value <= high:
            raise InputError(f"{where} is {value:g}, expected {low:g} to {high:g}")
        return float(value)

    return read


def _span(low: float, high: float) -> Callable[[str, object], Span]:
    number = _number(low, high)

    def read(where: str, value: object) -> Span:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise InputError(f"{where} is {value!r}, expected two numbers, as [{low:g}, {high:g}]")
        first, second = number(where, value[0]), number(where, value[1])
        if first >= second:
            raise InputError(f"{where} is [{first:g}, {second:g}], expected the lower one first")
        return first, second

    return read


def _stance(where: str, value: object) -> Of:
    stance = _choice(where, value, Of)
    if stance is Of.NONE:
        raise InputError(f"{where} is 'none', expected both, lead or trail")
    return stance


_READ: dict[str, Callable[[str, object], Any]] = {
    "transfer_s": _span(0.0, 2.0),
    "timing": lambda where, value: _choice(where, value, When),
    "travel": _number(0.05, 1.0),
    "lifted_s": _span(0.0, 5.0),
    "return_by_s": _number(-2.0, 2.0),
    "heel_bw": _number(0.0, 0.5),
    "stance": _stance,
    "y": _span(0.0, 1.0),
    "x": _span(0.0, 1.0),
    "hold_s": _number(1.0, 120.0),
    "transfer_pct": _number(0.0, 90.0),
}
