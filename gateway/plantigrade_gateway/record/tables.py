"""Entries that hold a JSON table: which set or trial begins, and whether cues can be heard.

Each is UTF-8 JSON: a SET entry ``{"schema": 1, "set_id": …, "intent": …, "club": …}``, a CUES entry
``{"schema": 1, "on": …, "drill": …}``, a CHECK or CHECK_END entry ``{"schema": 1, "step": …,
"number": …}``.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, TypeVar

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade_gateway.errors import RecordError

SCHEMA = 1
Made = TypeVar("Made")


def table_of(values: Mapping[str, object]) -> bytes:
    """Return the data of an entry that holds these values."""
    return json.dumps({"schema": SCHEMA, **values}, ensure_ascii=False).encode()


def read_table(data: bytes, what: str, make: Callable[[Mapping[str, Any]], Made]) -> Made:
    """Read an entry's data; keys that `make` does not ask for are left out.

    Parameters
    ----------
    data : bytes
    what : str
        Which entry, for the error.
    make : callable
        Makes what is wanted of the table; may raise ValueError, KeyError or TypeError.

    Raises
    ------
    RecordError
        Not JSON of schema 1, or nothing that `make` takes.
    """
    try:
        table = read_json(data, f"{what} entry")
        if table["schema"] != SCHEMA:
            raise RecordError(f"{what} of schema {shown(table['schema'])}, expected {SCHEMA}")
        return make(table)
    except ForeignError as error:
        raise RecordError(str(error)) from error
    except (ValueError, KeyError, TypeError) as error:
        raise RecordError(f"{what} entry: not readable: {shown(error)}") from error


def is_line(text: object, longest: int) -> bool:
    """Whether it is a short line of text, of one character at least."""
    return isinstance(text, str) and 0 < len(text) <= longest and text.isprintable()


LONGEST_CLUB = 40
CLUBS = (
    *("driver", "3 wood", "5 wood", "hybrid"),
    *(f"{n} iron" for n in range(4, 10)),
    *("pitching wedge", "gap wedge", "sand wedge", "lob wedge"),
)
"""What a page offers; a record may name any other."""


class Intent(StrEnum):
    """How the player means to swing in a set."""

    SMOOTH = "smooth"
    FULL = "full"
    FAST = "fast"


@dataclass(frozen=True, slots=True)
class SetStart:
    """A set, as its SET entry tells it.

    Attributes
    ----------
    set_id : str
        Random 128-bit text, made where the set was begun.
    intent : Intent
    club : str or None
        None: not named.

    Raises
    ------
    RecordError
        A club that is no short line of text.
    """

    set_id: str
    intent: Intent
    club: str | None = None

    def __post_init__(self) -> None:
        club = self.club
        if club is not None and not is_line(club, LONGEST_CLUB):
            raise RecordError(
                f"set: club is {shown(club)}, expected at most {LONGEST_CLUB} characters"
            )

    @property
    def name(self) -> str:
        """The set's name for people: ``full, 7 iron``."""
        return str(self.intent) if self.club is None else f"{self.intent}, {self.club}"

    def to_json(self) -> bytes:
        """Return the data of a SET entry."""
        return table_of(asdict(self))

    @classmethod
    def from_json(cls, data: bytes) -> "SetStart":
        """Read the data of a SET entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or no set.
        """
        return read_table(data, "set", cls._of)

    @classmethod
    def _of(cls, table: Mapping[str, Any]) -> "SetStart":
        club = table.get("club")
        return cls(
            str(table["set_id"]), Intent(table["intent"]), None if club is None else str(club)
        )


LONGEST_DRILL = 100


@dataclass(frozen=True, slots=True)
class CueState:
    """Whether anything that tells the player of a movement can be heard, from its entry on.

    Attributes
    ----------
    on : bool
        A cue, a tone or a spoken outcome would be heard from the gateway or a page; a drill whose
        feedback is silent lets none be heard.
    drill : str or None
        The name of the drill under way.

    Raises
    ------
    RecordError
        A drill's name that is no short line of text.
    """

    on: bool
    drill: str | None = None

    def __post_init__(self) -> None:
        if self.drill is not None and not is_line(self.drill, LONGEST_DRILL):
            raise RecordError(
                f"cues: drill is {shown(self.drill)}, expected at most {LONGEST_DRILL} characters"
            )

    def to_json(self) -> bytes:
        """Return the data of a CUES entry."""
        return table_of(asdict(self))

    @classmethod
    def from_json(cls, data: bytes) -> "CueState":
        """Read the data of a CUES entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or it does not say whether cues are on.
        """
        return read_table(data, "cues", cls._of)

    @classmethod
    def _of(cls, table: Mapping[str, Any]) -> "CueState":
        if not isinstance(table["on"], bool):
            raise TypeError(f"on is {shown(table['on'])}, expected true or false")
        return cls(table["on"], table.get("drill"))


LONGEST_STEP = 40


@dataclass(frozen=True, slots=True)
class TrialName:
    """A trial, as its CHECK and CHECK_END entries tell it.

    Attributes
    ----------
    step : str
        A step of the check, as ``lift``; a record may name any other.
    number : int
        Which try at the step in this session, from 1.

    Raises
    ------
    RecordError
        A step that is no short line of text, or a number below 1.
    """

    step: str
    number: int

    def __post_init__(self) -> None:
        if not is_line(self.step, LONGEST_STEP):
            raise RecordError(
                f"check: step is {shown(self.step)}, expected at most {LONGEST_STEP} characters"
            )
        is_number = isinstance(self.number, int) and not isinstance(self.number, bool)
        if not is_number or self.number < 1:
            raise RecordError(f"check: number is {shown(self.number)}, expected 1 or more")

    def to_json(self) -> bytes:
        """Return the data of a CHECK or CHECK_END entry."""
        return table_of(asdict(self))

    @classmethod
    def from_json(cls, data: bytes) -> "TrialName":
        """Read the data of a CHECK or CHECK_END entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or no trial.
        """
        return read_table(data, "check", cls._of)

    @classmethod
    def _of(cls, table: Mapping[str, Any]) -> "TrialName":
        return cls(table["step"], table["number"])
