"""What a set's second half is beside its first: whether something drifts within a set.

Takes the swings of a set in order of time; judges nothing. The middle one of an odd number belongs
to neither half.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from plantigrade.events import Manner, Swing
from plantigrade.interval import Difference, welch
from plantigrade.stat import Stat, stat_of

Read = Callable[[Swing], float | None]


@dataclass(frozen=True, slots=True)
class Halves:
    """One measure in both halves of a set.

    Attributes
    ----------
    first, second : Stat
    difference : Difference or None
        Mean of the second less mean of the first, with Welch's interval; None where either is
        empty.
    """

    first: Stat
    second: Stat
    difference: Difference | None


def _transfer(swing: Swing) -> float | None:
    # a mean over rolled and skipped pushes would be of neither (design §5)
    return swing.push.transfer_s if swing.push.manner is Manner.ROLLED else None


HALVED: dict[str, Read] = {
    "load_tempo": lambda s: s.load_tempo,
    "transfer_s": _transfer,
    "push_from": lambda s: s.push.travel_from,
    "heel_share_trail_peak": lambda s: s.push.heel_share_trail_peak,
    "share_range": lambda s: s.share_range,
    "trail_peak_bw": lambda s: s.trail_peak_bw,
    "lead_peak_bw": lambda s: s.lead_peak_bw,
    "lead_rise_bw_s": lambda s: s.lead_rise_bw_s,
    "both_cop_travel": lambda s: s.both_cop_travel,
}
"""The measures that are told of both halves, by name; transfer of rolled pushes alone."""


def halves_of(swings: Sequence[Swing], read: Read) -> Halves:
    """Return one measure in both halves of a set.

    Parameters
    ----------
    swings : sequence of Swing
        In order of time.
    read : callable
        The measure; swings without it count in neither mean, and do not move the middle.
    """
    half = len(swings) // 2
    first = stat_of(read(swing) for swing in swings[:half])
    second = stat_of(read(swing) for swing in swings[len(swings) - half :])
    return Halves(first, second, welch(first, second))


def halves_of_set(swings: Sequence[Swing]) -> dict[str, Halves]:
    """Return every measure of `HALVED` in both halves of a set."""
    return {name: halves_of(swings, read) for name, read in HALVED.items()}
