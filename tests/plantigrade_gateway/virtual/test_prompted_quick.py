"""What a virtual player who is asked does when, with movements of a number each instead of a body.

Each movement reads its own number in every zone but the first, which reads its time in ms.
"""

from typing import Any

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.events import Manner, Timing
from plantigrade.fitting import FITTING
from plantigrade.synth import OneLeg, Stand, Swing, Walk, segment_of
from plantigrade_gateway.check.steps import APART_S, FAST_APART_S
from plantigrade_gateway.virtual import prompted
from plantigrade_gateway.virtual.prompted import PromptedPlayer
from plantigrade_gateway.virtual.style import PlayerStyle

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT


class Move:
    """A movement that was made up: for whom, of what, and which it was."""

    made: list["Move"]

    def __init__(self, seed: int, lead: Foot, segments: tuple[Any, ...] = ()) -> None:
        self.seed, self.lead, self.segments = seed, lead, segments
        self.number = len(Move.made) + 1
        Move.made.append(self)
        self.counts = {foot: np.zeros((1, 18), np.uint16) for foot in Foot}

    def at(self, foot: Foot, t_s: np.ndarray) -> np.ndarray:
        read = np.full((len(t_s), 18), self.number, np.uint16)
        read[:, 0] = np.rint(t_s * 1000.0)
        return read


@pytest.fixture(autouse=True)
def moves(monkeypatch) -> None:
    Move.made = []
    monkeypatch.setattr(prompted, "invented_steps", lambda seed, style, lead: Move(seed, lead))
    monkeypatch.setattr(prompted, "invented_session", lambda seed, style, lead: (lead, None))
    monkeypatch.setattr(
        prompted, "pressed", lambda lead, plan, seed: Move(seed, lead, plan.segments)
    )


def doing(player: PromptedPlayer, t_s: list[float], foot: Foot = LEFT) -> list[tuple[int, int]]:
    """Which movement is done at times, and at which of its own ms."""
    read = player.at(foot, np.array(t_s))
    assert read.shape == (len(t_s), 18)
    return [(int(row[1]), int(row[0])) for row in read]


def test_what_was_asked_for_begins_then_and_lasts_until_something_else_is():
    player = PromptedPlayer(seed=7)
    player.do("walk", 10.0)
    player.do("", 20.0)
    assert doing(player, [0.0, 9.999, 10.0, 19.5, 20.0, 23.0]) == [
        *((1, 0), (1, 9999), (2, 0), (2, 9500), (1, 0), (1, 3000)),
    ]
    assert doing(player, [22.0, 9.0, 11.0], RIGHT) == [(1, 2000), (1, 9000), (2, 1000)]
    assert doing(player, [-1e-9])[0][0] == 1  # the body's clock may begin a little later


def test_each_is_made_up_once_for_a_lead_foot_and_of_a_seed_of_its_own():
    player = PromptedPlayer(seed=7)
    for what in ("walk", "stand", "walk", "stand"):
        player.learn(what)
        player.do(what, 5.0)
    assert Move.made[0].seed == 7
    assert len(Move.made) == 3 and len({move.seed for move in Move.made}) == 3
    assert {move.lead for move in Move.made} == {LEFT}


def test_the_other_lead_foot_does_the_same_from_then_on():
    player = PromptedPlayer(seed=7)
    player.do("right-handed", 1.0)  # as it is
    assert len(Move.made) == 1 and doing(player, [1.5]) == [(1, 1500)]
    player.do("left-handed", 2.0)
    assert (Move.made[1].lead, Move.made[1].seed) == (RIGHT, 7)
    assert doing(player, [2.5]) == [(2, 500)]
    player.do("walk", 3.0)
    assert Move.made[2].lead is RIGHT and doing(player, [3.25]) == [(3, 250)]
    player.do("right-handed", 4.0)
    assert Move.made[3].lead is LEFT and Move.made[3].segments == Move.made[2].segments
    assert doing(player, [4.0]) == [(4, 0)]
    left = PromptedPlayer(lead=RIGHT)
    assert Move.made[-1].lead is RIGHT
    left.do("left-handed", 1.0)
    assert doing(left, [1.5])[0][1] == 1500


def segments(what: str, style: PlayerStyle = PlayerStyle.ROLLS, seed: int = 3) -> tuple[Any, ...]:
    PromptedPlayer(seed, style).learn(what)
    return Move.made[-1].segments


def test_a_lift_holds_each_foot_up_longer_than_three_seconds_between_two_stands():
    """As the step's sentence says; the left foot first, so the right one bears."""
    first, left_up, right_up, last = segments("lift")
    assert isinstance(first, Stand) and isinstance(last, Stand)
    assert (left_up.foot, right_up.foot) == (RIGHT, LEFT)
    assert isinstance(left_up, OneLeg) and min(left_up.duration_s, right_up.duration_s) > 3.0


def test_a_walk_is_of_enough_steps_for_a_walk_check():
    stand, *walks = segments("walk")
    assert isinstance(stand, Stand)
    assert {type(walk) for walk in walks} == {Walk}
    assert sum(walk.steps for walk in walks) >= 100


@pytest.mark.parametrize(
    "what", ["practice", "warm_up", "smooth", "full", "fast", "again", "closing"]
)
def test_swings_lie_apart_as_a_check_wants_and_are_of_the_style(what):
    lead_in, *rest = segments(what)
    swings, rests = rest[::2], rest[1::2]
    assert isinstance(lead_in, Stand) and lead_in.duration_s == 5.0
    assert len(swings) == len(rests) == 12
    assert {(one.manner, one.timing) for one in swings} == {(Manner.ROLLED, Timing.WITH_SHIFT)}
    assert {one.waggles for one in swings} == {0}
    assert {type(one) for one in swings} == {Swing} and {type(one) for one in rests} == {Stand}
    assert len({one.backswing_s for one in swings}) > 1  # no two alike


def test_fast_swings_are_faster_than_full_ones_and_full_than_smooth_ones():
    mean = {}
    for what in ("smooth", "full", "fast"):
        _, *rest = segments(what)
        mean[what] = (
            np.mean([one.backswing_s for one in rest[::2]]),
            np.mean([one.downswing_s for one in rest[::2]]),
        )
    for k, (smooth, full, fast) in enumerate(((1.00, 0.85, 0.72), (0.34, 0.28, 0.23))):
        # 3 % of spread over 12 swings: their mean lies within 3 % of what is meant
        assert mean["smooth"][k] == pytest.approx(smooth, rel=0.03)
        assert mean["full"][k] == pytest.approx(full, rel=0.03)
        assert mean["fast"][k] == pytest.approx(fast, rel=0.03)


def test_fast_swings_lie_so_much_farther_apart_as_a_check_wants():
    """A fast one takes half a second less itself."""
    rest_s = {what: segments(what)[2].duration_s for what in ("smooth", "full", "fast")}
    assert rest_s["smooth"] == rest_s["full"] > 0.0
    assert rest_s["fast"] - rest_s["smooth"] >= FAST_APART_S - APART_S + 0.4


def test_two_sets_of_one_player_are_not_the_same_swings():
    _, *smooth = segments("smooth")
    _, *again = segments("again")
    assert [one.backswing_s for one in smooth[::2]] != [one.backswing_s for one in again[::2]]
    assert segments("smooth")[1:] == tuple(smooth)


@pytest.mark.parametrize("pose", list(dict.fromkeys(FITTING)))
def test_a_pose_of_a_calibration_is_that_pose(pose):
    assert segments(str(pose)) == (segment_of(pose, 8.0),)


def test_anything_else_is_a_stand():
    (stand,) = segments("nothing known")
    assert isinstance(stand, Stand) and stand.duration_s >= 10.0  # as a stand check wants
