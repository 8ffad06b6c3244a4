"""A virtual player who does what a check asks for, as the program reads what the insoles send."""

import json

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.calibrate import Calibrator, default_calibration
from plantigrade.events import Manner, Timing
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.analysis.result import Analysis, swing_time
from plantigrade_gateway.check.steps import APART_S, FAST_APART_S
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.virtual.player import invented_steps
from plantigrade_gateway.virtual.prompted import PromptedPlayer
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged
from plantigrade_gateway.virtual.style import PlayerStyle

pytestmark = pytest.mark.dear

START_NS = 10**12
HZ = 100.0


def pressure(player: PromptedPlayer, foot: Foot, t_s: np.ndarray) -> np.ndarray:
    own = Calibrator(default_calibration(eighteen(), foot))
    return own.block(t_s, player.at(foot, t_s)).pressure


def found(player: PromptedPlayer, until_s: float, handed: str = "right") -> Analysis:
    """What the program makes of all that a player did, over a radio that loses nothing."""
    settings = {"schema": 1, "handed": handed, "layout": "eighteen"}
    sent = []
    for number, foot in enumerate(Foot):
        own = default_calibration(eighteen(), foot)
        insole = RecordedInsole(foot, number, own, link=RadioChannel.steady())
        read = pressure(player, foot, insole.sample_times_s(until_s))
        sent.append(insole.entries(read, until_s, START_NS, 1))
    said = [Entry(START_NS, SESSION, Kind.SETTINGS, json.dumps(settings).encode())]
    return analyse_record([Batch.of(merged(said, *sent))], "test")


def load_n(player: PromptedPlayer, foot: Foot, t_s: np.ndarray) -> np.ndarray:
    """Force is pressure times area over the zones (design §4: kPa × mm² / 1000)."""
    return np.asarray(pressure(player, foot, t_s) @ eighteen().area_mm2 / 1000.0)


def test_each_foot_is_held_in_the_air_when_it_is_asked_for_and_neither_else():
    player = PromptedPlayer()
    player.do("stand", 10.0)
    player.do("lift", 30.0)
    player.do("stand", 55.0)
    air_s = {}
    for foot in Foot:
        t_s = np.arange(10.0, 75.0, 0.01)
        in_air = t_s[load_n(player, foot, t_s) < 30.0]
        assert in_air.min() > 30.0 and in_air.max() < 55.0
        assert len(in_air) / HZ > 3.0  # as the step's sentence says
        air_s[foot] = in_air.mean()
    assert air_s[Foot.LEFT] < air_s[Foot.RIGHT]


@pytest.mark.slow
def test_what_is_asked_for_is_done_until_something_else_is():
    player = PromptedPlayer(style=PlayerStyle.ROLLS)
    for what, t_s in (("walk", 10.0), ("stand", 110.0), ("smooth", 120.0), ("", 260.0)):
        player.do(what, t_s)
    made = found(player, 260.0)
    walked = [step for step in made.steps if 10.0 < (step.strike_s or 0.0) < 110.0]
    assert len(walked) >= 80  # 18 strikes take less than 18 s, over and over for 100 s
    assert [s for s in made.steps if 112.0 < (s.strike_s or 0.0) < 255.0] == []
    swings = [swing for swing in made.swings if 120.0 < swing_time(swing) < 260.0]
    assert len(swings) >= 8
    assert {(s.push.manner, s.push.timing) for s in swings} == {(Manner.ROLLED, Timing.WITH_SHIFT)}


@pytest.mark.parametrize(
    ("what", "apart_s"), [("smooth", APART_S), ("full", APART_S), ("fast", FAST_APART_S)]
)
@pytest.mark.slow
def test_swings_of_a_check_lie_as_far_apart_as_it_asks(what, apart_s):
    player = PromptedPlayer(seed=2)
    player.do(what, 5.0)
    made = found(player, 120.0)
    times = [swing_time(swing) for swing in made.swings if swing_time(swing) > 8.0]
    assert len(times) >= 5 and min(np.diff(times)) >= apart_s


@pytest.mark.slow
def test_as_they_like_is_the_player_s_own_script_from_its_beginning():
    player, own = PromptedPlayer(seed=2), invented_steps(2)
    t_s = np.arange(0.0, 20.0, 0.01)
    for foot in Foot:
        assert np.array_equal(player.at(foot, t_s), own.at(foot, t_s))
    player.do("stand", 20.0)
    player.do("", 30.0)
    late_s = np.arange(19.0, 50.0, 0.01)
    read = player.at(Foot.LEFT, late_s)
    assert np.array_equal(read[1100:], own.at(Foot.LEFT, late_s[1100:] - 30.0))
    assert np.array_equal(read[:100], own.at(Foot.LEFT, late_s[:100]))  # a log asks for the past


@pytest.mark.parametrize("at_once", [True, False])
@pytest.mark.slow
def test_a_left_handed_player_s_swings_are_found_as_a_left_handed_player_s(at_once):
    """From the beginning, or asked for while something else is done; and not read the other way."""
    player = PromptedPlayer(2, PlayerStyle.ROLLS, Foot.RIGHT if at_once else Foot.LEFT)
    player.do("smooth", 0.0)
    player.do("left-handed", 30.0)
    player.do("", 75.0)
    after_s = 0.0 if at_once else 33.0
    times = [swing_time(swing) for swing in found(player, 135.0, "left").swings]
    assert sum(after_s < t_s < 75.0 for t_s in times) >= 3
    assert sum(t_s > 78.0 for t_s in times) >= 3
    others = [swing_time(swing) for swing in found(player, 135.0, "right").swings]
    assert [t_s for t_s in others if t_s > 33.0] == [] and bool(others) is not at_once
