"""Why a swing's push and its lead heel are called what they are: the numbers beside their limits.

Nothing is decided here: a class is as the analysis kept it, a sentence says what decided. Where the
reason is one of several that the results do not tell apart, all are named.
"""

from plantigrade.events import HeelLiftState, Manner, Push, Swing, Timing
from plantigrade.limits import Limits
from plantigrade_gateway import formats

_MOST_DIGITS = 4
_NO_DATA = (
    "samples are missing where they are needed, or the trail foot carries too little to have a CoP"
)


def why_push(swing: Swing, limits: Limits, rate_hz: float) -> list[str]:
    """Return why a push has its manner and its timing, and whether it began far enough back."""
    push = swing.push
    if push.travel_from is None or push.travel_to is None:
        return [f"The push is unclear: {_NO_DATA}."]
    said = [_manner(swing, limits, rate_hz)]
    if push.fore_take_s is not None and swing.shift_s is not None:
        said.append(_timing(push, push.fore_take_s - swing.shift_s, 1.0 / rate_hz))
    if push.manner is Manner.HELD:
        return said
    start = _beside(push.travel_from, limits.push_begins_by)
    is_behind = push.travel_from <= limits.push_begins_by
    said.append(
        f"It began at {start} of the foot’s length from the heel; a good push begins at or behind "
        f"{limits.push_begins_by:g}{'' if is_behind else ', so this one cannot be good'}."
    )
    return said


def _manner(swing: Swing, limits: Limits, rate_hz: float) -> str:
    push = swing.push
    assert push.travel_from is not None and push.travel_to is not None
    way = push.travel_to - push.travel_from
    if way < limits.push_travel:
        return (
            f"Held: the CoP of the trail foot travelled {_beside(way, limits.push_travel)} of the "
            f"foot’s length ({push.travel_from:.2f} to {push.travel_to:.2f}), under the limit of "
            f"{limits.push_travel:g}."
        )
    leave_s, share = push.heel_leave_s, push.transfer_of_shift
    if leave_s is None or share is None or swing.lead_peak_s is None or swing.shift_s is None:
        return f"Its manner is unclear: {_NO_DATA}."
    late_s = leave_s - swing.lead_peak_s
    took = (
        f"load took {formats.number(push.transfer_s)} s from heel leave to fore take, "
        f"{_beside(share, limits.push_rolled)} of the {swing.lead_peak_s - swing.shift_s:.2f} s "
        "from shift to lead peak"
    )
    sample = f"one sample, {1.0 / rate_hz:.3f} s"
    if push.manner is Manner.HELD:
        return (
            f"Held: load left the heel {late_s:.2f} s after the lead peak; a push that rolls or "
            "skips leaves it before."
        )
    if push.manner is not Manner.UNCLEAR:
        side = "or more is rolled" if push.manner is Manner.ROLLED else "would be rolled"
        return f"{str(push.manner).capitalize()}: {took}; {limits.push_rolled:g} {side}."
    if abs(late_s) * rate_hz <= _ONE_SAMPLE:
        return (
            f"Its manner is unclear: load left the heel {abs(late_s):.3f} s from the lead peak, "
            f"within {sample}; after it, it would be held."
        )
    return (
        f"Its manner is unclear: {took}; that is within {sample}, of the limit of "
        f"{limits.push_rolled:g}."
    )


_ONE_SAMPLE = 1.0 + 1e-6
"""As the analysis has it; times are kept rounded."""


def _timing(push: Push, after_s: float, sample_s: float) -> str:
    side = "before" if after_s < 0 else "after"
    is_unclear = push.timing is Timing.UNCLEAR
    took = (
        f"the forefoot took the load {abs(after_s):.{3 if is_unclear else 2}f} s {side} the shift"
    )
    if is_unclear:
        return f"Its timing is unclear: {took}, within one sample, {sample_s:.3f} s."
    name = "Early" if push.timing is Timing.EARLY else "With the shift"
    return f"{name}: {took}."


def why_heel(swing: Swing, limits: Limits, bw_n: float) -> str:
    """Return why the lead heel is loaded, unloaded or unclear; `bw_n` is body weight, N."""
    lift = swing.heel_lift
    if lift.lowest_load_bw is None:
        return "The lead heel is unclear: samples are missing where they are needed."
    lowest_n = lift.lowest_load_bw * bw_n
    low = f"its lowest load was about {lowest_n:.0f} N, the limit is {lift.limit_n:.0f} N"
    least = f"{1000 * limits.heel_lift_s:g} ms"
    if lift.state is HeelLiftState.LIFTED:
        long = "" if lift.duration_s is None else f" for {lift.duration_s:.2f} s"
        return f"The lead heel was unloaded{long}: {low}, and {least} under it is enough."
    if lift.state is HeelLiftState.DOWN:
        return f"The lead heel stayed loaded: {low}, and it was not under it for {least}."
    return (
        f"The lead heel is unclear: {low}, but not all of these held: at address it carried "
        f"{limits.heel_lift_seen:g} times the limit; while it was under the limit the foot carried "
        f"{100 * limits.heel_lift_foot_bw:g} % of body weight for "
        f"{100 * limits.heel_lift_carried:g} % of the time, and {100 * limits.heel_lift_front:g} % "
        "of that lay on forefoot and toes."
    )


def _beside(value: float, limit: float) -> str:
    """Return a number with as many digits as tell it from its limit: two at least."""
    for digits in range(2, _MOST_DIGITS):
        if round(value, digits) != round(limit, digits):
            return f"{value:.{digits}f}"
    return f"{value:.{_MOST_DIGITS}f}"
