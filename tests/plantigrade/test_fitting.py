"""Fitting a calibration: truth recovered, each refusal with its sentence, cuts without effect."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.posing import (
    GAINS,
    LAYOUT,
    LEFT,
    RIGHT,
    SENSOR,
    Posing,
    Start,
    held,
    never,
    posing,
    refused,
    run,
    taken,
)

from plantigrade.block import Foot
from plantigrade.calibrate import DEFAULT_TOP_KPA, FULL_SCALE
from plantigrade.evidence import FootFit
from plantigrade.fitting import CHECK, FITTING, Asked, Fitting, Refused, Taken
from plantigrade.poses import Flaw, Pose, Trouble
from plantigrade.synth import Mishap, Player, SensorModel, StuckZone, random_player

pytestmark = pytest.mark.dear

BW_N = Player().weight_n


def fit(posed: Posing, poses: tuple[Pose, ...] = FITTING, start: Start | None = None) -> Fitting:
    fitting = Fitting(LAYOUT, start or never(), posed.player.weight_n, poses=poses)
    run(fitting, posed)
    return fitting


@pytest.fixture(scope="module")
def posed() -> Posing:
    return posing()


@pytest.fixture(scope="module")
def fits(posed: Posing) -> dict[Foot, FootFit]:
    fitting = fit(posed)
    assert fitting.done
    return fitting.result()


def test_a_visit_done_well_is_taken_pose_by_pose(posed):
    fitting = Fitting(LAYOUT, never(), BW_N)
    steps = run(fitting, posed)
    assert taken(steps) == list(FITTING)
    assert refused(steps) == [] and fitting.done
    asked = [step for step in steps if isinstance(step, Asked)]
    assert [(a.pose, a.number, a.of) for a in asked] == [
        (pose, k, 9) for k, pose in enumerate(FITTING, 1)
    ]
    for step in held(steps):
        assert step.held_s >= 0.0 and step.need_s == 5.0


def test_each_foots_gain_is_found_within_three_percent(fits):
    for foot in Foot:
        assert fits[foot].calibration.gain * GAINS[foot] == pytest.approx(1.0, abs=0.03)
        assert fits[foot].gain_percent is not None and fits[foot].gain_percent < 2.0
        assert fits[foot].notes == ()


def test_gains_of_many_players_are_found_within_five_percent():
    """Hysteresis of 10 % is part of it: it is what makes most of the error."""
    errors = []
    for seed in range(3):
        player = random_player(np.random.default_rng([31, seed]))
        sensor = replace(SENSOR, noise_kpa=0.8, gain_spread=0.03)
        poses = (*FITTING[:5], Pose.ROCK_WIDTH)
        fitting = fit(posing(poses, sensor=sensor, player=player, seed=seed), poses)
        assert fitting.done, player
        for foot, found in fitting.result().items():
            errors.append(found.calibration.gain * GAINS[foot] - 1.0)
    assert np.abs(errors).max() < 0.05


def test_each_zones_zero_is_what_it_reads_in_the_air(posed, fits):
    """While the other foot stands: seconds 4 to 8 of the first two poses."""
    for foot, begin_s in ((LEFT, 4.0), (RIGHT, 15.5)):
        air = (posed.t_s > begin_s) & (posed.t_s < begin_s + 3.0)
        truth = posed.counts[foot][air].mean(axis=0)
        assert fits[foot].calibration.zero == pytest.approx(truth, abs=3.0)
        assert truth.mean() > 5.0  # the laces' part: there is something to take off
        assert fits[foot].zero_percent < 1.0
        assert abs(fits[foot].air_n) < 10.0


def test_curves_and_foot_stay_what_they_were(fits):
    for foot, found in fits.items():
        start = never()[foot]
        assert found.calibration.foot is foot
        assert np.array_equal(found.calibration.pressure, start.pressure)
        assert np.array_equal(found.calibration.knots, start.knots)


# ---- the law of chunks ----


@pytest.mark.parametrize("seed", [0, 1])
def test_how_samples_are_cut_changes_nothing(posed, fits, seed):
    """Each foot's samples in order, the feet kept within half a second of each other."""
    rng = np.random.default_rng(seed)
    fitting, whole = Fitting(LAYOUT, never(), BW_N), Fitting(LAYOUT, never(), BW_N)
    at, steps = {foot: 0 for foot in Foot}, []
    while min(at.values()) < len(posed.t_s):
        foot = LEFT if at[LEFT] <= at[RIGHT] else RIGHT
        to = at[foot] + int(rng.integers(1, 50 if seed else 3))
        part = slice(at[foot], to)
        steps += fitting.push(foot, posed.t_s[part], posed.counts[foot][part])
        at[foot] = to
    assert steps == run(whole, posed, 25)
    for foot, found in fitting.result().items():
        assert found.calibration.to_json() == fits[foot].calibration.to_json()
        assert (found.gain_percent, found.zero_percent, found.air_n) == (
            fits[foot].gain_percent,
            fits[foot].zero_percent,
            fits[foot].air_n,
        )


def test_input_is_left_alone_and_nothing_follows_the_end(posed):
    counts = posed.counts[LEFT][:100].copy()
    fitting = fit(posed)
    assert fitting.push(LEFT, posed.t_s[:100] + 1000.0, counts) == []
    assert np.array_equal(counts, posed.counts[LEFT][:100])


# ---- refusals ----


def only(poses: tuple[Pose, ...], mishap: Mishap | None = None, **options: object) -> Refused:
    """Repeat poses that go wrong until the first refusal."""
    posed = posing(poses * (6 // len(poses)), mishap, **options)
    fitting = Fitting(LAYOUT, never(), posed.player.weight_n, poses=poses)
    steps = run(fitting, posed)
    assert not fitting.done
    return refused(steps)[0]


LIFT, STAND = (Pose.LIFT_LEFT,), (Pose.ON_LEFT,)


def test_a_lifted_foot_that_touches_the_ground_is_refused():
    why = only(LIFT, Mishap.MOVED).trouble
    assert why.flaw in (Flaw.MOVED, Flaw.SHORT)
    assert "left foot: zone" in why.text and "moved while zeroing, hold the foot still" in why.text


def test_a_stand_with_the_other_foot_helping_is_refused():
    why = only(STAND, Mishap.MOVED).trouble
    assert "the right foot still carries" in why.text and "expected less than" in why.text


def test_a_pose_given_up_too_soon_is_refused():
    why = only(LIFT, Mishap.SHORT).trouble
    assert why.flaw is Flaw.SHORT
    assert why.text.startswith("too short: good for 2") and "5 s are needed" in why.text


@pytest.mark.parametrize(
    ("poses", "sentence"),
    [
        (LIFT, "the right insole was in the air when you were asked to lift the left foot"),
        (STAND, "the right insole stood when you were asked to stand on the left foot"),
    ],
)
def test_the_other_foot_is_refused_as_exchanged(poses, sentence):
    why = only(poses, Mishap.WRONG_FOOT).trouble
    assert why.flaw is Flaw.SWAPPED
    assert why.text.startswith(sentence) and "the insoles are exchanged" in why.text


def test_exchanged_insoles_look_the_same_as_the_other_foot():
    fitting = Fitting(LAYOUT, never(), BW_N, poses=LIFT)
    why = refused(run(fitting, posing(LIFT * 6).swapped()))[0].trouble
    assert why.flaw is Flaw.SWAPPED


@pytest.mark.parametrize("poses", [LIFT, STAND, (Pose.BOTH,), (Pose.ROCK_WIDTH,)])
def test_a_zone_at_full_scale_is_refused(poses):
    stuck = (StuckZone(RIGHT, 3, DEFAULT_TOP_KPA),)
    why = only(poses, sensor=replace(SENSOR, stuck=stuck)).trouble
    assert (why.flaw, why.foot) == (Flaw.SATURATED, RIGHT)
    assert why.text.startswith("right insole: zone 4 reads full scale")


def test_a_zone_that_never_carries_load_is_refused_by_name():
    stuck = (StuckZone(LEFT, 11, 0.0), StuckZone(LEFT, 13, 0.0))
    poses = (Pose.ROCK_LENGTH, Pose.ROCK_WIDTH)
    why = only(poses, sensor=replace(SENSOR, stuck=stuck)).trouble
    assert (why.flaw, why.foot) == (Flaw.DEAD, LEFT)
    assert why.text.startswith("left insole: zones 12, 14 never carried load")


def test_a_foot_that_bears_on_no_midfoot_has_no_dead_zones():
    arched = Player(midfoot_share_left=0.0, midfoot_share_right=0.0)
    poses = (Pose.ROCK_LENGTH, Pose.ROCK_WIDTH)
    assert fit(posing(poses, player=arched), poses).done


def test_a_toe_end_that_nothing_reaches_is_said_and_not_taken_for_dead():
    """A foot that is shorter than its insole, or an insole that is too long."""
    stuck = (StuckZone(RIGHT, 15, 0.0), StuckZone(RIGHT, 16, 0.0))
    poses = (Pose.ROCK_LENGTH, Pose.ROCK_WIDTH)
    fitting = fit(posing(poses, sensor=replace(SENSOR, stuck=stuck)), poses)
    assert fitting.done
    found = fitting.result()
    assert found[LEFT].notes == ()
    (note,) = found[RIGHT].notes
    assert note.startswith("right insole: its toe end never carries load; too long for this foot")


@pytest.mark.parametrize(
    ("pose", "sentence"),
    [
        (Pose.ROCK_LENGTH, "of its length, expected from 0.30 to 0.60: rock further"),
        (Pose.ROCK_WIDTH, "of its width, expected a way of 0.08: rock further onto the edges"),
    ],
)
def test_rocking_too_little_is_refused(pose, sentence):
    why = only((pose,), Mishap.TIMID).trouble
    assert why.flaw is Flaw.RANGE
    assert "foot's CoP went from 0." in why.text and sentence in why.text


@pytest.mark.parametrize("mass_kg", [25.0, 80.0, 120.0])
def test_standing_is_not_taken_for_a_foot_in_the_air(mass_kg):
    player = Player(mass_kg=mass_kg)
    posed = posing((Pose.BOTH,) * 6, player=player)
    fitting = Fitting(LAYOUT, never(), player.weight_n, poses=LIFT)
    why = refused(run(fitting, posed))[0].trouble
    assert why.flaw is Flaw.PRESSED
    assert why.text.startswith("the left foot is not in the air: it reads")


@pytest.mark.parametrize("factor", [0.3, 3.5])
def test_a_mass_that_cannot_be_is_refused(factor):
    posed = posing(STAND * 6)
    fitting = Fitting(LAYOUT, never(), factor * BW_N, poses=STAND)
    why = refused(run(fitting, posed))[0].trouble
    assert why.flaw is Flaw.WEIGHT
    assert "check the mass and which foot stood" in why.text


def test_a_zero_taken_with_load_on_it_shows_when_the_foot_is_lifted():
    loaded = never()
    loaded[RIGHT] = replace(loaded[RIGHT], zero=np.full(18, 100.0))
    fitting = Fitting(LAYOUT, loaded, BW_N, poses=STAND)
    why = refused(run(fitting, posing(STAND * 6)))[0].trouble
    assert why.flaw is Flaw.PRESSED
    assert "its zero was taken while it carried load, begin again" in why.text


def test_two_stands_that_differ_are_refused():
    """The second stand reads a fifth less: the player holds on to something."""
    posed = posing(STAND * 6)
    half = posed.t_s > 12.0
    counts = posed.counts[LEFT].copy()
    counts[half] = (counts[half] * 0.84).astype(np.uint16)
    posed = replace(posed, counts={**posed.counts, LEFT: counts})
    fitting = Fitting(LAYOUT, never(), BW_N, poses=STAND * 2)
    steps = run(fitting, posed)
    assert taken(steps) == list(STAND)
    text = refused(steps)[0].trouble.text
    assert "left foot: this stand reads 8" in text and "% of the one before" in text


def test_an_insole_that_falls_silent_is_named_and_the_pose_goes_on_when_it_is_back():
    posed = posing((Pose.BOTH,), hold_s=60.0)
    fitting = Fitting(LAYOUT, never(), BW_N, poses=(Pose.BOTH,))
    steps = []
    for at in range(0, len(posed.t_s), 10):
        part, t = slice(at, at + 10), posed.t_s[at]
        for foot in Foot:
            if foot is LEFT or not 3.0 < t < 40.0:
                steps += fitting.push(foot, posed.t_s[part], posed.counts[foot][part])
    (why,) = refused(steps)
    assert why.trouble.flaw in (Flaw.GAP, Flaw.SHORT) and why.trouble.foot is RIGHT
    assert "no data came from the right insole: is it on, charged and near?" in why.trouble.text
    assert fitting.done


def test_missing_samples_break_a_pose():
    posed = posing((Pose.BOTH,), hold_s=40.0)
    fitting = Fitting(LAYOUT, never(), BW_N, poses=(Pose.BOTH,))
    steps = []
    for at in range(0, len(posed.t_s), 20):
        if at % 200 in (0, 20):  # 400 ms of every 2 s are missing
            continue
        part = slice(at, at + 20)
        for foot in Foot:
            steps += fitting.push(foot, posed.t_s[part], posed.counts[foot][part])
    assert not fitting.done
    why = refused(steps)[0].trouble
    assert "samples of the left insole are missing: bring it nearer" in why.text


def test_a_refused_pose_is_asked_for_again_and_can_be_taken():
    bad, good = posing(LIFT * 3, Mishap.WRONG_FOOT), posing(LIFT)
    both = Posing(
        bad.player,
        np.concatenate((bad.t_s, bad.t_s[-1] + 0.01 + good.t_s)),
        {foot: np.concatenate((bad.counts[foot], good.counts[foot])) for foot in Foot},
    )
    fitting = Fitting(LAYOUT, never(), BW_N, poses=LIFT)
    steps = [s for s in run(fitting, both) if isinstance(s, Asked | Taken | Refused)]
    assert [type(s) for s in steps] == [Asked, Refused, Asked, Taken]


# ---- the daily check ----


@pytest.fixture(scope="module")
def stored(fits: dict[Foot, FootFit]) -> Start:
    return {foot: found.calibration for foot, found in fits.items()}


def checked(
    start: Start, sensor: SensorModel = SENSOR, bw_n: float | None = BW_N, seed: int = 2
) -> dict[Foot, FootFit]:
    fitting = Fitting(LAYOUT, start, bw_n, is_check=True)
    posed = posing((*CHECK, *CHECK[-1:]), sensor=sensor, seed=seed)  # rocks on while a zone is dead
    steps = run(fitting, posed)
    assert taken(steps) == list(CHECK) and fitting.done
    return fitting.result()


def test_a_check_of_the_same_insoles_passes_within_a_minute(stored):
    fitting = Fitting(LAYOUT, stored, BW_N, is_check=True)
    posed = posing(CHECK, seed=2, hold_s=5.0)
    run(fitting, posed)
    assert fitting.done and posed.t_s[-1] < 60.0
    for foot, found in fitting.result().items():
        assert found.notes == () and found.calibration is stored[foot]
        assert found.gain_percent is not None and abs(found.gain_percent) < 5.0


def test_a_check_warns_of_a_gain_that_has_changed(stored):
    found = checked(stored, replace(SENSOR, gain_left=0.65))
    assert found[RIGHT].notes == ()
    (note,) = found[LEFT].notes
    assert note.startswith("left foot: on one leg it reads 6") and "785 N body weight" in note
    assert found[LEFT].gain_percent == pytest.approx(-18.0, abs=3.0)


def test_without_a_mass_a_check_holds_left_against_right(stored):
    assert [f.notes for f in checked(stored, bw_n=None).values()] == [(), ()]
    found = checked(stored, replace(SENSOR, gain_left=0.65), bw_n=None)
    assert found[LEFT].notes == () and found[LEFT].gain_percent is None
    (note,) = found[RIGHT].notes
    assert note.startswith("right foot: on one leg it reads 2") and "more than the left" in note


def test_a_check_warns_of_laces_that_press(stored):
    found = checked(stored, replace(SENSOR, lacing_n=40.0))
    for foot in Foot:
        (note,) = found[foot].notes
        assert note.startswith(f"{foot} foot: it reads ") and note.endswith("N in the air")
        assert found[foot].air_n == pytest.approx(25.0 * found[foot].calibration.gain, abs=8.0)


def test_a_check_warns_of_dead_and_saturated_zones_and_goes_on(stored):
    dead = checked(stored, replace(SENSOR, stuck=(StuckZone(LEFT, 11, 0.0),)))
    assert any("zone 12 never carried load" in note for note in dead[LEFT].notes)
    assert not any("zone" in note for note in dead[RIGHT].notes)


def test_full_scale_is_kept_as_the_last_count(stored):
    """Counts over full scale come from no converter; they count as full scale."""
    fitting = Fitting(LAYOUT, stored, BW_N, is_check=True, poses=(Pose.BOTH,))
    t_s = np.arange(1600) / 100.0
    counts = np.full((1600, 18), FULL_SCALE + 1000, np.uint16)
    steps = []
    for at in range(0, 1600, 50):
        for foot in Foot:
            steps += fitting.push(foot, t_s[at : at + 50], counts[:50])
    (done,) = [s for s in steps if isinstance(s, Taken)]
    assert done.note.startswith("left insole: zone 1 reads full scale")
    assert fitting.result()[LEFT].notes == (done.note,)


# ---- the reason of a refusal ----


def reason(*pieces: tuple[int, Flaw]) -> str:
    """What is said where each flaw came in so many pieces of half a second, one after another."""
    fitting = Fitting(LAYOUT, never(), BW_N, poses=LIFT)
    steps = []
    for n, flaw in pieces:
        for _ in range(n):
            steps += fitting._judge(Trouble(flaw, f"it was {flaw.name}", LEFT))
    (why,) = refused(steps)
    return why.trouble.text


@pytest.mark.parametrize(
    ("pieces", "said"),
    [
        (((31, Flaw.GAP), (29, Flaw.PRESSED)), "GAP"),  # what was seen most
        (((29, Flaw.GAP), (31, Flaw.PRESSED)), "PRESSED"),
        (((31, Flaw.PRESSED), (29, Flaw.GAP)), "PRESSED"),
        (((30, Flaw.PRESSED), (30, Flaw.GAP)), "GAP"),  # of two as often the later
        # four pieces of what is the matter in the pose say more, three are the way into it
        (((4, Flaw.MOVED), (56, Flaw.PRESSED)), "MOVED"),
        (((3, Flaw.MOVED), (57, Flaw.PRESSED)), "PRESSED"),
        (((4, Flaw.MOVED), (52, Flaw.PRESSED), (4, Flaw.WEIGHT)), "WEIGHT"),
        (((4, Flaw.WEIGHT), (52, Flaw.PRESSED), (4, Flaw.MOVED)), "WEIGHT"),
        (((4, Flaw.MOVED), (52, Flaw.PRESSED), (4, Flaw.RANGE)), "RANGE"),
        (((4, Flaw.GAP), (56, Flaw.PRESSED)), "PRESSED"),
        # a fault of the insole's that is there at the end
        (((59, Flaw.PRESSED), (1, Flaw.SATURATED)), "SATURATED"),
        (((1, Flaw.DEAD), (59, Flaw.PRESSED)), "PRESSED"),
        # seen again later it is the last
        (((1, Flaw.DEAD), (58, Flaw.PRESSED), (1, Flaw.DEAD)), "DEAD"),
    ],
)
def test_a_refusal_says_what_is_the_matter_in_the_pose_or_was_seen_most(pieces, said):
    assert reason(*pieces) == f"it was {said}"
