"""What a value in the log of changes may be, by its kind of thing and its field. Pure.

Logs merge by union: a bay that was taken over, or one of a newer version, may have said anything.
What cannot be what its field holds stays in the log, and travels on, but nobody reads it.
"""

import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from plantigrade_gateway.coach.speedfile import check_speed
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.profile import (
    ANSWERS,
    GIVERS,
    LIMITS,
    PRINTS,
    TAKEN_BACK,
    checked,
)
from plantigrade_gateway.record.tables import Intent

Check = Callable[[Any], bool]
_NUMBER = re.compile(r"-?[0-9]{1,19}")
_ID = re.compile(r"[0-9a-f]{32}")
_FIRST_MS, _LAST_MS = (
    int(datetime(year, 1, 2, tzinfo=UTC).timestamp() * 1000) for year in (1, 9999)
)


def fits(entity: str, field: str, value: object) -> bool:
    """Whether a value can be what a field of a kind of thing holds; of an unknown one it can."""
    kind, colon, rest = field.partition(":")
    check = _CHECKS.get((entity, kind + colon))
    if check is None:
        return True
    if (entity, colon) == ("session", ":") and kind in _OF_SWINGS and not _NUMBER.fullmatch(rest):
        return False
    try:
        return check(value)
    except (InputError, ValueError, TypeError):
        return False


def is_when(wall_utc_ms: int) -> bool:
    """Whether a wall clock can have said it, in any zone."""
    return isinstance(wall_utc_ms, int) and _FIRST_MS <= wall_utc_ms <= _LAST_MS


def _text(value: object) -> bool:
    return isinstance(value, str)


def _flag(value: object) -> bool:
    return isinstance(value, bool)


def _real(value: object) -> bool:
    return isinstance(value, int | float) and not _flag(value) and math.isfinite(value)


def _day(value: str) -> bool:
    return date.fromisoformat(value) is not None


def _texts(value: object) -> bool:
    return isinstance(value, list) and all(map(_text, value))


def _flat(value: object) -> bool:
    """Whether it is a list of pairs of numbers."""
    return isinstance(value, list) and all(
        isinstance(pair, list) and len(pair) == 2 and all(map(_real, pair)) for pair in value
    )


def _among(*words: str) -> Check:
    return lambda value: isinstance(value, str) and value in words


def _or_none(check: Check) -> Check:
    return lambda value: value is None or check(value)


def _table(needed: Mapping[str, Check], more: Mapping[str, Check] | None = None) -> Check:
    """Return the check of a JSON object of these keys and, if they are there, of some more."""
    known = {**needed, **(more or {})}

    def check(value: object) -> bool:
        return (
            isinstance(value, dict)
            and needed.keys() <= value.keys() <= known.keys()
            and all(known[key](one) for key, one in value.items())
        )

    return check


def _of_player(field: str) -> Check:
    return lambda value: bool(checked({field: value}))


def _consent(value: Any) -> bool:  # noqa: ANN401 - a JSON value
    given = {"given": _flag, "by": _among(*GIVERS)}
    more = {"until": _or_none(_day), "after": _texts}
    return _table(given, more)(value) and ("after" in value or not value["given"])


_SPEED = _table({"m_s": lambda value: check_speed(value) > 0.0}, {"join": _text})
_JOIN = _table({"how": _text, "offset_s": _or_none(_real), "count": _real})
_SET = _table({"intent": _among(*Intent), "club": _text})
_DECISION = _table(
    {"answer": _among(*ANSWERS, TAKEN_BACK), "cue": _text, "day": _day},
    {"plan": _text, "sheet": lambda value: _texts(value) and len(value) == 2},
)
_FOOTPRINT = _table(
    {
        **dict.fromkeys(("foot", "how", "sheet"), _text),
        **dict.fromkeys(("index", "half_width", "area_mm2", "length_mm", "level"), _real),
        **{"is_mirrored": _flag, "marks": _flat},
    }
)
_OF_SWINGS = ("excluded", "speed", "push", "heel", "seen")
_CHECKS: dict[tuple[str, str], Check] = {
    **{
        ("player", field): _of_player(field)
        for field in (
            *("name", "handedness", "mass_kg", "shoe", "footbed", "size", "insoles"),
            *("is_minor", "guardian", "next_check"),
        )
    },
    ("player", "consent:"): _consent,
    ("player", "finding:"): _table({"state": _among(*LIMITS), "text": _text}),
    ("player", "decision:"): _DECISION,
    ("player", "print:"): _among(*PRINTS),
    ("player", "footprint:"): _or_none(_table({"footprint": _FOOTPRINT, "has_picture": _flag})),
    ("print", "jpeg"): _text,
    ("rules", "text"): _table({"text": _text, "built_in": _flag}),
    ("session", "player"): lambda value: isinstance(value, str) and bool(_ID.fullmatch(value)),
    ("session", "questions"): _table(
        {"hold": _among("", "red flag", "pain"), "by": _among(*GIVERS)}
    ),
    ("session", "hold_taken_back"): _table({"hold": _among("red flag", "pain")}),
    ("session", "is_unchanged"): _flag,
    ("session", "shoe"): _text,
    ("session", "footbed"): _text,
    ("session", "club"): _text,
    ("session", "is_shoe_stiff"): _or_none(_flag),
    ("session", "note:"): _or_none(_table({"t_s": _real, "text": _text})),
    ("session", "join:"): _or_none(_JOIN),
    ("session", "set:"): _or_none(_SET),
    ("session", "excluded:"): _or_none(_text),
    ("session", "speed:"): _or_none(_SPEED),
    ("session", "push:"): _table({"answer": _among("good", "not good"), "is_blind": _flag}),
    ("session", "heel:"): _table({"answer": _among("up", "down"), "is_blind": _flag}),
    ("session", "seen:"): _or_none(_flag),
}
