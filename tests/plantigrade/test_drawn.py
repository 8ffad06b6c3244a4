"""Who and what is drawn for the synthetic player: ranges and chances, both ends of each.

The ranges are this project's own; where a value is published its source stands in the classes.
"""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from tests.plantigrade.test_movements import HIGH, LOW, Ends

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.events import Roll
from plantigrade.poses import Pose
from plantigrade.synth import (
    Bend,
    HalfSwing,
    Mishap,
    OneLeg,
    Player,
    Rock,
    SensorModel,
    SessionPlan,
    Shuffle,
    SlowShift,
    Stand,
    Style,
    Swing,
    Waggle,
    Walk,
    calibration_visit,
    perform,
    random_player,
    random_sensor,
    random_session,
    segment_of,
)
from plantigrade.synth.foot import Sole
from plantigrade.synth.motion import Body
from plantigrade.synth.plan import random_between
from plantigrade.synth.player import draw_midfoot_share
from plantigrade.synth.shapes import (
    Track,
    half_cosine,
    logistic,
    minimum_jerk,
    near,
    skewed,
    time_of,
)
from plantigrade.synth.walk import cadence_hz, load_swing, stance_share, walk

PLAYERS = {
    "mass_kg": (25.0, 120.0),
    "left_share": (0.45, 0.55),
    "front_balance": (0.3, 0.45),
    "toe_share": (0.05, 0.2),
    "walk_midfoot": (1.0, 1.25),
    "sway_mm": (3.0, 7.5),
    "walk_speed_m_s": (0.8, 1.9),
    "asymmetry": (-0.06, 0.06),
    "backswing_s": (0.5, 1.3),
    "tempo": (2.5, 3.5),
}
SENSORS = {
    "gain_left": (0.75, 1.0),
    "gain_right": (0.75, 1.0),
    "gain_spread": (0.03, 0.03),
    "hysteresis": (0.10, 0.20),
    "drift_n": (0.0, 10.0),
    "lacing_n": (0.0, 20.0),
    "noise_kpa": (0.2, 0.8),
    "dead_kpa": (0.5, 3.0),
    "loss": (0.01, 0.01),
}


@pytest.mark.parametrize("upper", [LOW, HIGH])
def test_players_and_sensors_are_drawn_from_human_and_usual_ranges(upper):
    player, sensor = random_player(Ends(upper)), random_sensor(Ends(upper))
    for made, ranges in ((player, PLAYERS), (sensor, SENSORS)):
        found = {name: getattr(made, name) for name in ranges}
        assert found == pytest.approx({name: ends[upper] for name, ends in ranges.items()})
    assert random_sensor(Ends(upper), loss=0.2).loss == 0.2


def test_the_feet_s_load_and_steps_of_players_differ_by_a_few_hundredths():
    player = random_player(Ends(HIGH, sds=1.0))
    assert (player.left_share, player.asymmetry) == pytest.approx((0.52, 0.02))


@pytest.mark.parametrize(
    ("coin", "low", "high"),
    [
        (0.299, 0.0, 0.015),  # three in ten high-arched
        (0.301, 0.06, 0.13),
        (0.749, 0.06, 0.13),
        (0.751, 0.15, 0.30),  # a quarter flat
    ],
)
def test_arches_are_high_normal_or_flat(coin, low, high):
    assert draw_midfoot_share(Ends(LOW, coin)) == low
    assert draw_midfoot_share(Ends(HIGH, coin)) == high


def test_two_feet_of_three_players_in_four_are_alike_within_15_percent():
    for upper, share, factor in ((LOW, 0.06, 0.85), (HIGH, 0.13, 1.15)):
        alike = random_player(Ends(upper, 0.5))
        assert alike.midfoot_share_left == share
        assert alike.midfoot_share_right == pytest.approx(factor * share)
    assert random_player(Ends(HIGH, 0.26)).midfoot_share_right == pytest.approx(1.15 * 0.015)
    assert random_player(Ends(HIGH, 0.24)).midfoot_share_right == 0.015
    flat = random_player(Ends(HIGH, 0.999))
    assert flat.midfoot_share_left == flat.midfoot_share_right == 0.30


def test_half_of_the_players_lead_with_the_left_and_three_in_ten_are_of_the_reverse_style():
    assert [random_player(Ends(LOW, c)).lead for c in (0.49, 0.51)] == [Foot.LEFT, Foot.RIGHT]
    styles = [random_player(Ends(LOW, c)).style for c in (0.29, 0.31)]
    assert styles == [Style.REVERSE, Style.FRONT_FOOT]
    assert random_player(Ends(HIGH)).body_seed == 2**31 - 1


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("mass_kg", 15.0, 250.0),
        ("midfoot_share_left", 0.0, 0.35),
        ("midfoot_share_right", 0.0, 0.35),
        ("left_share", 0.3, 0.7),
        ("front_balance", 0.2, 0.6),
        ("toe_share", 0.0, 0.4),
        ("walk_speed_m_s", 0.3, 2.5),
        ("asymmetry", -0.3, 0.3),
    ],
)
def test_no_player_is_made_that_no_body_is_like(name, low, high):
    def of(value: float) -> Player:
        changed: dict[str, Any] = {name: value}
        return Player(**changed)

    for value in (low, high):
        assert getattr(of(value), name) == value
    for value in (low - 0.001, high + 0.001, float("nan")):
        with pytest.raises(SignalError, match=f"{name} is .*, expected {low} to {high}"):
            of(value)


def test_a_player_unlike_any_other_is_that_of_the_published_means():
    """Midfoot 8 %, sway 5 mm, tempo 3; the rest ours (sources in the class)."""
    player = Player()
    assert player.midfoot_share_left == player.midfoot_share_right == 0.08
    assert (player.sway_mm, player.tempo, player.left_share) == (5.0, 3.0, 0.5)
    assert (player.mass_kg, player.walk_speed_m_s, player.front_balance) == (80.0, 1.3, 0.35)
    assert (player.toe_share, player.walk_midfoot, player.backswing_s) == (0.125, 1.15, 0.85)
    assert (player.asymmetry, player.body_seed) == (0.0, 0)
    assert player.weight_n == pytest.approx(784.532)  # 80 kg × 9.80665 m/s²
    assert player.contact_n == pytest.approx(39.2266)
    assert Player(mass_kg=30.0).contact_n == 20.0  # of these 5 % are 14.7 N


@pytest.mark.parametrize(
    ("good", "bad", "said"),
    [
        ({"hysteresis": 0.0}, {"hysteresis": -0.01}, "hysteresis is -0.01, expected 0 to 0.5"),
        ({"hysteresis": 0.5}, {"hysteresis": 0.51}, "hysteresis is 0.51"),
        ({"loss": 0.0}, {"loss": -0.01}, "loss is -0.01, expected 0 to below 1"),
        ({"loss": 0.99}, {"loss": 1.0}, "loss is 1.0"),
        ({"packet_frames": 1}, {"packet_frames": 0}, "0 frames in a packet, expected 1 or more"),
    ],
)
def test_no_sensor_is_made_that_cannot_be(good, bad, said):
    (name,) = good
    assert getattr(SensorModel(**good), name) == good[name]
    with pytest.raises(SignalError, match=said):
        SensorModel(**bad)


def test_a_usual_sensor_has_its_stated_faults():
    made = SensorModel()
    assert (made.gain_left, made.gain_right, made.gain_spread) == (1.0, 1.0, 0.0)
    assert (made.hysteresis, made.drift_n, made.lacing_n) == (0.10, 5.0, 0.0)
    assert (made.noise_kpa, made.dead_kpa, made.step_kpa) == (0.5, 2.0, 0.2)
    assert (made.saturation_kpa, made.loss, made.packet_frames) == (800.0, 0.0, 2)
    clean = SensorModel.clean()
    assert clean == SensorModel(1, 1, 0, 0, 0, 0, 0, 0, np.inf, 0, 0, 2)


# ---- sessions ----


def test_a_session_is_drawn_with_stands_walks_and_swings():
    assert random_session(Ends(LOW)).segments == (
        Stand(12.0),
        OneLeg(Foot.LEFT, 3.0),
        OneLeg(Foot.RIGHT, 3.0),
        Walk(14, 0.7, turn_after=4),
        Stand(2.0),
        *[Swing()] * 4,
        Stand(2.0),
        Walk(14),
        Stand(3.0),
    )
    assert random_session(Ends(HIGH), swings=1, steps=9, stand_s=7.0).segments == (
        Stand(7.0),
        OneLeg(Foot.RIGHT, 6.0),
        OneLeg(Foot.LEFT, 6.0),
        Walk(9),
        Stand(2.0),
        Shuffle(),
        Shuffle(),
        Swing(),
        Stand(2.0),
        Walk(9),
        Stand(3.0),
    )


def test_every_second_walk_has_a_pace_of_its_own_and_a_turn_well_inside():
    def walked(coin: float, steps: int = 14) -> Walk:
        made = random_session(Ends(HIGH, coin), steps=steps).segments[3]
        assert isinstance(made, Walk)
        return made

    assert walked(0.49) == Walk(14, 1.9, turn_after=9)
    assert walked(0.51) == Walk(14)
    assert walked(0.49, steps=10) == Walk(10, 1.9, turn_after=5)
    assert walked(0.49, steps=9) == Walk(9, 1.9)
    firsts = [random_session(Ends(HIGH, c)).segments[1] for c in (0.49, 0.51)]
    assert firsts == [OneLeg(Foot.LEFT, 6.0), OneLeg(Foot.RIGHT, 6.0)]


class Nth(Ends):
    """Takes the n-th of seven kinds."""

    def __init__(self, kind: int, upper: bool) -> None:
        super().__init__(upper)
        self._kind = kind

    def integers(self, low: Any, high: Any = None, *args: Any, **kwargs: Any) -> Any:
        kinds = low if high is None else None
        return self._kind if kinds == 7 else super().integers(low, high)


def test_between_swings_anything_may_happen():
    assert [random_between(Nth(kind, LOW)) for kind in range(7)] == [
        Stand(1.0),
        Walk(2),
        Waggle(),
        HalfSwing(),
        SlowShift(),
        Bend(),
        Shuffle(),
    ]
    assert [random_between(Nth(kind, HIGH)) for kind in range(2)] == [Stand(4.0), Walk(6)]


@pytest.mark.parametrize(
    ("good", "bad", "said"),
    [
        (Stand(0.5), Stand(0.49), "segment 2: duration is 0.49 s, expected 0.5 or more"),
        (Stand(1.0), Stand(float("nan")), "segment 2: duration is nan s"),
        (OneLeg(Foot.LEFT, 0.5), OneLeg(Foot.LEFT, 0.4), "segment 2: duration is 0.4 s"),
        (Walk(2), Walk(1), "segment 2: 1 steps, expected 2 or more"),
    ],
)
def test_a_plan_is_of_movements_that_can_be_made(good, bad, said):
    assert SessionPlan((Stand(), good)).segments == (Stand(12.0), good)
    with pytest.raises(SignalError, match=said):
        SessionPlan((Stand(), bad))


def test_segments_are_what_they_are_called_for():
    assert (Stand(), OneLeg(Foot.LEFT)) == (Stand(12.0), OneLeg(Foot.LEFT, 6.0, taps=0))
    assert (Rock(), Walk()) == (Rock(True, 3), Walk(10, None, None, None))
    assert Waggle() == Waggle(None, large=False)


# ---- visits ----


@pytest.mark.parametrize(
    ("pose", "mishap", "expected"),
    [
        (Pose.LIFT_LEFT, None, OneLeg(Foot.RIGHT, 8.0)),
        (Pose.LIFT_RIGHT, None, OneLeg(Foot.LEFT, 8.0)),
        (Pose.ON_LEFT, None, OneLeg(Foot.LEFT, 8.0)),
        (Pose.ON_RIGHT, Mishap.MOVED, OneLeg(Foot.RIGHT, 8.0, taps=8)),
        (Pose.ON_RIGHT, Mishap.SHORT, OneLeg(Foot.RIGHT, 2.0)),
        (Pose.ON_RIGHT, Mishap.WRONG_FOOT, OneLeg(Foot.LEFT, 8.0)),
        (Pose.LIFT_LEFT, Mishap.WRONG_FOOT, OneLeg(Foot.LEFT, 8.0)),
        (Pose.ON_RIGHT, Mishap.TIMID, OneLeg(Foot.RIGHT, 8.0)),
        (Pose.BOTH, Mishap.WRONG_FOOT, Stand(8.0)),
        (Pose.ROCK_LENGTH, None, Rock(True)),
        (Pose.ROCK_WIDTH, None, Rock(False)),
        (Pose.ROCK_WIDTH, Mishap.TIMID, Stand(8.0)),
        (Pose.ROCK_LENGTH, Mishap.WRONG_FOOT, Rock(True)),
    ],
)
def test_a_pose_is_performed_well_or_badly(pose, mishap, expected):
    assert segment_of(pose, 8.0, mishap) == expected


def test_a_visit_is_its_poses_between_short_stands():
    poses = (Pose.LIFT_LEFT, Pose.ROCK_LENGTH)
    assert calibration_visit(poses, 5.0).segments == (
        Stand(1.0),
        OneLeg(Foot.RIGHT, 5.0),
        Rock(True),
        Stand(2.0),
    )
    assert OneLeg(Foot.RIGHT, 8.0) in calibration_visit().segments


# ---- courses ----


@pytest.mark.parametrize(
    ("shape", "quarter"),
    [
        (minimum_jerk, 0.103515625),  # 10/64 − 15/256 + 6/1024
        (half_cosine, 0.146446609),  # (1 − cos 45°) / 2
        (skewed(1.0, 2.0), 0.4375),  # 1 − (3/4)²
        (skewed(2.0, 1.0), 0.0625),  # (1/4)²
        # (1/(1 + e^{1.5}) − 1/(1 + e³)) / (1 − 2/(1 + e³))
        (logistic(6.0), 0.149146),
    ],
)
def test_a_course_goes_from_0_to_1_as_its_formula(shape, quarter):
    at = shape(np.array([0.0, 0.25, 0.5, 1.0]))
    assert at[[0, 1, 3]] == pytest.approx([0.0, quarter, 1.0], abs=1e-6)


def test_a_level_is_passed_for_good_at_its_time():
    assert time_of(skewed(2.0, 1.0), 0.25) == pytest.approx(0.5, abs=0.0006)
    assert time_of(half_cosine, 0.5) == pytest.approx(0.5, abs=0.0006)
    assert time_of(lambda u: u + 0.5, 0.25) == 0.0  # never below

    def returning(u: np.ndarray) -> np.ndarray:
        return np.where(u < 0.2, 1.0, u)

    assert time_of(returning, 0.6) == pytest.approx(0.6, abs=0.0006)


def test_a_track_adds_what_overlaps_and_keeps_what_comes_after():
    def straight(u: np.ndarray) -> np.ndarray:
        return u

    track = Track(np.arange(100) / 10.0, 1.0)
    track.to(1.0, 2.0, 3.0, straight)
    track.to(2.0, 2.0, 0.0, straight)  # begins before the one before it has ended
    assert track.values[[9, 10, 15, 20, 25, 30, 40, 99]].tolist() == pytest.approx(
        [1.0, 1.0, 1.5, 2.0, 1.75, 1.5, 0.0, 0.0]
    )
    assert track.level == 0.0
    track.bump(5.0, 2.0, 0.4)
    assert track.values[[50, 55, 60, 65, 70]].tolist() == pytest.approx([0, 0.2, 0.4, 0.2, 0])
    track.bump(8.0, 1.0, -1.0, lean=0.2)  # up in 0.2 s, back in 0.8 s
    assert track.values[[80, 81, 82, 86, 90]].tolist() == pytest.approx([0, -0.5, -1, -0.5, 0])
    assert track.level == 0.0


def test_a_normal_draw_is_kept_within_its_range():
    for upper, sds, expected in ((LOW, 9.0, 0.4), (HIGH, 9.0, 0.7), (HIGH, 1.0, 0.6)):
        assert near(Ends(upper, sds=sds), 0.5, 0.1, 0.4, 0.7) == pytest.approx(expected)


# ---- walking ----


def test_pace_gives_cadence_stance_and_the_load_s_swing():
    """Walk ratio .0065 m per step/min (from memory); stance by Kirtley et al. 1985; see walk.py."""
    assert cadence_hz(1.56) == pytest.approx(2.0)  # 1.56 / (60 × .0065) = 2²
    assert stance_share(1.0) == pytest.approx(0.607)
    assert [load_swing(v) for v in (0.5, 1.0, 1.5)] == pytest.approx([0.03, 0.07, 0.24])


@pytest.mark.parametrize("asymmetry", [-0.1, 0.0, 0.1])
def test_left_steps_are_longer_by_the_asymmetry(asymmetry):
    """A left step ends with the left foot's strike."""
    body = Body.of(Player(asymmetry=asymmetry))
    notes = walk(body, Walk(12), Ends(LOW, sds=0.0)).stances
    steps_s: dict[Foot, list[float]] = {foot: [] for foot in Foot}
    for before, after in pairwise(notes):
        steps_s[after.foot].append(after.strike_s - before.strike_s)
    left_s, right_s = np.mean(steps_s[Foot.LEFT]), np.mean(steps_s[Foot.RIGHT])
    assert left_s / right_s - 1.0 == pytest.approx(asymmetry, abs=0.006)
    assert np.mean([left_s, right_s]) == pytest.approx(1.0 / cadence_hz(0.93 * 1.3), abs=0.002)


def test_a_walk_at_a_pace_of_its_own_takes_it_and_starts_with_the_foot_it_was_told():
    for first in Foot:
        notes = walk(Body.of(Player()), Walk(8, 1.56, first), Ends(LOW, sds=0.0)).stances
        assert notes[0].foot is first
        strikes_s = [note.strike_s for note in notes]
        assert np.diff(strikes_s) == pytest.approx([0.5] * 5)  # 2 steps a second


def test_the_heel_leaves_the_ground_sooner_at_a_faster_pace():
    """By 6 % of stance for each m/s (ours)."""
    phase = np.linspace(0.0, 1.0, 401)

    def heel_off(speed: float) -> float:
        heel = Sole(Player(walk_speed_m_s=speed), Foot.LEFT).rolled(phase)[:, 0]
        return float(phase[np.flatnonzero(heel > 1e-9)[-1] + 1])

    assert 0.58 <= heel_off(1.3) <= 0.64
    assert heel_off(0.8) - heel_off(1.8) == pytest.approx(0.06, abs=0.0026)


def test_a_roll_s_truth_follows_what_the_midfoot_carried():
    """Through from 6 % of the impulse on, skipped up to 2 %."""
    rolls = set()
    for share in np.linspace(0.008, 0.075, 20):
        player = Player(midfoot_share_left=share, midfoot_share_right=share)
        for step in perform(player, SessionPlan((Walk(6),)), 100.0, 1).truth.steps:
            part = step.midfoot_impulse_share
            expected = (
                Roll.THROUGH if part >= 0.06 else Roll.SKIPPED if part <= 0.02 else Roll.UNCLEAR
            )
            assert step.roll is expected
            rolls.add(step.roll)
    assert len(rolls) == 3


def test_a_turn_s_truth_is_sharp_up_to_0_12_s():
    swings = tuple(Swing(hold_s=0.0, backswing_s=back_s) for back_s in np.linspace(0.5, 1.4, 24))
    truth = perform(Player(sway_mm=0.0), SessionPlan((Stand(1.0), *swings)), 100.0, 1).truth
    widths = [swing.trough_width_s for swing in truth.swings]
    assert min(widths) < 0.12 and sum(0.12 < w < 0.144 for w in widths) >= 2
    for swing in truth.swings:
        assert swing.trough_sharp is (swing.trough_width_s <= 0.12)


@pytest.mark.parametrize(
    ("back_s", "down_s", "is_made"),
    [
        (0.3, 0.12, True),
        (2.0, 0.8, True),
        (0.29, 0.2, False),
        (2.01, 0.5, False),
        (0.8, 0.11, False),
        (0.8, 0.81, False),
    ],
)
def test_a_swing_takes_the_time_a_body_needs(back_s, down_s, is_made):
    plan = SessionPlan((Swing(backswing_s=back_s, downswing_s=down_s),))
    if is_made:
        assert len(perform(Player(), plan, 50.0).truth.swings) == 1
        return
    with pytest.raises(SignalError, match=f"backswing {back_s} s and downswing {down_s} s"):
        perform(Player(), plan, 50.0)


# ---- sampling ----


@pytest.mark.parametrize("rate_hz", [60.0, 400.0 / 3.0, 400.0])
def test_any_rate_samples_the_same_movement(rate_hz):
    plan = SessionPlan((Stand(1.0), Bend()))
    whole = perform(Player(), plan, 400.0, 3)
    done = perform(Player(), plan, rate_hz, 3)
    assert done.t_s == pytest.approx(np.arange(len(done.t_s)) / rate_hz)
    assert whole.t_s[-1] - 1.0 / rate_hz < done.t_s[-1] <= whole.t_s[-1]
    for one, other in ((done.left_n, whole.left_n), (done.right_n, whole.right_n)):
        expected = [np.interp(done.t_s, whole.t_s, column) for column in other.T]
        np.testing.assert_allclose(one.T, expected)
    assert done.segments_s == (0.0, 1.0)


@pytest.mark.parametrize("rate_hz", [0.9, 400.1])
def test_a_rate_that_no_body_is_sampled_at_is_refused(rate_hz):
    with pytest.raises(SignalError, match=f"rate is {rate_hz} Hz, expected 1 to 400 Hz"):
        perform(Player(), SessionPlan((Stand(1.0),)), rate_hz)
    assert len(perform(Player(), SessionPlan((Stand(3.0),)), 1.0).t_s) == 3
