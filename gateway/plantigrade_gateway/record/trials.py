"""Which trial of a guided check begins or ends.

The data of a CHECK or CHECK_END entry is ``{"schema": 1, "step": …, "number": …}`` in UTF-8 JSON.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from plantigrade.errors import shown
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.table import is_line, read_table, table_of

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
