"""What a session consists of: segments one after the other, each from standing to standing.

A value left `None` is drawn when the plan is performed, from the player's habits and the seed. A
calibration has each pose as a segment, done well or badly.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.events import Manner, Timing
from plantigrade.fitting import FITTING
from plantigrade.poses import Pose
from plantigrade.synth.player import Style
from plantigrade.synth.truth import HeelHabit


class Finish(StrEnum):
    """How a swing ends."""

    SETTLED = "settled"
    """On the lead foot, the trail foot only touching with its toes."""
    TOE = "toe"
    """On the lead foot, the trail foot on its toes with some load."""
    HALF = "half"
    """The trail foot still carries much of the load."""
    FLAT = "flat"
    """The trail foot flat."""
    STEPS = "steps"
    """The trail foot steps through."""


@dataclass(frozen=True, slots=True)
class Stand:
    """Stand quietly on both feet."""

    duration_s: float = 12.0


@dataclass(frozen=True, slots=True)
class OneLeg:
    """Stand on `foot` alone, the other off the ground, between two short stands.

    Attributes
    ----------
    foot : Foot
    duration_s : float
    taps : int
        How often the other foot touches the ground meanwhile.
    """

    foot: Foot
    duration_s: float = 6.0
    taps: int = 0


@dataclass(frozen=True, slots=True)
class Rock:
    """Rock on both feet: from heels to toes and back, or from edge to edge.

    Attributes
    ----------
    along : bool
        From heels to toes; else from the outer edges to the inner ones.
    times : int
    """

    along: bool = True
    times: int = 3


@dataclass(frozen=True, slots=True)
class Walk:
    """Walk from standing to standing.

    Attributes
    ----------
    steps : int
        Foot strikes, the one that closes the feet at the end included; at least 2.
    speed_m_s : float or None
        None: the player's own pace.
    first : Foot or None
        The foot that starts.
    turn_after : int or None
        A turn of three slow steps begins after this many strikes.
    """

    steps: int = 10
    speed_m_s: float | None = None
    first: Foot | None = None
    turn_after: int | None = None


@dataclass(frozen=True, slots=True)
class Swing:
    """Come to address and swing.

    Attributes
    ----------
    manner : Manner or None
        `ROLLED`, `SKIPPED` or `HELD`.
    timing : Timing or None
        `EARLY` or `WITH_SHIFT`; ignored where the push is held.
    heel : HeelHabit or None
        What the lead heel does in the backswing.
    style : Style or None
        None: the player's own.
    finish : Finish or None
    backswing_s : float or None
        The load's way to the trail foot, 0.45 to 1.4 s.
    downswing_s : float or None
        From the beginning of the shift to about the lead peak, 0.18 to 0.45 s.
    hold_s : float or None
        Stay on the trail foot at the top; 0 turns at once.
    press : bool or None
        A small press to the lead foot leads into the backswing.
    waggles : int or None
        Waggles of the club at address before the swing.
    address_s : float or None
        Still time at address before the start.
    lead_peak_bw : float or None
        Greatest load on the lead foot, × body weight.
    high_share : float or None
        Lead share that the shift goes to; in the reverse style from .58 on.
    """

    manner: Manner | None = None
    timing: Timing | None = None
    heel: HeelHabit | None = None
    style: Style | None = None
    finish: Finish | None = None
    backswing_s: float | None = None
    downswing_s: float | None = None
    hold_s: float | None = None
    press: bool | None = None
    waggles: int | None = None
    address_s: float | None = None
    lead_peak_bw: float | None = None
    high_share: float | None = None


@dataclass(frozen=True, slots=True)
class Waggle:
    """Waggle the club at address, and do not swing.

    Attributes
    ----------
    count : int or None
    large : bool
        Begin with a wide waggle to the lead side, and come back over the trail side.
    """

    count: int | None = None
    large: bool = False


@dataclass(frozen=True, slots=True)
class HalfSwing:
    """Go back as if to swing, and return to address without shifting to the lead foot.

    Attributes
    ----------
    backswing_s : float or None
    over : float or None
        How far the lead share comes over its level on the return; up to .06 is no swing.
    """

    backswing_s: float | None = None
    over: float | None = None


@dataclass(frozen=True, slots=True)
class TrailRest:
    """Rest on the trail foot for a while, and come back to the middle."""


@dataclass(frozen=True, slots=True)
class SlowShift:
    """Move weight slowly to the trail foot and then to the lead foot."""


@dataclass(frozen=True, slots=True)
class Bend:
    """Bend down to the ball; with `one_leg` the trail foot leaves the ground behind."""

    one_leg: bool | None = None


@dataclass(frozen=True, slots=True)
class Shuffle:
    """Re-place the feet one after the other on the spot."""

    lifts: int | None = None


Segment = (
    Stand
    | OneLeg
    | Rock
    | Walk
    | Swing
    | Waggle
    | HalfSwing
    | TrailRest
    | SlowShift
    | Bend
    | Shuffle
)


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """Segments in order.

    Raises
    ------
    SignalError
        No segment, or one whose numbers make no movement.
    """

    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        if not self.segments:
            raise SignalError("session plan: no segment, expected at least one")
        for n, segment in enumerate(self.segments, 1):
            where = f"session plan: segment {n}"
            if isinstance(segment, (Stand, OneLeg)) and not segment.duration_s >= 0.5:
                raise SignalError(
                    f"{where}: duration is {segment.duration_s} s, expected 0.5 or more"
                )
            if isinstance(segment, Walk) and segment.steps < 2:
                raise SignalError(f"{where}: {segment.steps} steps, expected 2 or more")


def random_between(rng: np.random.Generator) -> Segment:
    """Draw what a player does between two swings."""
    kind = rng.integers(7)
    if kind == 0:
        return Stand(float(rng.uniform(1.0, 4.0)))
    if kind == 1:
        return Walk(int(rng.integers(2, 7)))
    return (Waggle(), HalfSwing(), SlowShift(), Bend(), Shuffle())[kind - 2]


def random_session(
    rng: np.random.Generator, swings: int = 4, steps: int = 14, stand_s: float = 12.0
) -> SessionPlan:
    """Draw a session: standing, each foot alone, a walk there and back, swings and what is between.

    Parameters
    ----------
    rng : numpy.random.Generator
    swings : int
    steps : int
        Of each of the two walks.
    stand_s : float
        Length of the first stand.
    """
    first = Foot.LEFT if rng.random() < 0.5 else Foot.RIGHT
    segments: list[Segment] = [Stand(stand_s)]
    segments += [OneLeg(first, float(rng.uniform(3.0, 6.0)))]
    segments += [OneLeg(first.other, float(rng.uniform(3.0, 6.0)))]
    speed = float(rng.uniform(0.7, 1.9)) if rng.random() < 0.5 else None
    turn = int(rng.integers(4, steps - 4)) if steps >= 10 and rng.random() < 0.5 else None
    segments += [Walk(steps, speed, turn_after=turn), Stand(2.0)]
    for _ in range(swings):
        for _ in range(int(rng.integers(0, 3))):
            segments.append(random_between(rng))
        segments.append(Swing())
    segments += [Stand(2.0), Walk(steps), Stand(3.0)]
    return SessionPlan(tuple(segments))


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
