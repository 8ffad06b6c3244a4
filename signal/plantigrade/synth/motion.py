"""What a body does over one segment, at the body's own rate, before it becomes load on zones."""

from dataclasses import dataclass, field

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.events import Manner, Timing
from plantigrade.synth.foot import Sole
from plantigrade.synth.player import Player, Style
from plantigrade.synth.shapes import Track
from plantigrade.synth.truth import HeelHabit, NotSwing, NotSwingKind, StandTruth

BODY_HZ = 400.0
"""Rate at which the body moves; truths are read off at this rate, samples are taken from it."""

FOOT_MM = 270.0
"""Foot length that sway in mm is related to."""

STANCE_WIDTH_MM = 200.0
"""Distance of the feet's centres that side sway is related to."""


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A player with both soles."""

    player: Player
    left: Sole
    right: Sole

    @classmethod
    def of(cls, player: Player) -> "Body":
        """Build the soles of a player."""
        return cls(player, Sole(player, Foot.LEFT), Sole(player, Foot.RIGHT))

    def sole(self, foot: Foot) -> Sole:
        """Return one foot's sole."""
        return self.left if foot is Foot.LEFT else self.right


class Motion:
    """The body's plan over a segment: tracks that all start, and must end, in neutral standing.

    Parameters
    ----------
    body : Body
    duration_s : float

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        From the segment's beginning.
    total : Track
        Load on both feet, × body weight.
    left : Track
        Share on the left foot; exactly 0 or 1 when one foot is off the ground.
    y : dict of Foot to Track
        Where along the foot its load centres, for a resting foot.
    heel : dict of Foot to Track
        1 where the heel may carry load, 0 where it is off the ground.
    lean : dict of Foot to Track
        −1 medial … 1 lateral.
    rolling : dict of Foot to ndarray, shape (n,)
        1 where the foot rolls over in walking, 0 where it rests.
    phase : dict of Foot to ndarray, shape (n,)
        Progress through the walking stance, where it rolls.
    calm : Track
        Factor on the sway.
    """

    def __init__(self, body: Body, duration_s: float) -> None:
        n = round(duration_s * BODY_HZ)
        self.body = body
        self.t_s = np.arange(n) / BODY_HZ
        self.total = Track(self.t_s, 1.0)
        self.left = Track(self.t_s, body.player.left_share)
        self.y = {foot: Track(self.t_s, body.sole(foot).neutral_y) for foot in Foot}
        self.heel = {foot: Track(self.t_s, 1.0) for foot in Foot}
        self.lean = {foot: Track(self.t_s, 0.15) for foot in Foot}
        self.rolling = {foot: np.zeros(n) for foot in Foot}
        self.phase = {foot: np.zeros(n) for foot in Foot}
        self.calm = Track(self.t_s, 1.0)

    def share(self, foot: Foot, value: float) -> float:
        """Return the left share that puts `value` on `foot`."""
        return value if foot is Foot.LEFT else 1.0 - value


@dataclass(frozen=True, slots=True, eq=False)
class StanceNote:
    """A walking stance as planned, times from the segment's beginning."""

    foot: Foot
    strike_s: float
    off_s: float
    turning: bool


@dataclass(frozen=True, slots=True, eq=False)
class SwingNote:
    """A swing as planned: the truths the plan alone fixes, and where to look for the others.

    Named as in `SwingTruth`, times from the segment's beginning; `begin_s` is the first movement of
    the backswing, `shift_s` that of the way back after a stay of `hold_s`, `peak_s` the lead peak.
    """

    lead: Foot
    style: Style
    heel: HeelHabit
    manner: Manner
    timing: Timing | None
    stepped: bool
    heel_leave_s: float | None
    fore_take_s: float | None
    travel: float
    address_s: float
    begin_s: float
    shift_s: float
    peak_s: float
    hold_s: float
    finish_start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One performed segment: its motion and what it was."""

    motion: Motion
    stances: list[StanceNote] = field(default_factory=list)
    swings: list[SwingNote] = field(default_factory=list)
    stands: list[StandTruth] = field(default_factory=list)
    not_swings: list[NotSwing] = field(default_factory=list)


def not_swing(kind: NotSwingKind, motion: Motion) -> NotSwing:
    """Say that a whole segment is no swing."""
    return NotSwing(kind, 0.0, float(motion.t_s[-1]))


def wander(rng: np.random.Generator, n: int, corner_hz: float) -> FloatArray:
    """Return a smooth random course of unit variance: white noise through two equal low-passes."""
    keep = float(np.exp(-2.0 * np.pi * corner_hz / BODY_HZ))
    warm = int(2.0 * BODY_HZ / corner_hz)
    white = rng.standard_normal(n + warm)
    from scipy.signal import lfilter  # most of a second to import: by who makes a player alone

    smooth = lfilter([(1 - keep) ** 2], [1.0, -2.0 * keep, keep * keep], white)[warm:]
    power = (1 - keep) ** 4 * (1 + keep * keep) / (1 - keep * keep) ** 3
    return np.asarray(smooth / np.sqrt(power))


@dataclass(frozen=True, slots=True, eq=False)
class Sway:
    """Unintended movement over a whole session: what is added to every plan.

    Attributes
    ----------
    share : ndarray, shape (n,)
        Of the load to the left foot.
    y : dict of Foot to ndarray, shape (n,)
        Fraction of the foot's length.
    total : ndarray, shape (n,)
        Of the whole load, × body weight.
    lean : dict of Foot to ndarray, shape (n,)
    """

    share: FloatArray
    y: dict[Foot, FloatArray]
    total: FloatArray
    lean: dict[Foot, FloatArray]

    @classmethod
    def draw(cls, player: Player, n: int, rng: np.random.Generator) -> "Sway":
        """Draw the sway of `n` samples.

        Slow wandering with a little faster correction and tremor on top; to the side two thirds of
        front to back, as in the published RMS of 3.3 and 5.0 mm (PMC3966255, table 3). Both feet
        share most of it, as one body sways over them.
        """
        front = player.sway_mm / FOOT_MM
        side = 0.66 * player.sway_mm / STANCE_WIDTH_MM

        def course() -> FloatArray:
            slow, middle, fast = (wander(rng, n, hz) for hz in (0.15, 0.6, 3.0))
            return np.asarray(0.85 * slow + 0.5 * middle + 0.12 * fast)

        common = course()
        return cls(
            share=side * course(),
            y={foot: front * (0.9 * common + 0.44 * course()) for foot in Foot},
            total=0.003 * wander(rng, n, 1.2),
            lean={foot: 0.12 * course() for foot in Foot},
        )
