"""What begins a set: its id, how the player means to swing, and the club.

The data of a SET entry is ``{"schema": 1, "set_id": …, "intent": …, "club": …}`` in UTF-8 JSON.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from plantigrade.errors import shown
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.table import is_line, read_table, table_of

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
