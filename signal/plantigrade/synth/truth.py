"""What a synthetic player did: the answers a detector's results are held against."""

from dataclasses import dataclass
from enum import StrEnum

from plantigrade.block import Foot
from plantigrade.events import Manner, Roll, Timing
from plantigrade.synth.player import Style


class NotSwingKind(StrEnum):
    """Movements at or around the ball that are no swings."""

    WAGGLE = "waggle"
    HALF_SWING = "half_swing"
    TRAIL_REST = "trail_rest"
    SLOW_SHIFT = "slow_shift"
    BEND = "bend"
    SHUFFLE = "shuffle"
    ONE_LEG = "one_leg"
    ROCK = "rock"
    WALK = "walk"


class HeelHabit(StrEnum):
    """What the lead heel does in the backswing."""

    DOWN = "down"
    LIFTED = "lifted"
    LATE = "late"
    """Lifted only at the end of the backswing."""
    LIGHT = "light"
    """Lifted, with little load left on the lead foot."""

    @property
    def lifts(self) -> bool:
        """Whether the heel leaves the ground."""
        return self is not HeelHabit.DOWN


@dataclass(frozen=True, slots=True)
class StanceTruth:
    """One walking stance.

    Attributes
    ----------
    foot : Foot
    strike_s, off_s : float
        When the ideal load crosses the contact load (the larger of 20 N and 5 % body weight).
    roll : Roll
        `THROUGH` where the midfoot carried at least 6 % of the stance's impulse, `SKIPPED` where
        it carried at most 2 %; `UNCLEAR` where it only grazed.
    midfoot_impulse_share : float
        The midfoot's part of the ideal load's impulse.
    turning : bool
        The step belongs to a turn.
    """

    foot: Foot
    strike_s: float
    off_s: float
    roll: Roll
    midfoot_impulse_share: float
    turning: bool


@dataclass(frozen=True, slots=True)
class SwingTruth:
    """One golf swing.

    Deliberate means the body's plan, without the sway that is always added to it.

    Attributes
    ----------
    lead : Foot
    style : Style
    address_s : float
        When the player had come to address.
    first_move_s : float
        The very first of the backswing's deliberate movement, before anything of it shows.
    start_s : float
        The deliberate lead share has for good gone 5 % of its way from address to the trail side.
    trail_peak_s : float
        The deliberate lead share turns; the middle of the stay where the player stays there.
    trough_width_s : float
        How long the deliberate lead share is within .02 of its lowest.
    trough_sharp : bool
        The width is at most 0.12 s.
    shift_s : float
        The deliberate lead share has for good gone 5 % of its way from the trail side to the lead.
    lead_peak_s, lead_peak_bw : float
        Time and size (× body weight) of the greatest ideal lead load from the shift on.
    finish_start_s, end_s : float
        When the finish is reached, and when the player is back to standing.
    heel_lifted : bool
    heel : HeelHabit
    lift_s, return_s : float or None
        The ideal lead heel load crosses 3 % of body weight downward and upward.
    air_s, ground_s : float or None
        The same at 0.1 % of body weight: no contact left, first contact again.
    manner : Manner
    timing : Timing or None
        None where the push is held.
    heel_leave_s, fore_take_s : float or None
        The trail foot's deliberate push has made 30 % and 70 % of its way heel to toe; None where
        it is held.
    travel : float
        Length of that way as a fraction of the foot; 0 where held.
    stepped : bool
        The trail foot steps through in the finish.
    """

    lead: Foot
    style: Style
    address_s: float
    first_move_s: float
    start_s: float
    trail_peak_s: float
    trough_width_s: float
    trough_sharp: bool
    shift_s: float
    lead_peak_s: float
    lead_peak_bw: float
    finish_start_s: float
    end_s: float
    heel_lifted: bool
    heel: HeelHabit
    lift_s: float | None
    return_s: float | None
    air_s: float | None
    ground_s: float | None
    manner: Manner
    timing: Timing | None
    heel_leave_s: float | None
    fore_take_s: float | None
    travel: float
    stepped: bool


@dataclass(frozen=True, slots=True)
class StandTruth:
    """Quiet standing, with the means of the ideal load; `on` is the one foot stood on, if one."""

    start_s: float
    end_s: float
    on: Foot | None
    left_share: float
    left_midfoot_share: float
    right_midfoot_share: float


@dataclass(frozen=True, slots=True)
class NotSwing:
    """A movement that is no swing."""

    kind: NotSwingKind
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything the player did, each list in order of time.

    Attributes
    ----------
    contact_n : float
        The load that counts as ground contact, N.
    weight_n : float
        Body weight, N.
    steps : tuple of StanceTruth
        Stances of walks with both strike and toe-off; the contacts a walk starts from and ends in
        are standing.
    swings : tuple of SwingTruth
    stands : tuple of StandTruth
    not_swings : tuple of NotSwing
    """

    contact_n: float
    weight_n: float
    steps: tuple[StanceTruth, ...]
    swings: tuple[SwingTruth, ...]
    stands: tuple[StandTruth, ...]
    not_swings: tuple[NotSwing, ...]
