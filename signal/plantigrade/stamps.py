"""The offset between a sound's clock and the feet's, from heels stamped beside the microphone.

Takes when each heel took load and when thumps were heard; gives the offset with its spread, and
what it makes of the uncertainty of a later moment. A stamp is loaded and heard at the same instant,
so whatever the device, the link and the clocks delay is in the offset. What can change after the
stamps is stated: sampling, drift, the insole's clock error, the distance sound travels.

All uncertainties are half widths of 95 % intervals, s. Constants without a source are ours.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.errors import SampleError
from plantigrade.interval import t95
from plantigrade.stat import Stat, stat_of

SOUND_M_S = 343.0
"""Speed of sound in air of 20 °C, m/s; 10 °C less or more change it by 2 %."""

STAMPS_ASKED = 5
"""Of each heel (definition)."""
STAMPS_NEEDED = 4
"""One of five may be missed, or lie apart (ours)."""

MOST_WANDER_S = 0.010
"""A device whose offset wanders by more is refused (definition)."""

MOST_OFFSET_S = 0.6
"""Sound and load of a stamp are looked for within this; stamps come at least twice as far apart."""

DRIFT = 20e-6
"""How far two crystals may drift apart, s/s (definition: 20 ppm are 72 ms an hour)."""
DRIFT_CHANGE = 2e-6
"""How much a drift may change between two stampings, s/s."""

_PAIR_S = 0.030  # a stamp's sound lies so near the offset
_AIR_S, _RISE_S = 0.15, 0.06
_AIR_BW, _STAMP_BW = 0.05, 0.20
_BIAS = 0.25  # of a sample spacing: how far the mean of the bracketed onsets may be off


def heel_stamps(t_s: FloatArray, heel_n: FloatArray, bw_n: float) -> list[float]:
    """Return when a heel that was in the air was put down hard.

    A stamp: a heel under 5 % BW for 0.15 s rises over 20 % BW within 60 ms. Its moment is half-way
    between the last sample in the air and the first that is loaded: at 100 Hz a heel is loaded
    within one spacing, so nothing finer can be read.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
        Times of the samples, s.
    heel_n : ndarray of float64, shape (n,)
        The heel's load, N; NaN is missing, and no stamp is read beside it.
    bw_n : float
        Body weight, N.
    """
    with np.errstate(invalid="ignore"):
        in_air = heel_n < _AIR_BW * bw_n
        hard = heel_n >= _STAMP_BW * bw_n
    missing = np.isnan(heel_n)
    found = []
    for k in (np.flatnonzero(in_air[:-1] & ~in_air[1:]) + 1).tolist():
        since = int(np.searchsorted(t_s, t_s[k] - _AIR_S))
        until = int(np.searchsorted(t_s, t_s[k] + _RISE_S, side="right"))
        whole = not missing[since:until].any() and t_s[k] - t_s[0] >= _AIR_S
        if whole and in_air[since:k].all() and hard[k:until].any():
            found.append(0.5 * float(t_s[k - 1] + t_s[k]))
    return found


def match_stamps(loaded_s: Sequence[float], heard_s: Sequence[float]) -> list[float]:
    """Return sound less load of each stamp that was both loaded and heard, s.

    Of all offsets within `MOST_OFFSET_S` it is the one that most stamps share within 30 ms; of two
    as good, the one they share more closely.
    """
    best: list[float] = []
    for guess in (h - x for h in heard_s for x in loaded_s):
        if abs(guess) > MOST_OFFSET_S:
            continue
        shared = []
        for x in loaded_s:
            near = min(heard_s, key=lambda h: abs(h - x - guess))
            if abs(near - x - guess) <= _PAIR_S:
                shared.append(near - x)
        if (len(shared), -_range(shared)) > (len(best), -_range(best)):
            best = shared
    return best


def _range(values: Sequence[float]) -> float:
    return max(values) - min(values) if values else math.inf


@dataclass(frozen=True, slots=True)
class Stamping:
    """What five stamps of each heel came to.

    Attributes
    ----------
    at_s : float
        The middle of the stamps, on the feet's time line.
    left, right : Stat
        Sound less load, s.
    refused : str or None
        Why no offset comes of it: a sentence, or None.
    """

    at_s: float
    left: Stat
    right: Stat
    refused: str | None

    @property
    def offset_s(self) -> float:
        """Sound less load, the mean of both feet; 0 where refused for want of stamps."""
        means = [foot.mean for foot in (self.left, self.right) if foot.mean is not None]
        return math.fsum(means) / len(means) if means else 0.0

    @property
    def error_s(self) -> float:
        """Uncertainty of the offset from its spread; half of what the feet differ is part of it."""
        if self.left.mean is None or self.right.mean is None:
            return math.inf
        ends = [_mean_error(foot) for foot in (self.left, self.right)]
        return math.hypot(0.5 * math.hypot(*ends), 0.5 * (self.left.mean - self.right.mean))


def _mean_error(stat: Stat) -> float:
    if stat.sd is None:
        return math.inf
    return t95(stat.count - 1) * stat.sd / math.sqrt(stat.count)


def stamping_of(
    left_s: Sequence[float], right_s: Sequence[float], heard_s: Sequence[float]
) -> Stamping:
    """Find the offset between sound and load.

    Parameters
    ----------
    left_s, right_s : sequence of float
        When each heel was stamped (`heel_stamps`), s.
    heard_s : sequence of float
        When thumps were heard, on the sound's clock, s.
    """
    kept, wander, lost = {}, 0.0, []
    for foot, loaded in ((Foot.LEFT, left_s), (Foot.RIGHT, right_s)):
        found = match_stamps(loaded, heard_s)
        middle = float(np.median(found)) if found else 0.0
        found.sort(key=lambda offset: abs(offset - middle))
        if len(found) >= STAMPS_ASKED:
            found = found[: max(STAMPS_NEEDED, len(found) - 1)]  # one may lie apart
        if len(found) < STAMPS_NEEDED:
            lost.append(f"{len(found)} of the {foot} heel")
        wander = max([wander, *(abs(offset - middle) for offset in found)])
        kept[foot] = stat_of(found)
    refused = None
    if lost:
        refused = (
            f"stamps both loaded and heard: {' and '.join(lost)}, expected {STAMPS_NEEDED} or more"
        )
    elif wander > MOST_WANDER_S:
        refused = (
            f"the microphone's delay wanders by {1000 * wander:.0f} ms, expected at most "
            f"{1000 * MOST_WANDER_S:.0f}: a Bluetooth one cannot be used"
        )
    moments = [*left_s, *right_s]
    at_s = math.fsum(moments) / len(moments) if moments else 0.0
    return Stamping(at_s, kept[Foot.LEFT], kept[Foot.RIGHT], refused)


class Sync:
    """From the sound's clock to the feet's, by the stampings of a session.

    Parameters
    ----------
    stampings : sequence of Stamping
        In order of time; refused ones are left out.
    rate_hz : float
        Of the feet's samples.
    distance_m : float
        From the ball to the microphone, m.
    distance_error_m : float
        How far that may be off, m, the place of the stamps included.

    Attributes
    ----------
    refused : str or None
        Why moments are not to be told; None where they are.
    """

    def __init__(
        self,
        stampings: Sequence[Stamping],
        rate_hz: float,
        distance_m: float,
        distance_error_m: float = 0.5,
    ) -> None:
        if not (distance_m >= 0.0 and distance_error_m >= 0.0):
            raise SampleError(
                f"distance {distance_m:g} ± {distance_error_m:g} m, expected 0 or more"
            )
        self._good = [stamping for stamping in stampings if stamping.refused is None]
        self._onset_s = _BIAS / rate_hz
        self._travel_s = distance_m / SOUND_M_S
        self._travel_error_s = distance_error_m / SOUND_M_S
        self.refused = self._why_refused(stampings)

    def _why_refused(self, stampings: Sequence[Stamping]) -> str | None:
        if not self._good:
            last = stampings[-1].refused if stampings else None
            return last or "no stamps: sound and load have no common time"
        for one, two in zip(self._good, self._good[1:], strict=False):
            free = DRIFT * (two.at_s - one.at_s) + math.hypot(one.error_s, two.error_s)
            moved = abs(two.offset_s - one.offset_s)
            if moved > MOST_WANDER_S + free:
                return (
                    f"the microphone's delay changed by {1000 * moved:.0f} ms between two stampings"
                )
        return None

    def offset(self, load_s: float) -> tuple[float, float]:
        """Return sound less load at a moment of the feet's time line, and its uncertainty, s.

        Between two stampings the offset runs from one to the other; outside them it is the
        nearest's, and every second away adds the drift that two crystals may have.
        """
        after = next((k for k, one in enumerate(self._good) if one.at_s > load_s), len(self._good))
        if 0 < after < len(self._good):
            one, two = self._good[after - 1], self._good[after]
            part = (load_s - one.at_s) / (two.at_s - one.at_s)
            nearest_s = min(load_s - one.at_s, two.at_s - load_s)
            spread = math.hypot((1.0 - part) * one.error_s, part * two.error_s)
            error = math.hypot(spread, DRIFT_CHANGE * nearest_s, self._onset_s)
            return one.offset_s + part * (two.offset_s - one.offset_s), error
        near = self._good[max(after - 1, 0)]
        drift = DRIFT * abs(load_s - near.at_s)
        return near.offset_s, math.hypot(near.error_s, drift, self._onset_s)

    def on_load_time(self, sound_s: float, clock_error_s: float = 0.0) -> tuple[float, float]:
        """Return when something heard at `sound_s` happened on the feet's time line.

        Parameters
        ----------
        sound_s : float
            When it was heard, on the sound's clock, s.
        clock_error_s : float
            How well the insoles' clocks are known (`plantigrade.clock.ClockState.error_s`), s.

        Returns
        -------
        load_s, error_s : float
            The travel of the sound is taken off. The uncertainty is the root of the sum of squares
            of the offset's, the distance's, the clocks' and a hop of the sound's.
        """
        offset_s, error_s = self.offset(sound_s - self._good[0].offset_s)
        hop_s = 0.00025
        return (
            sound_s - offset_s - self._travel_s,
            math.hypot(error_s, self._travel_error_s, clock_error_s, hop_s),
        )
