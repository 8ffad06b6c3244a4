"""A synthetic player who is calibrated: each pose as a segment, done well or badly."""

from enum import StrEnum

from plantigrade.block import Foot
from plantigrade.fitting import FITTING
from plantigrade.poses import Pose
from plantigrade.synth.plan import OneLeg, Rock, Segment, SessionPlan, Stand


class Mishap(StrEnum):
    """What a player does badly."""

    MOVED = "moved"
    """The lifted foot touches the ground again and again."""
    SHORT = "short"
    """A pose is given up after two seconds."""
    WRONG_FOOT = "wrong_foot"
    """The other foot is lifted, or stood on."""
    TIMID = "timid"
    """Rocks by hardly more than sway."""


def segment_of(pose: Pose, hold_s: float = 8.0, mishap: Mishap | None = None) -> Segment:
    """Return how a pose is performed, held for `hold_s`."""
    hold_s = 2.0 if mishap is Mishap.SHORT else hold_s
    if pose.is_rock:
        return Stand(hold_s) if mishap is Mishap.TIMID else Rock(pose is Pose.ROCK_LENGTH)
    if pose.foot is None:
        return Stand(hold_s)
    on: Foot = pose.foot.other if pose.is_lift else pose.foot
    if mishap is Mishap.WRONG_FOOT:
        on = on.other
    return OneLeg(on, hold_s, taps=round(hold_s) if mishap is Mishap.MOVED else 0)


def calibration_visit(
    poses: tuple[Pose, ...] = FITTING, hold_s: float = 8.0, mishap: Mishap | None = None
) -> SessionPlan:
    """Return a plan of poses one after the other, from standing to standing.

    Parameters
    ----------
    poses : tuple of Pose
    hold_s : float
        How long each is held.
    mishap : Mishap or None
        What goes wrong in every pose that it can go wrong in.
    """
    return SessionPlan(
        (Stand(1.0), *(segment_of(pose, hold_s, mishap) for pose in poses), Stand(2.0))
    )
