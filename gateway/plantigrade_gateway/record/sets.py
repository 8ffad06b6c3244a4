"""What begins a set: its id, how the player means to swing, and the club.

The data of a SET entry is ``{"schema": 1, "set_id": …, "intent": …, "club": …}`` in UTF-8 JSON.
"""

import json
from dataclasses import asdict, dataclass
from enum import StrEnum

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade_gateway.errors import RecordError

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
        if club is not None and (not 0 < len(club) <= LONGEST_CLUB or not club.isprintable()):
            raise RecordError(
                f"set: club is {shown(club)}, expected at most {LONGEST_CLUB} characters"
            )

    @property
    def name(self) -> str:
        """The set's name for people: ``full, 7 iron``."""
        return str(self.intent) if self.club is None else f"{self.intent}, {self.club}"

    def to_json(self) -> bytes:
        """Return the data of a SET entry."""
        return json.dumps({"schema": 1, **asdict(self)}, ensure_ascii=False).encode()

    @classmethod
    def from_json(cls, data: bytes) -> "SetStart":
        """Read the data of a SET entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or no set.
        """
        try:
            table = read_json(data, "set entry")
            if table["schema"] != 1:
                raise RecordError(f"set of schema {shown(table['schema'])}, expected 1")
            club = table.get("club")
            return cls(
                str(table["set_id"]), Intent(table["intent"]), None if club is None else str(club)
            )
        except ForeignError as error:
            raise RecordError(str(error)) from error
        except (ValueError, KeyError, TypeError) as error:
            raise RecordError(f"set entry: not readable: {shown(error)}") from error
