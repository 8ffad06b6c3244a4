"""Whether cues can be heard: what makes a set a silent one, or not.

The data of a CUES entry is ``{"schema": 1, "on": …, "drill": …}`` in UTF-8 JSON.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from plantigrade.errors import shown
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.table import is_line, read_table, table_of

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
