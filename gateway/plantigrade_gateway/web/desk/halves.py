"""A set's halves in numbers: whether something drifts within it."""

from dataclasses import dataclass

from plantigrade.halves import halves_of_set
from plantigrade_gateway import words
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.analysis.result import MarkedSet

_KEYS = {
    "load_tempo": "load_tempo",
    "transfer_s": "transfer",
    "push_from": "push_from",
    "heel_share_trail_peak": "trail_heel",
    "share_range": "share_range",
    "trail_peak_bw": "trail_peak",
    "lead_peak_bw": "lead_peak",
    "lead_rise_bw_s": "lead_rise",
    "both_cop_travel": "travel_both",
}
"""The desk's measure of each that is halved."""
_BY_KEY = {measure.key: measure for measure in SWING_MEASURES}


@dataclass(frozen=True, slots=True)
class HalfLine:
    """One measure of both halves.

    Attributes
    ----------
    title, unit : str
    first, second : str
        Mean ± SD (count).
    difference : str
        The second half less the first, with its 95 % interval.
    """

    title: str
    unit: str
    first: str
    second: str
    difference: str


def half_lines(run: MarkedSet) -> list[HalfLine]:
    """Return the measures that are halved, of one set."""
    lines = []
    for name, halves in halves_of_set(run.swings).items():
        measure = _BY_KEY[_KEYS[name]]
        digits, scale = measure.digits, measure.scale
        lines.append(
            HalfLine(
                measure.title,
                measure.unit,
                words.spread(halves.first, digits, scale),
                words.spread(halves.second, digits, scale),
                words.difference(halves.difference, digits, scale),
            )
        )
    return lines
