"""The strike in synthetic bays of sound: found where there is one, none made where there is none.

What must hold comes from the definition of the strike: the stated uncertainty covers at least 95 %
of true errors; with neighbours in two bays, 10 dB fainter, one strike each in 15 s, at most 1 % of
swings are told wrongly and at least 95 % of own strikes are found, topped ones (over 5 dB under the
club's median) apart; a screen at 3 to 5 m changes nothing; no ball, no strike.
"""

from collections.abc import Iterable

import numpy as np
import pytest
from tests.support import strikebay_sounds as sounds
from tests.support.strikebay import Bay, Try, World, session, stamp

from plantigrade.strike import StrikeState

WRONG_S = 0.03
"""A strike told so far from the truth is another sound."""
FEW, MANY = range(3), range(48)
TOPPED_DB = -5.0


def error_s(one: Try) -> float:
    assert one.strike.t_s is not None
    assert one.truth_s is not None
    return one.strike.t_s - one.truth_s


def told(tries: Iterable[Try]) -> list[Try]:
    return [one for one in tries if one.strike.state is StrikeState.HEARD]


def is_wrong(one: Try) -> bool:
    heard = one.strike.state is StrikeState.HEARD
    return heard and (one.truth_s is None or abs(error_s(one)) > WRONG_S)


def check_coverage(tries: list[Try]) -> None:
    covered = [abs(error_s(one)) <= (one.strike.error_s or 0.0) for one in told(tries)]
    assert np.mean(covered) >= 0.95


def check_found(tries: list[Try]) -> None:
    assert np.mean([is_wrong(one) for one in tries]) <= 0.01
    own = [one for one in tries if one.level_db >= TOPPED_DB]
    found = [one.strike.state is StrikeState.HEARD and not is_wrong(one) for one in own]
    assert np.mean(found) >= 0.95


def bays(seeds: range, *kinds: Bay) -> list[Try]:
    return [one for seed in seeds for one in session(seed, kinds[seed // 3 % len(kinds)])]


@pytest.mark.dear
def test_strikes_of_one_session():
    tries = bays(range(1), Bay(neighbours=2))
    assert len(told(tries)) >= 15
    check_coverage(tries)
    check_found(tries)


@pytest.mark.dear
@pytest.mark.slow
def test_strikes_of_a_few_sessions():
    tries = bays(FEW, Bay(neighbours=2, topped=0.05))
    assert len(tries) >= 50
    check_coverage(tries)
    check_found(tries)


@pytest.mark.dear
def test_without_a_ball_there_is_no_strike():
    tries = bays(FEW, Bay(struck=False))
    assert len(tries) >= 50
    assert not told(tries)


@pytest.mark.dear
@pytest.mark.slow
def test_a_screen_behind_the_ball_changes_nothing():
    plain = bays(FEW, Bay(ball="none"))
    screen = bays(FEW, Bay(ball="screen"))
    check_coverage(screen)
    check_found(screen)
    assert abs(len(told(plain)) - len(told(screen))) <= 1


@pytest.mark.dear
@pytest.mark.parametrize("add", [sounds.speech, sounds.claps, sounds.dropped_clubs, sounds.cues])
@pytest.mark.slow
def test_other_sounds_are_no_strike_and_hide_few(add):
    none = [one for seed in FEW for one in session(seed, Bay(struck=False), add=add)]
    assert not told(none)
    hit = [one for seed in FEW for one in session(seed, Bay(), add=add)]
    assert not [one for one in hit if is_wrong(one)]
    assert len(told(hit)) >= 0.85 * len(hit)


@pytest.mark.dear
@pytest.mark.slow
def test_stamps_tell_the_offset_within_what_they_state():
    errors = []
    for seed in range(40):
        world = World(np.random.default_rng([15, seed]))
        world.clock_s = dict.fromkeys(world.clock_s, 0.0)
        one = stamp(world, 40.0)
        assert one.refused is None
        off_s = abs(one.offset_s - (world.sound_s(one.at_s) - one.at_s))
        errors.append((off_s, np.hypot(one.error_s, 0.0025)))  # a quarter spacing at 100 Hz
    assert np.mean([off_s <= stated for off_s, stated in errors]) >= 0.95


def test_a_device_whose_delay_wanders_is_refused():
    refused = []
    for seed in range(4):
        world = World(np.random.default_rng([16, seed]))
        refused.append(stamp(world, 40.0, jitter_s=0.025).refused)
    assert None not in refused


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.long
def test_a_thousand_swings_between_two_neighbours():
    tries = bays(MANY, Bay("screen", 2, topped=0.05), Bay("net", 2, restamped=False, topped=0.05))
    assert len(tries) >= 1000
    check_coverage(tries)
    check_found(tries)


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_a_thousand_practice_swings_between_two_neighbours():
    tries = bays(MANY, Bay("screen", 2, struck=False))
    assert len(tries) >= 1000
    assert np.mean([is_wrong(one) for one in tries]) <= 0.01
