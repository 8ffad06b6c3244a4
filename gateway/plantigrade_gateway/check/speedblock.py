"""A speed block by the rule file: its parts, its rests, its dose, and what ends it; pure.

The numbers are the rule file's (its ``[speed]`` and ``[[stop]]`` tables); a stop rule that a file
leaves out does not act, but for pain. What was done is told by marks of the record and by its sets.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta
from enum import StrEnum
from statistics import median

from plantigrade.errors import shown
from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Analysis, MarkedSet, swing_time
from plantigrade_gateway.check.steps import WARM_UP
from plantigrade_gateway.check.swings import is_push_lost
from plantigrade_gateway.errors import InputError

MARK = "speed block:"
"""Marks of a speed block begin so."""
PAIN, PUSH_LOST, SPEED_LOST = "pain", "push-lost", "speed-lost"
REST_NOT_KEPT, DOSE = "rest-not-kept", "dose"
"""What the rule file calls its stop rules."""
LEFT = "left"
"""The coach ended it."""
TAKEN_BACK = "stop taken back"
"""It was stopped for pain by mistake."""
SLOW_PART, SLOW_IN_A_ROW = 0.03, 3
"""Speed is lost in so many swings in a row, each slower by more than this part than the median of
the first fast block (rule file: common practice, no source)."""
LEAST_SPEEDS = 3
"""With fewer club speeds the first fast block has no median to compare with (ours)."""
GOOD_AGAIN, OF_LAST = 4, 5
"""Fast again when so many of the last so many full swings are good pushes (rule file: common
practice, no source)."""
_WEEK = timedelta(days=7)


class Part(StrEnum):
    """What is swung."""

    WARM_UP = WARM_UP
    FAST = "fast"
    FULL = "full"
    """After the push was lost."""
    CLOSING = "closing"
    """Smooth: does the push still roll?"""


@dataclass(frozen=True, slots=True)
class Plan:
    """The rule file's numbers; all but `stops` stand in its ``[speed]`` under the same names.

    Attributes
    ----------
    warm_up_swings, block_swings, closing_swings : int
    blocks_a_visit : int
        Fast ones.
    rest_between_swings_s, rest_between_blocks_s : int
        From one swing's beginning to the next one's, s.
    visits_a_week_at_most : int
        Speed visits within seven days.
    days_between : int
        From one speed visit's day to the next one's.
    stops : frozenset of str
        Ids of the stop rules that act.
    """

    warm_up_swings: int
    block_swings: int
    closing_swings: int
    blocks_a_visit: int
    rest_between_swings_s: int
    rest_between_blocks_s: int
    visits_a_week_at_most: int
    days_between: int
    stops: frozenset[str]

    def swings(self, part: Part) -> int:
        """Return how many swings a part has."""
        match part:
            case Part.WARM_UP:
                return self.warm_up_swings
            case Part.CLOSING:
                return self.closing_swings
            case _:
                return self.block_swings


def plan_of(speed: Mapping[str, float | str], stops: Collection[str]) -> Plan:
    """Return what a rule file says of speed work.

    Parameters
    ----------
    speed : mapping of str to float or str
        Its ``[speed]`` table.
    stops : collection of str
        Ids of its stop rules.

    Raises
    ------
    InputError
        A number is missing, or below 1.
    """
    names = [one.name for one in fields(Plan) if one.name != "stops"]
    found = {name: whole(name, speed.get(name)) for name in names}
    return Plan(**found, stops=frozenset(stops))


def whole(name: str, value: float | str | None) -> int:
    """Return a number of a rule file's ``[speed]`` table.

    Raises
    ------
    InputError
        It is missing, below 1, or not whole: one sentence.
    """
    if value is None:
        raise InputError(f"rules: speed.{name} is missing, expected a whole number of 1 or more")
    if isinstance(value, str) or not 1 <= value < math.inf or value != round(value):
        given = shown(value) if isinstance(value, str) else f"{value:g}"
        raise InputError(f"rules: speed.{name} is {given}, expected a whole number of 1 or more")
    return int(value)


@dataclass(frozen=True, slots=True)
class Made:
    """A part that was swung.

    Attributes
    ----------
    part : Part
    swings : tuple of Swing
    stopped : str
        The stop rule that ended it; empty: none.
    """

    part: Part
    swings: tuple[Swing, ...] = ()
    stopped: str = ""


def next_part(made: Sequence[Made], plan: Plan, blocks_before: int = 0) -> Part | None:
    """Return what is swung next; None: it is over.

    Parameters
    ----------
    made : sequence of Made
        In their order.
    plan : Plan
    blocks_before : int
        Fast blocks of the same day, before these.
    """
    if not made:
        return Part.WARM_UP
    last = made[-1]
    if last.part is Part.CLOSING:
        return None
    blocks = blocks_before + sum(one.part is Part.FAST for one in made)
    is_full_dose = DOSE in plan.stops and blocks >= plan.blocks_a_visit
    if is_full_dose or last.stopped == SPEED_LOST:
        return Part.CLOSING
    if last.stopped == PUSH_LOST:
        return Part.FULL
    if last.part is Part.FULL and not is_push_back(last.swings):
        return Part.CLOSING
    return Part.FAST


def ended_by(made: Sequence[Made], plan: Plan, blocks_before: int = 0) -> str:
    """Return the stop rule after which only closing swings were left; `LEFT` where none was."""
    work = [one for one in made if one.part is not Part.CLOSING]
    if not work or next_part(work, plan, blocks_before) is not Part.CLOSING:
        return LEFT
    if work[-1].stopped == SPEED_LOST:
        return SPEED_LOST
    blocks = blocks_before + sum(one.part is Part.FAST for one in work)
    is_full_dose = DOSE in plan.stops and blocks >= plan.blocks_a_visit
    return DOSE if is_full_dose else PUSH_LOST


def is_push_back(swings: Sequence[Swing]) -> bool:
    """Whether the last full swings say that the push is back; unclear ones are left out."""
    known = [swing.push.is_good for swing in swings if swing.push.is_good is not None]
    return known[-OF_LAST:].count(True) >= GOOD_AGAIN


def is_speed_lost(first: Sequence[float], later: Sequence[float]) -> bool:
    """Whether the last swings are slow.

    Parameters
    ----------
    first : sequence of float
        Club speeds of the first fast block, m/s.
    later : sequence of float
        Those of the fast swings after it, in their order, m/s.
    """
    if len(first) < LEAST_SPEEDS or len(later) < SLOW_IN_A_ROW:
        return False
    slow = (1.0 - SLOW_PART) * median(first)
    return all(m_s < slow for m_s in later[-SLOW_IN_A_ROW:])


def stop_of(made: Sequence[Made], speeds: Mapping[int, float], plan: Plan) -> str:
    """Return the stop rule that ends the fast block at the end of `made`; empty: none.

    Parameters
    ----------
    made : sequence of Made
        The last is the one under way.
    speeds : mapping of int to float
        Club speeds, m/s, by a swing's ``first_index``; swings without one are left out.
    plan : Plan
    """
    fast = [one for one in made if one.part is Part.FAST]
    known = [[speeds[s.first_index] for s in one.swings if s.first_index in speeds] for one in fast]
    if SPEED_LOST in plan.stops and known:
        later = [m_s for block in known[1:] for m_s in block]
        if is_speed_lost(known[0], later):
            return SPEED_LOST
    since = max((k for k, one in enumerate(made) if one.part is Part.FULL), default=-1)
    swings = [s for one in made[since + 1 :] if one.part is Part.FAST for s in one.swings]
    return PUSH_LOST if PUSH_LOST in plan.stops and is_push_lost(swings) else ""


def is_rest_short(gap_s: float, rest_s: float) -> bool:
    """Whether a fast swing came sooner than half the rest after the one before it."""
    return gap_s < rest_s / 2.0


@dataclass(frozen=True, slots=True)
class Done:
    """The speed work of a session.

    Attributes
    ----------
    blocks : int
        Fast ones that were begun.
    fast : int
        Swings in them.
    good, known : int
        Good pushes of the fast swings, and those that could be told.
    rests_not_kept : int
        Fast swings that came too soon.
    ended : str
        The stop rule, `LEFT` or `TAKEN_BACK`; empty: it was broken off.
    """

    blocks: int
    fast: int
    good: int
    known: int
    rests_not_kept: int
    ended: str

    @property
    def is_over(self) -> bool:
        """Whether a stop rule ended it: no more that day."""
        return self.ended not in ("", LEFT, TAKEN_BACK)


def done_of(analysis: Analysis) -> Done | None:
    """Return the speed work that a session's record tells of; None: it tells of none."""
    marks = [m for m in analysis.marks if m.text.startswith(MARK)]
    said = [mark.text.removeprefix(MARK).strip() for mark in marks]
    if not said:
        return None
    begun = [mark.t_s for mark, what in zip(marks, said, strict=True) if what == Part.FAST]
    swings = [s for at_s in begun for run in analysis.sets if _is_of(run, at_s) for s in run.swings]
    known = [s.push.is_good for s in swings if s.push.is_good is not None]
    ends = [what.removeprefix("ended, ") for what in said if what.startswith("ended, ")]
    return Done(
        len(begun),
        len(swings),
        sum(known),
        len(known),
        said.count(REST_NOT_KEPT),
        ends[-1] if ends else "",
    )


def _is_of(run: MarkedSet, at_s: float) -> bool:
    """Whether a set is the fast block whose mark stands there: both are of one instant."""
    return run.intent == Part.FAST and abs(run.start_s - at_s) < 1e-6


def last_time(swings: Sequence[Swing], before_s: float) -> float | None:
    """Return when the last swing before an instant began, s; None: there is none."""
    return max((at_s for s in swings if (at_s := swing_time(s)) < before_s), default=None)


def no_dose(days: Mapping[date, Sequence[Done]], today: date, plan: Plan) -> str | None:
    """Return why there is no speed work today, in a sentence; None: there may be.

    Parameters
    ----------
    days : mapping of date to sequence of Done
        Speed work by its day; of today too.
    today : date
    plan : Plan
    """
    of_today = days.get(today, ())
    over = next((one.ended for one in of_today if one.is_over), None)
    if over is not None:
        return f"No more fast swings today: the speed work of today was ended ({over})."
    if DOSE not in plan.stops:
        return None
    if sum(one.blocks for one in of_today) >= plan.blocks_a_visit:
        return f"No more fast swings today: {plan.blocks_a_visit} blocks were swung."
    earlier = sorted(
        day for day, done in days.items() if day < today and any(d.blocks for d in done)
    )
    if not earlier:
        return None
    free = earlier[-1] + timedelta(days=plan.days_between)
    if today < free:
        return (
            f"No speed block today: the last one was on {earlier[-1]}, the next is from {free} on."
        )
    week = [day for day in earlier if today - day < _WEEK]
    if len(week) >= plan.visits_a_week_at_most:
        free = week[-plan.visits_a_week_at_most] + _WEEK
        return (
            f"No speed block today: {len(week)} speed visits within a week, "
            f"the next is from {free} on."
        )
    return None
