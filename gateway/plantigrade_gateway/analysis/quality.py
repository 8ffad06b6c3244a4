"""How far a recording can be trusted: what is missing, what it was read with, and what was assumed.

Takes rows of the time line as they come, gives frozen `Quality`; decides nothing.
"""

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.limits import Limits
from plantigrade.load import body_weight_n, total_load
from plantigrade_gateway import words
from plantigrade_gateway.errors import StoreError

EXCHANGED = (
    "the steps of both feet end on the small toe's side: look whether each insole is in its own "
    "shoe"
)
FOOT_CHANGED = "changed the foot it says it is during the session"
"""Notes that say which foot is which may be wrong."""

PIECE_S = 2.0
"""Body weight is looked for in means over so long, s (`plantigrade.load.body_weight_n`)."""


@dataclass(frozen=True, slots=True)
class Gaps:
    """Stretches of one foot's missing samples, those over the bridged length only.

    Attributes
    ----------
    count : int
    total_s, longest_s : float
    """

    count: int
    total_s: float
    longest_s: float

    @property
    def text(self) -> str:
        """How many and how long, for people."""
        if not self.count:
            return "none"
        return f"{self.count}, {self.total_s:.2f} s, longest {self.longest_s:.2f} s"


@dataclass(frozen=True, slots=True)
class LinkQuality:
    """One insole's packets and clock; of recorded bytes only.

    Attributes
    ----------
    packets, lost_packets : int
        Taken, and missing by their counter.
    late, repeated, overlapping, malformed, restarts : int
        Notifications left out for that reason, and how often the insole's clock began again.
    ignored : int
        Packets left out because the other insole says it is that foot, or their zones do not fit.
    battery_low : bool
        The insole said so at least once.
    clock_drift_ppm, clock_error_s : float
        `plantigrade.clock.ClockState` at the end.
    clock_locked : bool
    """

    packets: int
    lost_packets: int
    late: int
    repeated: int
    overlapping: int
    malformed: int
    restarts: int
    ignored: int
    battery_low: bool
    clock_drift_ppm: float
    clock_error_s: float
    clock_locked: bool


@dataclass(frozen=True, slots=True)
class FootQuality:
    """One foot's part.

    Attributes
    ----------
    samples, missing_samples : int
        Had whole, and missing by the times of those: of a zone CSV rows that are absent or have an
        empty cell of this foot, of recorded bytes samples lost or never sent, the insole away.
    gaps : Gaps
        Of the same count: the stretches of missing samples that are too long to be bridged.
    saturated_samples : int or None
        Zone readings at full scale; None where that cannot be known (a zone CSV).
    unused_zones : tuple of int
        Ids of dead or stuck zones (of recorded bytes those stuck at the end): the rest of their
        region stands in for them.
    baseline_n : float
        What is taken off the foot's load at the end, N.
    baseline_error_n : float or None
        Its estimated error, N; None where nothing but one foot lift has set it, or nothing at all.
    baseline_age_s : float or None
        From the last swing phase or foot lift that moved it to the end, s.
    link : LinkQuality or None
        None for a zone CSV.
    calibration : str or None
        When and how well the insole was calibrated, "never calibrated", or None where that is not
        known (a zone CSV).
    gain : float or None
        What its load was multiplied by; None likewise.
    late_samples : int
        Of `samples`, those that came late, from the insole's log: no cue was made of them.
    late_spans : tuple of (float, float)
        From when to when, session times, s.
    """

    samples: int
    missing_samples: int
    gaps: Gaps
    saturated_samples: int | None
    unused_zones: tuple[int, ...]
    baseline_n: float
    baseline_error_n: float | None
    baseline_age_s: float | None
    link: LinkQuality | None
    calibration: str | None = None
    gain: float | None = None
    late_samples: int = 0
    late_spans: tuple[tuple[float, float], ...] = ()

    @property
    def missing_text(self) -> str:
        """How many samples are missing of those that were due, for people."""
        return f"{self.missing_samples} of {self.samples + self.missing_samples}"


@dataclass(frozen=True, slots=True)
class Quality:
    """What stands beside every result.

    Attributes
    ----------
    analysis_version : int
    layout : str
    zones : int
    handed, lead : str
    mass_kg : float or None
        As given.
    body_weight_n : float
        The yardstick of × BW, as the insoles see it, N.
    body_weight_from : str
        "mass", "recording" or "assumed".
    recording_weight_n : float or None
        What the recording's own load makes of it, N.
    contact_n, heel_lift_n : float
        The loads above which a foot is in contact, and under which the lead heel is unloaded, N.
    floor_n : tuple of float
        Each region's floor, heel to toes, N.
    limits : Limits
    left, right : FootQuality
    notes : tuple of str
        Sentences for the user.
    """

    analysis_version: int
    layout: str
    zones: int
    handed: str
    lead: str
    mass_kg: float | None
    body_weight_n: float
    body_weight_from: str
    recording_weight_n: float | None
    contact_n: float
    heel_lift_n: float
    floor_n: tuple[float, ...]
    limits: Limits
    left: FootQuality
    right: FootQuality
    notes: tuple[str, ...]

    def foot(self, foot: Foot) -> FootQuality:
        """Return one foot's part."""
        return self.left if foot is Foot.LEFT else self.right

    @property
    def uncalibrated(self) -> str:
        """Which feet were never calibrated, for people; empty where none or not known."""
        return words.uncalibrated({foot: self.foot(foot).calibration for foot in Foot})

    @property
    def is_exchanged(self) -> bool:
        """Whether an insole may be in the other foot's shoe, by what was noted."""
        return any(EXCHANGED in note or FOOT_CHANGED in note for note in self.notes)

    def missing_share(self) -> float | None:
        """Return the part of the samples due that is missing, the foot's that lacks more.

        None without any.
        """
        due = [(f.missing_samples, f.samples + f.missing_samples) for f in (self.left, self.right)]
        return max(missing / n for missing, n in due) if all(n for _, n in due) else None

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values, nested as the classes are."""
        table: dict[str, Any] = dataclasses.asdict(self)
        table["floor_n"], table["notes"] = list(self.floor_n), list(self.notes)
        for foot in Foot:
            table[foot]["unused_zones"] = list(self.foot(foot).unused_zones)
            table[foot]["late_spans"] = [list(span) for span in self.foot(foot).late_spans]
        return table

    @classmethod
    def from_json(cls, table: dict[str, Any]) -> "Quality":
        """Read what `to_json` gave.

        Raises
        ------
        StoreError
            It was made by another version.
        """
        try:
            feet = {foot.value: _foot_of(table[foot.value]) for foot in Foot}
            plain = {
                "floor_n": tuple(table["floor_n"]),
                "limits": Limits(**table["limits"]),
                "notes": tuple(table["notes"]),
            }
            return cls(**{**table, **plain, **feet})
        except (KeyError, TypeError) as error:
            raise StoreError(
                f"quality of a session: made by another version ({error}); "
                "run plantigrade reanalyse"
            ) from error


def _foot_of(table: dict[str, Any]) -> FootQuality:
    link = table["link"]
    return FootQuality(
        **{
            **table,
            "gaps": Gaps(**table["gaps"]),
            "unused_zones": tuple(table["unused_zones"]),
            "late_spans": tuple((a, b) for a, b in table.get("late_spans", ())),
            "link": None if link is None else LinkQuality(**link),
        }
    )


class SampleTally:
    """Counts one foot's samples, and those that are missing between them, over a time line.

    What is missing comes from the times of the samples that are there, whatever made them miss: a
    lost packet, an insole that was away or began again, empty cells. A stretch of missing samples
    is a gap where it is longer than the bridged length; so no gap stands beside "0 missing".

    Attributes
    ----------
    samples, missing : int
        So far.
    """

    def __init__(self) -> None:
        self.samples = self.missing = 0
        self._gaps = 0
        self._total_s = self._longest_s = 0.0
        self._rate_hz = self._bridge_s = 0.0
        self._first_s: float | None = None
        self._last_s = self._not_before = -np.inf
        self._spots: list[tuple[float, float, float]] = []

    def begin(self, rate_hz: float, bridge_s: float) -> None:
        """Begin a stretch of samples 1 / rate apart; missing ones up to `bridge_s` are bridged."""
        self._rate_hz, self._bridge_s = rate_hz, bridge_s
        self._first_s = None
        self._last_s = self._not_before = -np.inf

    def push(self, t_s: FloatArray) -> None:
        """Take the times of whole samples, rising; those that come too late do not count."""
        t_s = t_s[t_s > max(self._last_s, self._not_before)]
        if not len(t_s):
            return
        if self._first_s is None:
            self._first_s = self._last_s = float(t_s[0])
        apart = np.rint(np.diff(t_s, prepend=self._last_s) * self._rate_hz).astype(np.int64)
        for at in np.flatnonzero(apart > 1).tolist():
            before_s = self._last_s if at == 0 else float(t_s[at - 1])
            self._add(int(apart[at]) - 1, before_s, float(t_s[at]))
        self.samples += len(t_s)
        self._last_s = float(t_s[-1])

    def not_before(self, t_s: float) -> None:
        """Leave out samples up to a time: the time line has gone on without them."""
        self._not_before = t_s

    def end(self, start_s: float, end_s: float) -> None:
        """End a stretch whose rows went from `start_s` to `end_s`.

        Where it begins or ends without this foot for no longer than the bridged length, it only
        began or stopped between two of its packets.
        """
        if self._first_s is None:
            self._add(round((end_s - start_s) * self._rate_hz) + 1, start_s, end_s)
            return
        for from_s, to_s in ((start_s, self._first_s), (self._last_s, end_s)):
            missing = round((to_s - from_s) * self._rate_hz)
            if self._is_gap(missing):
                self._add(missing, from_s, to_s)

    def leave_out(self, from_s: float, to_s: float) -> None:
        """Count what is missing between two stretches, from the last row to the next."""
        missing = round((to_s - from_s) * self._rate_hz) - 1
        if missing > 0:
            self._add(missing, from_s, to_s)

    def missing_share(self, start_s: float, end_s: float) -> float:
        """Return the part of the samples due between two times that is missing, 0 to 1."""
        missing_s = 0.0
        for from_s, to_s, lacking_s in self._spots:
            shared_s = min(to_s, end_s) - max(from_s, start_s)
            if shared_s > 0:
                missing_s += lacking_s * shared_s / (to_s - from_s)
        return min(missing_s / (end_s - start_s), 1.0)

    def gaps(self) -> Gaps:
        """Return the gaps found."""
        return Gaps(self._gaps, self._total_s, self._longest_s)

    def _is_gap(self, missing: int) -> bool:
        return missing > self._bridge_s * self._rate_hz + 0.02  # as `Pairing` bridges

    def _add(self, missing: int, from_s: float, to_s: float) -> None:
        self.missing += missing
        self._spots.append((from_s, to_s, missing / self._rate_hz))
        if self._is_gap(missing):
            seconds = missing / self._rate_hz
            self._gaps += 1
            self._total_s += seconds
            self._longest_s = max(self._longest_s, seconds)


class WeightTally:
    """Finds body weight in both feet's loads in bounded memory.

    Gives what `plantigrade.load.body_weight_n` makes of the whole.

    Parameters
    ----------
    rate_hz : float
    """

    def __init__(self, rate_hz: float) -> None:
        self._width = max(1, round(PIECE_S * rate_hz))
        self._waiting: list[FloatArray] = []
        self._held = 0
        self._means: list[FloatArray] = []

    def push(self, left: FloatArray, right: FloatArray) -> None:
        """Take consecutive load columns of both feet, shape (n, 8) each."""
        self._waiting.append(total_load(left) + total_load(right))
        self._held += len(left)
        if self._held >= self._width:
            total = np.concatenate(self._waiting)
            whole = len(total) // self._width * self._width
            self._means.append(total[:whole].reshape(-1, self._width).mean(axis=1))
            self._waiting, self._held = [total[whole:]], len(total) - whole

    def weight_n(self) -> float | None:
        """Return body weight, N; None where fewer than 2 s are loaded."""
        if not self._means:
            return None
        means = np.concatenate(self._means)
        return body_weight_n(means, np.zeros(len(means)), 1.0 / PIECE_S)
