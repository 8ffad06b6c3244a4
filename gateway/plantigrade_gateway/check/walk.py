"""Which steps of a prompted walk count: straight ones, at one pace; and whether they are enough."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from plantigrade.block import Foot
from plantigrade.events import Step
from plantigrade.stat import median_of
from plantigrade.summary import bouts_of
from plantigrade_gateway.analysis.result import Analysis, Trial
from plantigrade_gateway.check.steps import LEAST_STEPS, WALK
from plantigrade_gateway.check.verdict import Verdict, Why, standing

LEAST_STRAIGHT = 6
"""Steps of a straight."""
PACE = 0.10
"""A straight's strides differ by no more than this part from the walk's median stride: a turn is
slower (ours; strides of straight walking vary by 1 to 3 %: from memory)."""


def straights_of(trial: Trial, steps: Sequence[Step]) -> tuple[tuple[Step, ...], ...]:
    """Return a walk's straights.

    The first and the last step of each bout are left out, and every step of a stride that is
    longer or shorter than the median stride by more than `PACE`: turns are, and changes of pace.
    So are steps that touch missing samples. What then follows on, `LEAST_STRAIGHT` steps at least,
    is a straight.

    Parameters
    ----------
    trial : Trial
    steps : sequence of Step
        Of the whole session.

    Returns
    -------
    tuple of tuple of Step
        In order of time.
    """
    inside = [s for s in steps if _is_in(s, trial)]
    bouts = [bout[1:-1] for bout in bouts_of(inside)]
    usual_s = median_of(stride_s for bout in bouts for _, stride_s in _strides(bout))
    found = []
    for bout in bouts:
        out = {k for k, step in enumerate(bout) if step.touches_gap or step.off_s is None}
        for k, stride_s in _strides(bout):
            assert usual_s is not None
            if abs(stride_s - usual_s) > PACE * usual_s:
                out |= {k, k + 1, k + 2}
        for is_out, places in groupby(range(len(bout)), key=lambda k: k in out):
            run = [bout[k] for k in places]
            found += [] if is_out else [part for part in _alternating(run)]
    return tuple(tuple(run) for run in found if len(run) >= LEAST_STRAIGHT)


def straight_steps(analysis: Analysis) -> tuple[Step, ...]:
    """Return the steps that count, of every taken walk of a session, in order of time."""
    return tuple(
        step
        for trial in standing(analysis, WALK)
        if judge_walk(trial, analysis).is_taken
        for run in straights_of(trial, analysis.steps)
        for step in run
    )


def judge_walk(trial: Trial, analysis: Analysis) -> Verdict:
    """Judge a walk: at least `LEAST_STEPS` straight steps of each foot.

    Parameters
    ----------
    trial : Trial
    analysis : Analysis
        Which it is of.
    """
    straights = straights_of(trial, analysis.steps)
    counts = {foot: sum(s.foot is foot for run in straights for s in run) for foot in Foot}
    foot = min(Foot, key=lambda f: counts[f])
    count = counts[foot]
    if count >= LEAST_STEPS:
        seen = f"{counts[Foot.LEFT]} straight steps left, {counts[Foot.RIGHT]} right."
        return Verdict(None, seen, count)
    inside = [s for s in analysis.steps if _is_in(s, trial)]
    if not inside:
        return Verdict(Why.EMPTY, "No steps were seen. Walk on, with both insoles in the shoes.")
    gaps = sum(s.touches_gap for s in inside)
    if gaps > len(inside) // 4:
        return Verdict(
            Why.GAP,
            f"Samples are missing in {gaps} of {len(inside)} steps. Keep nearer to the receiver, "
            "and walk again.",
            count,
        )
    of = f"{count} of {LEAST_STEPS} straight steps of the {foot} foot"
    if _is_uneven(inside):
        return Verdict(
            Why.PACE, f"{of}: the pace changed. Walk at one pace all along, and again.", count
        )
    return Verdict(
        Why.FEW_STEPS,
        f"{of}. Walk at least {LEAST_STRAIGHT + 2} steps straight on before each turn.",
        count,
    )


def _is_in(step: Step, trial: Trial) -> bool:
    at_s = step.off_s if step.strike_s is None else step.strike_s
    return at_s is not None and trial.start_s <= at_s <= trial.end_s


def _strides(bout: Sequence[Step]) -> Iterator[tuple[int, float]]:
    """Yield where each stride of a bout begins, and how long it is, s."""
    for k in range(len(bout) - 2):
        a, c = bout[k].strike_s, bout[k + 2].strike_s
        if bout[k].foot is bout[k + 2].foot and a is not None and c is not None:
            yield k, c - a


def _alternating(run: Sequence[Step]) -> Iterator[list[Step]]:
    """Cut a run of steps where one foot steps twice: a step between them was not seen."""
    part: list[Step] = []
    for step in run:
        if part and step.foot is part[-1].foot:
            yield part
            part = []
        part.append(step)
    if part:
        yield part


def _is_uneven(steps: Sequence[Step]) -> bool:
    """Whether bouts that are long enough for a straight were walked at unlike paces."""
    medians = [
        median
        for bout in bouts_of(steps)
        if len(bout) >= LEAST_STRAIGHT + 2
        and (median := median_of(stride_s for _, stride_s in _strides(bout))) is not None
    ]
    return bool(medians) and max(medians) > (1.0 + PACE) * min(medians)
