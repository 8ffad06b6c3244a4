"""The numbers of a swing: each with title, unit, digits and sampling error, as people read it."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from plantigrade.events import Swing
from plantigrade.sampling import (
    least_transfer_s,
    tempo_error,
    time_error_s,
    transfer_of_shift_error,
)
from plantigrade.stat import less, median_of, stat_of
from plantigrade.summary import is_rolled
from plantigrade_gateway import formats, words

T = TypeVar("T")

ROLLED_TRANSFER = "transfer of rolled pushes"


@dataclass(frozen=True, slots=True)
class Measure(Generic[T]):
    """One measure.

    Attributes
    ----------
    key : str
        Names it in an address.
    title, unit : str
        As the head of its column says.
    value : callable
        A number, a text, or None where it is absent.
    digits : int
    scale : float
        What a number is multiplied by to be in `unit`.
    averaged : callable or None
        Which items a mean is over, where that is not all: swings of different kinds have no
        common mean. Then the median is shown beside it.
    averaged_title : str
        In place of `title` where a mean is shown; empty where that is the same.
    error : callable or None
        Gives the sampling error of one item's value at a rate, Hz; None where sampling is not what
        limits it.
    least : callable or None
        Gives up to where a value at a rate, Hz, is only known to be small.
    """

    key: str
    title: str
    unit: str
    value: Callable[[T], float | str | None]
    digits: int = 2
    scale: float = 1.0
    averaged: Callable[[T], bool] | None = None
    averaged_title: str = ""
    error: Callable[[T, float], float | None] | None = None
    least: Callable[[float], float] | None = None

    def text(self, value: float | str | None) -> str:
        """Return a value as shown."""
        if isinstance(value, str):
            return value
        return formats.number(None if value is None else value * self.scale, self.digits)

    def single_text(self, item: T, rate_hz: float | None) -> str:
        """Return one item's value as shown, with its sampling error where that is known."""
        value = self.value(item)
        if isinstance(value, str) or value is None or rate_hz is None or self.error is None:
            return self.text(value)
        error = self.error(item, rate_hz)
        least = None if self.least is None else self.scale * self.least(rate_hz)
        scaled = None if error is None else self.scale * error
        return words.single(self.scale * value, scaled, self.digits, "", least)

    def number(self, item: T) -> float | None:
        """Return the value of a measure that is a number."""
        value = self.value(item)
        return None if isinstance(value, str) else value

    def averaged_of(self, items: Iterable[T]) -> list[float | None]:
        """Return the values that a mean is over."""
        return [self.number(item) for item in items if self.averaged is None or self.averaged(item)]

    def mean_text(self, values: Sequence[float | None]) -> str:
        """Return mean ± SD (count) of values, and their median where not all items are averaged."""
        text = words.spread(stat_of(values), self.digits, self.scale)
        median = None if self.averaged is None else median_of(values)
        return text if median is None else f"{text}, median {self.text(median)}"


def _one_sample(_: Swing, rate_hz: float) -> float:
    return time_error_s(rate_hz)


SWING_MEASURES: tuple[Measure[Swing], ...] = (
    Measure(
        "to_trail_peak",
        "start to trail peak",
        "s",
        lambda s: less(s.trail_peak_s, s.start_s),
        error=_one_sample,
    ),
    Measure(
        "to_shift",
        "trail peak to shift",
        "s",
        lambda s: less(s.shift_s, s.trail_peak_s),
        error=_one_sample,
    ),
    Measure(
        "to_lead_peak",
        "shift to lead peak",
        "s",
        lambda s: less(s.lead_peak_s, s.shift_s),
        error=_one_sample,
    ),
    Measure("load_tempo", "load tempo", "ratio", lambda s: s.load_tempo, 1, error=tempo_error),
    Measure(
        "transfer",
        "transfer",
        "s",
        lambda s: s.push.transfer_s,
        averaged=is_rolled,
        averaged_title=ROLLED_TRANSFER,
        error=_one_sample,
        least=least_transfer_s,
    ),
    Measure(
        "transfer_of_shift",
        "transfer",
        "% of shift",
        lambda s: s.push.transfer_of_shift,
        0,
        100.0,
        averaged=is_rolled,
        averaged_title=ROLLED_TRANSFER,
        error=transfer_of_shift_error,
    ),
    Measure(
        "load_at_fore_take",
        "load at fore take",
        "% of trail peak",
        lambda s: s.push.load_at_fore_take,
        0,
        100.0,
    ),
    Measure(
        "heel_lift",
        "lead heel unloaded for",
        "s",
        lambda s: s.heel_lift.duration_s,
        error=_one_sample,
    ),
    Measure(
        "heel_return",
        "heel return after level",
        "s",
        lambda s: s.heel_lift.return_after_level_s,
        error=_one_sample,
    ),
    Measure("share_range", "lead share range", "%", lambda s: s.share_range, 0, 100.0),
    Measure("lead_peak", "lead peak", "about × BW", lambda s: s.lead_peak_bw),
    Measure("trail_return", "back to trail foot", "%", lambda s: s.trail_return_share, 0, 100.0),
    Measure("push_from", "push begun at", "% of the foot", lambda s: s.push.travel_from, 0, 100.0),
    Measure(
        "midfoot_of_push",
        "midfoot, heel leave to fore take",
        "% of impulse",
        lambda s: s.push.midfoot_impulse_share,
        1,
        100.0,
    ),
    Measure(
        "trail_heel_address",
        "trail heel at address",
        "% of its foot",
        lambda s: s.push.heel_share_address,
        0,
        100.0,
    ),
    Measure(
        "trail_heel",
        "trail heel at trail peak",
        "% of its foot",
        lambda s: s.push.heel_share_trail_peak,
        0,
        100.0,
    ),
    Measure(
        "lead_heel_address",
        "lead heel at address",
        "% of its foot",
        lambda s: s.lead_heel_share_address,
        0,
        100.0,
    ),
    Measure("address_share", "lead share at address", "%", lambda s: s.address_share, 0, 100.0),
    Measure("trail_peak", "trail peak", "about × BW", lambda s: s.trail_peak_bw),
    Measure("lead_rise", "steepest lead rise, 50 ms", "about BW/s", lambda s: s.lead_rise_bw_s, 1),
    Measure(
        "travel_both",
        "front to back, both feet",
        "% of length",
        lambda s: s.both_cop_travel,
        0,
        100.0,
    ),
    Measure(
        "travel_lead",
        "front to back, lead foot",
        "% of length",
        lambda s: s.lead_cop_travel,
        0,
        100.0,
    ),
    Measure(
        "travel_trail",
        "front to back, trail foot",
        "% of length",
        lambda s: s.trail_cop_travel,
        0,
        100.0,
    ),
)
"""The numbers of a swing."""
