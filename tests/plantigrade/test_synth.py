"""The synthetic player against published patterns of standing, walking and swinging.

Each outside check names its source beside it; "from memory" marks values that were not seen in
their source.
"""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.synth import (
    Performance,
    Player,
    SensorModel,
    SessionPlan,
    Stand,
    Swing,
    Walk,
    perform,
    random_player,
    random_sensor,
    random_session,
)
from plantigrade.zones import ZoneLayout, eighteen, parse_layout

HEEL, MIDFOOT, FOREFOOT, TOES = range(4)
CLEAN = SensorModel.clean()


def loads(done: Performance, foot: Foot) -> np.ndarray:
    return (done.left_n if foot is Foot.LEFT else done.right_n).sum(axis=1)


def regions(done: Performance, foot: Foot) -> np.ndarray:
    return done.left_n if foot is Foot.LEFT else done.right_n


def cop_y(done: Performance, foot: Foot) -> np.ndarray:
    """CoP along the foot from the zones, NaN where there is little load."""
    zones = (done.left if foot is Foot.LEFT else done.right) * done.layout.newtons_per_unit
    total = zones.sum(axis=1)
    return np.where(total > 20.0, (zones @ done.layout.y) / np.maximum(total, 1.0), np.nan)


def stance_curves(done: Performance, values: dict[Foot, np.ndarray]) -> np.ndarray:
    """Each straight-ahead stance's course at 101 points of stance."""
    curves = []
    for step in done.truth.steps:
        if not step.turning:
            at = np.linspace(step.strike_s, step.off_s, 101)
            column = values[step.foot]
            curves.append(np.interp(at, done.t_s, column))
    return np.array(curves)


def walking(speed: float, seed: int, **who: float) -> Performance:
    player = Player(walk_speed_m_s=speed, body_seed=seed, **who)  # type: ignore[arg-type]
    return perform(player, SessionPlan((Stand(1.0), Walk(16, speed), Stand(1.0))), 200.0, seed)


def test_performance_is_a_function_of_its_seed():
    rng = np.random.default_rng(4)
    player, plan = random_player(rng), random_session(rng, swings=2)
    one, two = (perform(player, plan, 100.0, seed=9) for _ in range(2))
    other = perform(player, plan, 100.0, seed=10)
    assert one.truth == two.truth
    assert np.array_equal(one.left, two.left) and np.array_equal(one.right, two.right)
    assert other.truth != one.truth
    sensor = random_sensor(rng)
    for a, b in zip(sensor.read(one, 3), sensor.read(two, 3), strict=True):
        assert np.array_equal(a, b, equal_nan=True)


def test_truth_does_not_depend_on_rate_or_layout():
    player, plan = Player(), SessionPlan((Stand(2.0), Walk(6), Swing()))
    at100 = perform(player, plan, 100.0, seed=2)
    at200 = perform(player, plan, 200.0, seed=2)
    no_toes = perform(player, plan, 100.0, seed=2, layout=heel_mid_fore())
    assert at100.truth == at200.truth == no_toes.truth
    assert np.array_equal(at200.left[::2], at100.left)


def heel_mid_fore() -> ZoneLayout:
    zones = [
        f'[[zone]]\nid = {k}\nregion = "{region}"\nx = {x}\ny = {y}\narea_mm2 = 2000\n'
        for k, (region, x, y) in enumerate(
            [
                ("heel", 0.5, 0.1),
                ("midfoot", 0.6, 0.4),
                ("forefoot", 0.3, 0.7),
                ("forefoot", 0.7, 0.7),
            ],
            1,
        )
    ]
    head = 'name = "four"\nunit = "N"\nlength_mm = 260\nwidth_mm = 90\n'
    return parse_layout(head + "\n".join(zones))


@pytest.mark.parametrize("layout", [eighteen(), heel_mid_fore()], ids=["eighteen", "no toes"])
def test_zones_sum_to_the_foots_load(layout: ZoneLayout):
    done = perform(Player(), SessionPlan((Stand(1.0), Walk(5), Swing())), 100.0, 1, layout)
    for foot, zones in ((Foot.LEFT, done.left), (Foot.RIGHT, done.right)):
        sums = zones @ layout.newtons_per_unit
        np.testing.assert_allclose(sums, loads(done, foot), atol=1e-9)
        assert (zones >= 0.0).all()


@pytest.mark.parametrize("seed", range(6))
def test_whole_sessions_are_smooth_and_stay_in_human_range(seed: int):
    rng = np.random.default_rng([seed, 77])
    player = random_player(rng)
    done = perform(player, random_session(rng, swings=5), 200.0, seed)
    total = (loads(done, Foot.LEFT) + loads(done, Foot.RIGHT)) / player.weight_n
    assert np.isfinite(done.left).all() and np.isfinite(done.right).all()
    assert total.min() > 0.3 and total.max() < 2.5
    for foot in Foot:
        # No jump from one sample to the next, at segment joints or elsewhere: 5 ms of the
        # steepest strike stay under 0.2 BW.
        assert np.abs(np.diff(loads(done, foot))).max() < 0.2 * player.weight_n


def test_strike_and_toe_off_are_where_the_ideal_load_crosses():
    done = walking(1.3, 3)
    for step in done.truth.steps:
        load = loads(done, step.foot)
        for t, sign in ((step.strike_s, 1.0), (step.off_s, -1.0)):
            assert np.interp(t, done.t_s, load) == pytest.approx(done.truth.contact_n, abs=12.0)
            before, after = np.interp([t - 0.02, t + 0.02], done.t_s, load)
            assert sign * (after - before) > 0.0
        assert done.truth.contact_n == pytest.approx(0.05 * 80.0 * 9.80665)
