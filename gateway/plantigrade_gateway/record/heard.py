"""What a microphone heard and what it was for, and strikes told by other means.

The data of HEARD, LISTEN and STRIKE entries are tables in UTF-8 JSON with ``"schema": 1``. Moments
are given as how long before the entry's arrival they were: a record's clock may begin anywhere.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from math import isfinite
from typing import Any

from plantigrade.transients import BANDS_HZ, Transient, TransientKind
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.tables import read_table, table_of

LONGEST_NS = 60_000_000_000
"""What is heard lies at most so long before or after its entry."""
LONGEST_TOLD_NS = 86_400_000_000_000
"""A strike may be told so long after it, ns: after its session has ended."""
LONGEST_OWN_S = 60.0
"""The program sounds at most so long by one entry, s."""
MOST_DISTANCE_M = 30.0


class Purpose(StrEnum):
    """What a LISTEN entry says."""

    ON = "on"
    """A microphone listens from here on, `distance_m` from the ball."""
    OFF = "off"
    """None does."""
    STAMPS = "stamps"
    """Heels are stamped beside the microphone from here on."""
    STAMPS_END = "stamps_end"
    """No longer."""
    OWN = "own"
    """The program itself sounds for `lasts_s` from here on."""
    CONFIRMED = "confirmed"
    """Somebody says that the last swing struck a ball."""


@dataclass(frozen=True, slots=True)
class HeardSound:
    """A transient, and how long before its entry it was heard, ns."""

    before_ns: int
    transient: Transient

    def to_json(self) -> bytes:
        """Return the data of a HEARD entry."""
        shape = asdict(self.transient)
        del shape["t_s"]
        return table_of({"before_ns": self.before_ns, **shape})

    @classmethod
    def from_json(cls, data: bytes) -> "HeardSound":
        """Read the data of a HEARD entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or no transient.
        """
        return read_table(data, "heard", cls._of)

    @classmethod
    def _of(cls, table: Mapping[str, Any]) -> "HeardSound":
        bands = tuple(_number(value) for value in table["bands_db"])
        if len(bands) != len(BANDS_HZ) - 1:
            raise ValueError(f"{len(bands)} bands, expected {len(BANDS_HZ) - 1}")
        numbers = ("level_db", "rise_s", "top_level_db", "top_rise_s", "high_share", "tail_db")
        shape = {name: _number(table[name]) for name in numbers}
        kind = TransientKind(table["kind"])
        return cls(
            _moment(table, LONGEST_NS), Transient(kind=kind, t_s=0.0, bands_db=bands, **shape)
        )


@dataclass(frozen=True, slots=True)
class Listening:
    """What the microphone is for from an entry on.

    Attributes
    ----------
    purpose : Purpose
    distance_m, distance_error_m : float
        From the ball to the microphone, and how far that may be off, m; of `Purpose.ON`.
    lasts_s : float
        Of `Purpose.OWN`, s.

    Raises
    ------
    RecordError
        A number out of its bounds.
    """

    purpose: Purpose
    distance_m: float = 0.0
    distance_error_m: float = 0.5
    lasts_s: float = 0.0

    def __post_init__(self) -> None:
        for value, most in (
            (self.distance_m, MOST_DISTANCE_M),
            (self.distance_error_m, MOST_DISTANCE_M),
            (self.lasts_s, LONGEST_OWN_S),
        ):
            if not 0.0 <= value <= most:
                raise RecordError(f"listen: {value:g}, expected 0 to {most:g}")

    def to_json(self) -> bytes:
        """Return the data of a LISTEN entry."""
        return table_of(asdict(self))

    @classmethod
    def from_json(cls, data: bytes) -> "Listening":
        """Read the data of a LISTEN entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or nothing that is known.
        """
        return read_table(data, "listen", cls._of)

    @classmethod
    def _of(cls, table: Mapping[str, Any]) -> "Listening":
        names = ("distance_m", "distance_error_m", "lasts_s")
        return cls(Purpose(table["purpose"]), **{n: _number(table[n]) for n in names if n in table})


@dataclass(frozen=True, slots=True)
class ToldStrike:
    """A strike that something else than the microphone told.

    Attributes
    ----------
    before_ns : int
        How long before its entry it was, ns.
    error_s : float
        Half width of the 95 % interval of that, s.
    source : str
        ``"mark"`` (somebody tapped) or ``"import"`` (another instrument).

    Raises
    ------
    RecordError
        An error that is not over 0 and at most 10 s.
    """

    before_ns: int
    error_s: float
    source: str

    def __post_init__(self) -> None:
        if not 0.0 < self.error_s <= 10.0:
            raise RecordError(f"strike: ± {self.error_s:g} s, expected over 0 and at most 10")

    def to_json(self) -> bytes:
        """Return the data of a STRIKE entry."""
        return table_of(asdict(self))

    @classmethod
    def from_json(cls, data: bytes) -> "ToldStrike":
        """Read the data of a STRIKE entry; unknown keys are left out.

        Raises
        ------
        RecordError
            Not JSON of schema 1, or no strike.
        """
        return read_table(data, "strike", cls._of)

    @classmethod
    def _of(cls, table: Mapping[str, Any]) -> "ToldStrike":
        error_s, source = _number(table["error_s"]), table["source"]
        if source not in ("mark", "import"):
            raise ValueError("source: expected mark or import")
        return cls(_moment(table, LONGEST_TOLD_NS), error_s, source)


def _moment(table: Mapping[str, Any], most_ns: int) -> int:
    before_ns = table["before_ns"]
    if isinstance(before_ns, bool) or not isinstance(before_ns, int):
        raise TypeError("before_ns: expected a whole number")
    if abs(before_ns) > most_ns:
        raise ValueError(f"before_ns: expected at most {most_ns}")
    return before_ns


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise TypeError("expected a finite number")
    return float(value)
