"""Which trials still stand: one that was to be done again does not, and a mark says so."""

from collections.abc import Iterator

from plantigrade_gateway.analysis.result import CHECK, Analysis, Trial

AGAIN_MARK = f"{CHECK} again"
"""Noted where the trial begun last is not to count."""


def withdrawn(analysis: Analysis) -> frozenset[int]:
    """Return the places in `analysis.trials` of those that were to be done again."""
    trials, found = analysis.trials, set[int]()
    for mark in analysis.marks:
        if mark.text == AGAIN_MARK:
            begun = (k for k, t in enumerate(trials) if t.start_s <= mark.t_s and k not in found)
            found.add(max(begun, default=-1))
    return frozenset(found)


def standing(analysis: Analysis, step: str) -> Iterator[Trial]:
    """Yield the trials of a step that still stand, taken or not, in order of time."""
    out = withdrawn(analysis)
    for k, trial in enumerate(analysis.trials):
        if trial.step == step and k not in out:
            yield trial
