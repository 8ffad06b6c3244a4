"""What is kept of a player, and what each of it may be. Pure: nothing is read or written here.

Nothing medical has a place in it: neither a diagnosis nor an answer about pain.
"""

import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime
from difflib import get_close_matches
from typing import Any

from plantigrade.errors import shown
from plantigrade_gateway import formats
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.change import Change

HANDS = ("right", "left")
FINDINGS = ("hips", "trunk", "ankles", "balance")
"""What a coach looks at without the insoles."""
LIMITS = ("no limit", "limit", "not looked")
TOPICS = ("lead heel", "push", "speed")
"""What a coach decides on; the names are those of the rules' topics."""
ANSWERS = ("go", "not yet", "not today")
TAKEN_BACK = ""
"""The answer of a decision that does not stand any more."""
PLANS: dict[str, tuple[str, ...]] = {
    "lead heel": ("up", "down", "either"),
    "push": ("deliberate", "even"),
    "speed": (),
}
"""What a decision may plan for, by its topic."""
FEET = ("left", "right")
PRINTS = ("high", "middle", "low", "between")
"""What a barefoot print is called by its area."""
RECORD = "record"
SEND_ON = "send on"
CONSENTS = (RECORD, SEND_ON, "speed")
"""To measure and keep, at the site's hub too; to send on to a database or broker; to train for
speed."""
GIVERS = ("player", "guardian")

_LEAST_OF_ID = 4  # digits of an id by which a player is found
_MOST_NAMED = 3
_LINE = 120
_NAME = 80
_LEAST_KG, _MOST_KG = 10.0, 300.0  # as a session's settings
_SERIAL = re.compile(r"[0-9A-F]{8}")
_BLANK = "\u115f\u1160\u2800\u3164\uffa0"  # letters and signs by their class, without a picture
_JOINERS = "\u200c\u200d"  # some scripts write names with them


@dataclass(frozen=True, slots=True)
class Profile:
    """A player, as the coach sees them.

    Attributes
    ----------
    player_id : str
        Random; stands for the player wherever the name must not appear.
    name : str
        A name or a code.
    handedness : str
        ``"right"`` or ``"left"``.
    mass_kg : float or None
    shoe, footbed, size : str
        What is usually worn; empty where it was not said.
    insoles : tuple of str or None
        Serial numbers of the left and the right insole, eight hexadecimal digits each.
    is_minor : bool
    guardian : str
        Who answers for a minor.
    next_check : str
        The day on which the coach wants to check again, as ``"2026-12-31"``; empty: not said.
    """

    player_id: str
    name: str
    handedness: str
    mass_kg: float | None = None
    shoe: str = ""
    footbed: str = ""
    size: str = ""
    insoles: tuple[str, str] | None = None
    is_minor: bool = False
    guardian: str = ""
    next_check: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """A player in a list.

    Attributes
    ----------
    profile : Profile
    sessions : int
        How many are stored here.
    last : datetime or None
        When the last of them began, with the offset people there were shown.
    answers : dict of str to str
        The last decision on each topic that one was made on.
    """

    profile: Profile
    sessions: int
    last: datetime | None
    answers: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Consent:
    """How things stand with one consent.

    Attributes
    ----------
    what : str
        One of `CONSENTS`.
    state : str
        ``"given"``, ``"withdrawn"``, ``"ran out"`` or ``"not asked"``.
    by : str or None
        Who said so last, one of `GIVERS`.
    when : datetime or None
        UTC.
    until : date or None
        The last day on which it holds; None: until it is withdrawn.
    """

    what: str
    state: str
    by: str | None = None
    when: datetime | None = None
    until: date | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """What the coach found without the insoles."""

    what: str
    state: str
    text: str
    when: datetime


@dataclass(frozen=True, slots=True)
class Decision:
    """What the coach decided on a topic, and the words the player is cued with.

    `plan` is one of the topic's `PLANS`, or empty.
    """

    topic: str
    answer: str
    cue: str
    day: date
    when: datetime
    plan: str = ""


def folded(text: str) -> str:
    """Return text as it is compared: as one are taken names that look alike.

    Neither case counts, nor how accents and wide letters are written, nor what joins letters
    unseen, nor the width of blanks: a page shows two of them as one.
    """
    seen = unicodedata.normalize("NFKC", "".join(one for one in text if one not in _JOINERS))
    return unicodedata.normalize("NFKC", " ".join(seen.split()).casefold())


def one_of(value: object, known: Iterable[str], what: str) -> str:
    """Return a word that must be one of several.

    Raises
    ------
    InputError
        It is none of them: says which there are, and which was perhaps meant.
    """
    words = list(known)
    if isinstance(value, str) and value in words:
        return value
    raise InputError(f"{what}: {shown(value)}, {_expected(str(value), words)}")


def _expected(value: str, words: list[str]) -> str:
    there = formats.either(words)
    near = get_close_matches(value.casefold(), words, 1)
    return f"did you mean {near[0]}? Expected {there}" if near else f"expected {there}"


def line_of(value: object, what: str, most: int = _LINE) -> str:
    """Return a line of text without outer blanks.

    Raises
    ------
    InputError
        It is no text, has several lines or other signs that steer a terminal, or is too long.
    """
    if not isinstance(value, str):
        raise InputError(f"{what}: {shown(value)}, expected text")
    text = unicodedata.normalize("NFC", value.strip())
    if len(text) > most:
        raise InputError(f"{what}: has {len(text)} characters, expected {most} at most")
    steering = ("Cc", "Cf", "Cs", "Zl", "Zp")
    if any(unicodedata.category(sign) in steering and sign not in _JOINERS for sign in text):
        raise InputError(f"{what}: holds a line break or a control sign, expected one line")
    return text


def _name(value: object) -> str:
    text = line_of(value, "name", _NAME)
    if not text:
        raise InputError("name: is empty, expected a name or a code")
    return text


def check_seen(name: str) -> None:
    """Refuse a new name that shows nothing on a page; one that was taken before is still read.

    Raises
    ------
    InputError
    """
    if all(sign in _BLANK or unicodedata.category(sign)[0] not in "LNPS" for sign in name):
        raise InputError("name: shows nothing, expected letters, digits or signs")


def _mass(value: object) -> float | None:
    if value is None:
        return None
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not math.isfinite(value) or not _LEAST_KG <= value <= _MOST_KG:  # type: ignore[arg-type,operator]
        raise InputError(f"mass: {shown(value)} kg, expected {_LEAST_KG:g} to {_MOST_KG:g}")
    return float(value)  # type: ignore[arg-type]


def _insoles(value: object) -> list[str] | None:
    if value is None:
        return None
    pair = [str(serial).upper() for serial in value] if isinstance(value, list | tuple) else []
    if len(pair) != 2 or not all(_SERIAL.fullmatch(serial) for serial in pair):
        raise InputError(
            f"insoles: {shown(value)}, expected the left and the right serial number, eight "
            "hexadecimal digits each, as plantigrade scan shows them"
        )
    if pair[0] == pair[1]:
        raise InputError(f"insoles: {pair[0]} is given for both feet, expected two insoles")
    return pair


def _day(value: object) -> str:
    text = line_of(value, "next check")
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        raise InputError(f"next check: {shown(text)}, expected a day as 2026-12-31") from None


def _minor(value: object) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"is_minor: {shown(value)}, expected true or false")
    return value


_CHECKS: dict[str, Callable[[object], Any]] = {
    "name": _name,
    "handedness": lambda value: one_of(value, HANDS, "handedness"),
    "mass_kg": _mass,
    "shoe": lambda value: line_of(value, "shoe"),
    "footbed": lambda value: line_of(value, "footbed"),
    "size": lambda value: line_of(value, "size"),
    "insoles": _insoles,
    "is_minor": _minor,
    "guardian": lambda value: line_of(value, "guardian", _NAME),
    "next_check": _day,
}


def checked(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return fields of a player as they are kept.

    Raises
    ------
    InputError
        An unknown field, or a value that cannot be: one sentence.
    """
    for field in given:
        if field not in _CHECKS:
            raise InputError(f"player: no field {shown(field)}, {_expected(field, [*_CHECKS])}")
    return {field: _CHECKS[field](value) for field, value in given.items()}


def check_to_come(until: date, today: date) -> None:
    """Refuse a consent's last day that is past.

    Raises
    ------
    InputError
        So it is.
    """
    if until < today:
        raise InputError(f"until: {until} is past, expected a day to come")


def check_whole(profile: Profile) -> None:
    """Refuse a minor without a guardian.

    Raises
    ------
    InputError
        So it is.
    """
    if profile.is_minor and not profile.guardian:
        raise InputError("guardian: is missing, a minor needs one")


_FIELDS = {field.name for field in fields(Profile)} - {"player_id"}


def profile_of(player_id: str, values: Mapping[str, Any]) -> Profile:
    """Return a player of what is shown of their fields; unknown ones are left out."""
    kept = {field: values[field] for field in values if field in _FIELDS}
    if kept.get("insoles") is not None:
        left, right = kept["insoles"]
        kept["insoles"] = (left, right)
    return Profile(player_id, **{"name": "", "handedness": HANDS[0], **kept})


def utc(change: Change) -> datetime:
    """Return when something was said."""
    return datetime.fromtimestamp(change.wall_utc_ms / 1000, UTC)


def consent_of(what: str, changes: list[Change], today: date) -> Consent:
    """Return how things stand with a consent.

    A grant names the withdrawals that whoever noted it knew of. It counts only where these are
    all there are: so a withdrawal beats each grant that was made before it, or elsewhere without
    knowing of it, in whatever order they become known.

    Parameters
    ----------
    what : str
    changes : list of Change
        All that was said of it, in order.
    today : date
    """
    if not changes:
        return Consent(what, "not asked")
    withdrawn = [c for c in changes if not c.value["given"]]
    gone = {c.change_id for c in withdrawn}
    grants = [c for c in changes if c.value["given"] and gone <= set(c.value["after"])]
    last = grants[-1] if grants else withdrawn[-1]
    text = last.value.get("until")
    until = None if text is None else date.fromisoformat(text)
    state = "withdrawn" if not grants else "given"
    if grants and until is not None and until < today:
        state = "ran out"
    return Consent(what, state, last.value["by"], utc(last), until)


def lacks_consent(consents: Iterable[Consent], name: str) -> str:
    """Say that consent to record a player is needed and lacks; empty where it is given."""
    record = next(one for one in consents if one.what == RECORD)
    states = {
        "not asked": "is not noted",
        "withdrawn": "was withdrawn",
        "ran out": f"ran out on {record.until}",
    }
    if record.state not in states:
        return ""
    return (
        f"Consent to record {name} {states[record.state]}: recordings of a person are "
        "health-related data and need it."
    )


def one_called(profiles: Mapping[str, Profile], text: str) -> Profile:
    """Return the one player, by id, of an id, of a name in either case, or of a beginning of one.

    Raises
    ------
    InputError
        There is none or there are several; says which were perhaps meant.
    """
    wanted = folded(text)
    if wanted in profiles:
        return profiles[wanted]
    found = [p for p in profiles.values() if wanted and folded(p.name) == wanted]
    said = "are called so"
    if not found and wanted:
        said = "begin so"
        is_id = len(wanted) >= _LEAST_OF_ID
        found = [
            p
            for key, p in profiles.items()
            if (is_id and key.startswith(wanted)) or folded(p.name).startswith(wanted)
        ]
    if len(found) == 1:
        return found[0]
    if found:
        names = ", ".join(f"{p.name}, {p.player_id[:8]}" for p in found[:_MOST_NAMED])
        more = " and others" if len(found) > _MOST_NAMED else ""
        raise InputError(
            f"player {shown(text)}: {len(found)} {said} ({names}{more}); give more of it, or the id"
        )
    by_name = {folded(p.name): p.name for p in profiles.values()}
    like = [name for name in by_name if wanted and wanted in name]
    like = like or get_close_matches(wanted, by_name, _MOST_NAMED)
    near = [by_name[name] for name in like[:_MOST_NAMED]]
    advice = f"did you mean {' or '.join(near)}?" if near else "plantigrade players lists them"
    raise InputError(f"player {shown(text)}: is not registered; {advice}")
