"""What counts in a swing, each rule once: a good push, a loaded trail heel, a heel back in time.

Pure functions of a swing's results; drills, summaries and everything that suggests go by them.
None means that it cannot be told: a fact that is known to fail decides, before one that is not
known leaves it open. No published normal exists: they describe, the coach judges.
"""

from plantigrade.events import HeelLift, HeelLiftState, Manner, Push, Timing
from plantigrade.limits import Limits


def rolls(push: Push) -> bool | None:
    """Whether a push rolled."""
    return None if push.manner is Manner.UNCLEAR else push.manner is Manner.ROLLED


def is_with_shift(push: Push) -> bool | None:
    """Whether the forefoot took the load with the shift, not before it."""
    return None if push.timing is Timing.UNCLEAR else push.timing is Timing.WITH_SHIFT


def begins_by(push: Push, place: float) -> bool | None:
    """Whether a push began at or behind a place, fraction of the foot's length."""
    return None if push.travel_from is None else push.travel_from <= place


def is_from_heel(push: Push, limits: Limits) -> bool | None:
    """Whether a push began at or behind `limits.push_begins_by`."""
    return begins_by(push, limits.push_begins_by)


def is_good_push(push: Push, limits: Limits) -> bool | None:
    """Whether a push rolled, with the shift, begun at or behind `limits.push_begins_by`.

    A foot whose CoP only goes from the ball to the toes never rolled from its heel.
    """
    return all_of(rolls(push), is_with_shift(push), is_from_heel(push, limits))


def is_heel_loaded(push: Push, limits: Limits) -> bool | None:
    """Whether the trail heel was loaded at the trail peak, by the limits of the analysis."""
    return carries_heel(push, limits.trail_heel_from, limits.trail_heel_gain)


def carries_heel(push: Push, share: float, gain: float) -> bool | None:
    """Whether the heel carried so much of the trail foot's load at the trail peak.

    Parameters
    ----------
    push : Push
    share : float
        Least share of the trail foot's own load.
    gain : float
        Least by which it is over the share at address.
    """
    at, before = push.heel_share_trail_peak, push.heel_share_address
    enough = None if at is None else at >= share
    more = None if at is None or before is None else at >= before + gain
    return all_of(enough, more)


def is_heel_back(lift: HeelLift, limits: Limits, *, touches_gap: bool) -> bool | None:
    """Whether an unloaded lead heel was back by `limits.heel_back_by_s` after the address level.

    None as `back_by` has it.
    """
    return back_by(lift, limits.heel_back_by_s, touches_gap=touches_gap)


def back_by(lift: HeelLift, by_s: float, *, touches_gap: bool) -> bool | None:
    """Whether an unloaded lead heel was back by so long after the address level, s.

    None where it was not seen unloaded, or where missing samples may hide its return.
    """
    if lift.state is not HeelLiftState.LIFTED:
        return None
    if lift.return_after_level_s is None:
        # with no sample missing it is known not to have come back
        return None if touches_gap else False
    return lift.return_after_level_s <= by_s


def all_of(*facts: bool | None) -> bool | None:
    """Whether all facts hold: False once one fails, else None where one is not known."""
    if False in facts:
        return False
    return None if None in facts else True
