"""How far sampling lets the numbers of one swing be known.

A moment is interpolated between two samples and known to half a spacing; a time between two moments
to one. This is the least error, where nothing else is larger: noise and the shape of the load
come on top. A set's SD holds it already.
"""

from plantigrade.events import Swing

LEAST_TRANSFER_S = 0.02
"""An instant jump of load reads about one sample period, and up to this, s (design §5, Swing)."""


def time_error_s(rate_hz: float) -> float:
    """Return the sampling error of a time between two moments: one sample spacing, s."""
    return 1.0 / rate_hz


def least_transfer_s(rate_hz: float) -> float:
    """Return up to where a transfer cannot be told from an instant jump, s: two samples or more."""
    return max(LEAST_TRANSFER_S, 2.0 * time_error_s(rate_hz))


def tempo_error(swing: Swing, rate_hz: float) -> float | None:
    """Return the sampling error of the load tempo; None where there is no tempo."""
    return _ratio_error(swing.load_tempo, swing.trail_peak_s, swing.lead_peak_s, rate_hz)


def transfer_of_shift_error(swing: Swing, rate_hz: float) -> float | None:
    """Return the sampling error of a transfer as a fraction of shift → lead peak; None likewise."""
    return _ratio_error(swing.push.transfer_of_shift, swing.shift_s, swing.lead_peak_s, rate_hz)


def _ratio_error(
    ratio: float | None, start_s: float | None, end_s: float | None, rate_hz: float
) -> float | None:
    """Return how far a ratio of two times is off when both are by one sample, in opposite ways."""
    if ratio is None or start_s is None or end_s is None or end_s <= start_s:
        return None
    return (1.0 + ratio) * time_error_s(rate_hz) / (end_s - start_s)
