"""All trials of a session judged, from a recording as well as while it runs."""

from dataclasses import dataclass

from plantigrade_gateway.analysis.result import Analysis, MarkedSet, Trial
from plantigrade_gateway.check.stand import judge_lift, judge_stand
from plantigrade_gateway.check.steps import (
    FLAT,
    LIFT,
    PRACTICE,
    PRACTICE_SWINGS,
    STAND,
    WALK,
    WARM_UP,
)
from plantigrade_gateway.check.swings import count_of, count_practice
from plantigrade_gateway.check.verdict import Verdict, Why, withdrawn
from plantigrade_gateway.check.walk import judge_walk
from plantigrade_gateway.formats import plural

_AGAIN = Verdict(Why.AGAIN, "It was to be done again.")


@dataclass(frozen=True, slots=True)
class Judged:
    """A trial and what became of it."""

    trial: Trial
    verdict: Verdict


def judge(trial: Trial, analysis: Analysis) -> Verdict:
    """Judge a trial by its step's own judge; an unknown step's is not taken."""
    if trial.step in (STAND, FLAT):
        return judge_stand(trial, analysis)
    if trial.step == LIFT:
        return judge_lift(trial, analysis)
    if trial.step == WALK:
        return judge_walk(trial, analysis)
    made = count_practice(trial, analysis) if trial.step in (PRACTICE, WARM_UP) else 0
    if made and trial.step == WARM_UP:
        return Verdict(None, f"{plural(made, 'warm-up swing')}.", made)
    if made:
        return Verdict(None, f"{plural(made, 'practice swing')} of {PRACTICE_SWINGS}.", made)
    return Verdict(Why.EMPTY, "No swing was seen. Stand still at address before each swing.")


def judge_set(run: MarkedSet, analysis: Analysis) -> Verdict:
    """Judge a set; one that was withdrawn is not taken."""
    return _AGAIN if run.is_withdrawn else count_of(run, analysis).verdict


def judged(analysis: Analysis) -> tuple[Judged, ...]:
    """Return a session's trials with what became of each, in order of time.

    A trial that was to be done again (a mark says so) is not taken.
    """
    out = withdrawn(analysis)
    return tuple(
        Judged(trial, _AGAIN if k in out else judge(trial, analysis))
        for k, trial in enumerate(analysis.trials)
    )
