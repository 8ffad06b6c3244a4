"""All trials of a session judged, from a recording as well as while it runs; what was taken."""

from collections.abc import Iterator
from dataclasses import dataclass

from plantigrade.events import Step
from plantigrade.prompted import PromptedStand
from plantigrade_gateway.analysis.result import CHECK, Analysis, Trial
from plantigrade_gateway.check.stand import judge_lift, judge_stand
from plantigrade_gateway.check.steps import FLAT, LIFT, PRACTICE, PRACTICE_SWINGS, STAND, WALK
from plantigrade_gateway.check.swings import count_practice
from plantigrade_gateway.check.verdict import Verdict, Why
from plantigrade_gateway.check.walk import judge_walk, straights_of
from plantigrade_gateway.formats import plural

AGAIN_MARK = f"{CHECK} again"
"""Noted where the trial before is not to count."""


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
    made = count_practice(trial, analysis) if trial.step == PRACTICE else 0
    if made:
        return Verdict(None, f"{plural(made, 'practice swing')} of {PRACTICE_SWINGS}.", made)
    return Verdict(Why.EMPTY, "No swing was seen. Stand still at address before each swing.")


def judged(analysis: Analysis) -> tuple[Judged, ...]:
    """Return a session's trials with what became of each, in order of time.

    A trial that was to be done again (a mark says so) is not taken.
    """
    again_s = [mark.t_s for mark in analysis.marks if mark.text == AGAIN_MARK]
    trials = analysis.trials
    withdrawn = {
        max(places, key=lambda k: trials[k].start_s)
        for at_s in again_s
        if (places := [k for k, trial in enumerate(trials) if trial.start_s <= at_s])
    }
    again = Verdict(Why.AGAIN, "It was to be done again.")
    return tuple(
        Judged(trial, again if k in withdrawn else judge(trial, analysis))
        for k, trial in enumerate(trials)
    )


def taken(analysis: Analysis, step: str) -> Iterator[Trial]:
    """Yield the taken trials of a step, in order of time."""
    for each in judged(analysis):
        if each.trial.step == step and each.verdict.is_taken:
            yield each.trial


def taken_stands(analysis: Analysis, step: str = STAND) -> tuple[PromptedStand, ...]:
    """Return what the taken stands of a step come to, in order of time.

    Parameters
    ----------
    analysis : Analysis
    step : str
        ``"stand"`` or ``"flat"``.
    """
    return tuple(trial.stand for trial in taken(analysis, step) if trial.stand is not None)


def straight_steps(analysis: Analysis) -> tuple[Step, ...]:
    """Return the steps that count, of every taken walk of a session, in order of time."""
    return tuple(
        step
        for trial in taken(analysis, WALK)
        for run in straights_of(trial, analysis.steps)
        for step in run
    )
