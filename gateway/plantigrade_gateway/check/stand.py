"""Which stands and foot lifts of a guided check are taken."""

from collections.abc import Iterator

from plantigrade.block import Foot
from plantigrade.events import Bearing, FootStand
from plantigrade.prompted import LIFT_S, PromptedStand
from plantigrade_gateway.analysis.result import Analysis, Trial
from plantigrade_gateway.check.steps import PROMPT_S, STAND
from plantigrade_gateway.check.verdict import Verdict, Why, standing
from plantigrade_gateway.formats import percent

SHARE = 0.35, 0.65
"""Each foot carries between these parts of the load."""
_SHORT_BY_S = 0.5  # the entries that begin and end a trial come with the next packets


def judge_stand(trial: Trial, analysis: Analysis) -> Verdict:
    """Judge a stand, in shoes or on the insoles alone.

    Parameters
    ----------
    trial : Trial
    analysis : Analysis
        Which it is of; body weight comes from it.
    """
    lasted_s = trial.end_s - trial.start_s
    if lasted_s < PROMPT_S - _SHORT_BY_S:
        return Verdict(
            Why.SHORT,
            f"It ended after {lasted_s:.0f} s. Stand again, and stay until the end is said.",
        )
    found = trial.stand
    if found is None:
        return Verdict(Why.GAP, "It could not be measured. Stand again.")
    if found.left is None or found.right is None:
        return Verdict(
            Why.GAP,
            f"Samples are missing for {found.missing_s:.2f} s. Bring the insoles nearer to the "
            "receiver, and stand again.",
        )
    for foot, zones in ((Foot.LEFT, found.saturated_left), (Foot.RIGHT, found.saturated_right)):
        if zones:
            return Verdict(
                Why.SATURATED,
                f"Zone {zones[0]} of the {foot} insole reads full scale. See what presses on it, "
                "loosen the shoe, and stand again.",
            )
    if _carries_little(found.left.load_n + found.right.load_n, analysis):
        return Verdict(
            Why.EMPTY, "The insoles carry too little. Stand on both feet with your whole weight."
        )
    share = found.left_share
    if share is None or not SHARE[0] <= share <= SHARE[1]:
        more = Foot.LEFT if share is not None and share > SHARE[1] else Foot.RIGHT
        carried = None if share is None else max(share, 1.0 - share)
        return Verdict(
            Why.ONE_SIDED,
            f"The {more} foot carried {percent(carried)}. Stand on both feet alike, and again.",
        )
    for foot, stand in ((Foot.LEFT, found.left), (Foot.RIGHT, found.right)):
        swayed_mm = _sway_mm(stand)
        if stand.bearing is Bearing.MOVED or swayed_mm is None:
            by = "" if swayed_mm is None else f" by {swayed_mm:.0f} mm"
            return Verdict(
                Why.MOVED,
                f"The {foot} foot moved{by}. Look at one point ahead, stay, and stand again.",
            )
    return Verdict(None, f"Left {percent(share)}, right {percent(1.0 - share)} of the load.")


def judge_lift(trial: Trial, analysis: Analysis) -> Verdict:
    """Judge a lift of each foot: held off the ground for `LIFT_S`, the other one carrying."""
    found = trial.lift
    if found is None:
        return Verdict(Why.GAP, "It could not be measured. Lift each foot again.")
    for foot, lifted in ((Foot.LEFT, found.left), (Foot.RIGHT, found.right)):
        if lifted.air_n is not None:
            continue
        held = f"was in the air for {lifted.held_s:.1f} s" if lifted.held_s else "stayed loaded"
        if lifted.held_s >= LIFT_S:
            held = "was not still in the air"
        return Verdict(
            Why.NOT_LIFTED,
            f"The {foot} foot {held}. Lift each foot clear of the ground for three seconds; if it "
            "was, loosen the laces.",
        )
    readings = f"left {found.left.air_n:.0f} N, right {found.right.air_n:.0f} N"
    return Verdict(None, f"In the air: {readings}.")


def taken_stands(analysis: Analysis, step: str = STAND) -> Iterator[PromptedStand]:
    """Yield what the taken stands of a step come to, in order of time.

    Parameters
    ----------
    analysis : Analysis
    step : str
        ``"stand"`` or ``"flat"``.
    """
    for trial in standing(analysis, step):
        if judge_stand(trial, analysis).is_taken:
            assert trial.stand is not None
            yield trial.stand


def _carries_little(both_n: float, analysis: Analysis) -> bool:
    """Whether both feet carry too little for a stand, by the limits of the analysis."""
    quality = analysis.quality
    if quality is None:
        return False
    return both_n < quality.limits.stand_least_bw * quality.body_weight_n


def _sway_mm(stand: FootStand) -> float | None:
    """Return a foot's sway, RMS, mm: the larger of both directions."""
    if stand.sway_rms_x_mm is None or stand.sway_rms_y_mm is None:
        return None
    return max(stand.sway_rms_x_mm, stand.sway_rms_y_mm)
