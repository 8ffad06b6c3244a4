"""What people read of a result: an insole sees load, so no height is claimed."""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from tests.support.records import stand, step, swing

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.events import Bearing, HeelLiftState, Manner, PhaseKind, Timing
from plantigrade.halves import Halves
from plantigrade.interval import Difference
from plantigrade.limits import Limits
from plantigrade.reliability import proportion
from plantigrade.stat import Stat
from plantigrade.zones import eighteen
from plantigrade_gateway import words
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.words import CalibrationDays

EMPTY = Stat(0, None, None)
ROOMS = Path(words.__file__).resolve().parent
HEIGHT = re.compile(
    r"heels? (?:is |was |stays |stayed |went )?(?:lift(?:ed|s)?\b|up\b|down\b)", re.I
)


@pytest.mark.parametrize(
    ("state", "duration_s", "said"),
    [
        (HeelLiftState.LIFTED, 0.6, "unloaded 0.6 s"),
        (HeelLiftState.LIFTED, None, "unloaded"),
        (HeelLiftState.DOWN, None, "loaded"),
        (HeelLiftState.UNCLEAR, None, "unclear"),
    ],
)
def test_of_the_heel_people_read_load(state, duration_s, said):
    event = swing(700)
    lift = replace(event.heel_lift, state=state, duration_s=duration_s)
    assert words.heel_lift(lift) == said
    assert f"lead heel {said};" in words.swing(replace(event, heel_lift=lift))


def test_a_heel_that_returned_and_one_that_never_left_are_told_apart():
    returned, never_left = words.PHASES[PhaseKind.HEEL_RETURNED], words.HEEL[HeelLiftState.DOWN]
    assert (returned, never_left) == ("lead heel returned", "loaded")
    assert words.PHASES[PhaseKind.HEEL_LIFTED] == "lead heel unloaded"


def test_nothing_people_read_says_that_a_heel_is_up_or_down(tmp_path):
    said = [*words.PHASES.values(), *words.HEEL.values()]
    for drill in shelf(tmp_path / "store").drills.values():
        said += [drill.title, drill.goal, drill.target.counts]
    for path in (*ROOMS.glob("web/templates/*.html"), *ROOMS.glob("web/static/*.js")):
        lines = path.read_text("utf-8").splitlines()
        said += [line for line in lines if not line.lstrip().startswith(("//", "*", "/*"))]
    assert [text for text in said if HEIGHT.search(text)] == []
    assert HEIGHT.search("lead heel lifted") and HEIGHT.search('"heel down"')


@pytest.mark.parametrize("kind", Bearing)
def test_a_stand_says_each_foot_s_bearing(kind):
    event = stand(900)
    said = words.stand(replace(event, left=replace(event.left, bearing=kind)))
    assert f"({kind})" in said


@pytest.mark.parametrize(
    ("manner", "timing", "said"),
    [
        (Manner.ROLLED, Timing.WITH_SHIFT, "rolled, with shift"),
        (Manner.ROLLED, Timing.UNCLEAR, "rolled, timing unclear"),
        (Manner.SKIPPED, Timing.EARLY, "skipped, early"),
        (Manner.HELD, Timing.UNCLEAR, "held"),
        (Manner.HELD, Timing.EARLY, "held, early"),
        (Manner.UNCLEAR, Timing.UNCLEAR, "unclear"),
        (Manner.UNCLEAR, Timing.EARLY, "unclear, early"),
    ],
)
def test_a_push_is_its_manner_and_its_timing(manner, timing, said):
    assert words.push(replace(swing(700).push, manner=manner, timing=timing)) == said


@pytest.mark.parametrize(
    ("found", "digits", "scale", "said"),
    [
        (Stat(3, 0.664, 0.021), 2, 1.0, "0.66 ± 0.02 (3)"),
        (Stat(104, 0.664, 0.021), 1, 100.0, "66.4 ± 2.1 (104)"),
        (Stat(1, -0.0001, None), 2, 1.0, "0.00 (1)"),
        (Stat(0, None, None), 2, 1.0, "–"),
    ],
)
def test_a_mean_with_its_spread(found, digits, scale, said):
    assert words.spread(found, digits, scale) == said


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (None, "–"),
        (Difference(0.05, -0.01, 0.11, 9.0), "+0.05 (-0.01 to +0.11)"),
        (Difference(0.05, None, 0.11, None), "+0.05"),
        (Difference(0.05, -0.01, None, None), "+0.05"),
        (Difference(-0.001, None, None, None), "+0.00"),
    ],
)
def test_a_difference_with_its_interval(found, said):
    assert words.difference(found) == said


def test_halves_and_proportions():
    """± half of the interval is from the value to its upper end."""
    more = Halves(EMPTY, EMPTY, Difference(0.12, -0.18, 0.42, 9.0))
    assert words.halves(more) == "+0.12 ± 0.30" and words.halves(more, 0, 100.0) == "+12 ± 30"
    assert words.halves(Halves(EMPTY, EMPTY, Difference(0.12, None, None, None))) == "+0.12"
    assert words.halves(Halves(EMPTY, EMPTY, None)) == "–"
    # Wilson's interval of 7 of 11, worked by hand: 35.4 to 84.8 %
    assert words.proportion(proportion(7, 11)) == "7 of 11 (35–85)"
    assert words.proportion(proportion(0, 0)) == "–"
    assert words.count_of(proportion(7, 11)) == "7 of 11"


@pytest.mark.parametrize(
    ("value", "error", "least", "said"),
    [
        (0.09, 0.01, None, "0.09 ± 0.01 s"),
        (0.09, 0.001, None, "0.09 ± 0.01 s"),  # an error is never shown as 0
        (0.09, 0.026, 0.02, "0.09 ± 0.03 s"),
        (0.02, 0.01, 0.02, "≤ 0.02 s"),
        (0.01, 0.01, 0.02, "≤ 0.02 s"),
        (0.09, None, None, "0.09 s"),
        (None, 0.01, 0.02, "–"),
    ],
)
def test_one_number_with_its_sampling_error(value, error, least, said):
    assert words.single(value, error, 2, " s", least) == said


def test_times_of_one_swing_are_known_to_a_sample():
    """At 100 Hz 0.01 s; a transfer of two samples or less is not told from a jump."""
    push = swing(700).push
    assert words.between(0.5, 100.0) == "0.50 ± 0.01 s"
    assert words.between(0.5, None) == "0.50 s"
    assert words.transfer(replace(push, transfer_s=0.02), 100.0) == "≤ 0.02 s"
    assert words.transfer(replace(push, transfer_s=0.12), 100.0) == "0.12 ± 0.01 s"
    assert words.transfer(replace(push, transfer_s=0.02), None) == "0.02 s"
    assert words.load_tempo(swing(700), None) == "2.4"


@pytest.mark.parametrize(
    ("said", "days"),
    [
        ("never calibrated", CalibrationDays()),
        ("calibrated 2026-03-01, good", CalibrationDays(date(2026, 3, 1))),
        (
            "calibrated 2026-03-01; check of 2026-03-02 passed",
            CalibrationDays(date(2026, 3, 1), date(2026, 3, 2), True),
        ),
        (
            "calibrated 2026-03-01; check of 2026-03-02 warned",
            CalibrationDays(date(2026, 3, 1), date(2026, 3, 2), False),
        ),
        ("check of 2026-03-02 passed", CalibrationDays(None, date(2026, 3, 2), True)),
    ],
)
def test_the_days_of_a_calibration(said, days):
    assert words.calibration_days(said) == days


@pytest.mark.parametrize(
    ("left", "right", "said"),
    [
        ("never calibrated", "never calibrated", "never calibrated"),
        ("never calibrated", "calibrated 2026-03-01", "left never calibrated"),
        (None, "never calibrated", "right never calibrated"),
        ("calibrated 2026-03-01", None, ""),
    ],
)
def test_which_feet_were_never_calibrated(left, right, said):
    assert words.uncalibrated({Foot.LEFT: left, Foot.RIGHT: right}) == said


def test_a_calibration_in_words():
    assert words.calibration(default_calibration(eighteen(), Foot.LEFT)) == "never calibrated"
    noted = replace(default_calibration(eighteen(), Foot.LEFT), note="bench, 2026-03-01")
    assert words.calibration(noted) == "bench, 2026-03-01"


def test_what_is_decided_by_at_the_defaults_and_where_a_limit_was_set():
    """By the defaults of the table of limits (`hardware_notes`); the numbers are written here."""
    said = words.decided_by(Limits(), 21.8)
    assert said == {
        "bearing": "by the midfoot's share of the foot's load: none under 3 %, slight under 6 %, "
        "bearing under 18 %, else broad; unclear where twice the midfoot's floor more is another "
        "class; moved: CoP sways by over 10 mm RMS",
        "roll": "through: midfoot impulse 5 % or more and centres in order; skipped: under 2.5 %",
        "lead heel": "unloaded: under 22 N (3 % of body weight or twice its floor) for 60 ms, "
        "while the foot carries 8 % of body weight, 80 % of it on forefoot and toes; back in "
        "time: by 0.05 s after the lead share regains its address level",
        "push": "rolled: transfer 0.2 or more of shift to lead peak, else skipped; held: CoP "
        "travels under 0.15 of the foot's length; good: rolled with the shift, begun at or behind "
        "0.4; trail heel loaded: 50 % of its foot's load at the trail peak, and 10 points more "
        "than at address",
    }
    changed = words.decided_by(replace(Limits(), push_rolled=0.25, address_s=0.75), 21.8)
    assert changed["set"] == "address_s 0.75 in place of 0.5 s; push_rolled 0.25 in place of " + (
        "0.2 shift time"
    )


def test_events_in_words():
    assert words.step(step(100)) == "left foot, stance 0.65 s, roll through"
    gap = replace(step(100), touches_gap=True, stance_s=None)
    assert words.step(gap) == "left foot, stance –, roll through, touches a gap"
    told = words.swing(replace(swing(700), touches_gap=True), 100.0)
    assert told.endswith("; touches a gap") and not words.swing(swing(700)).endswith("gap")
    assert words.fact("full.push_good") == "good push at full"
    assert words.fact("kept.returns") == "return to the trail foot on another day"
    assert words.fact("no data: flag.red, full_fast.travel") == (
        "no data: red flag, front-to-back travel, full to fast"
    )
    assert words.fact("club.speed_steady") == "club speed steady"
    assert words.fact("heel_and_ball") == "heel and ball"
    assert words.fact("0.5 of a.b") == "0.5 of a b"
    assert words.wrong_hand("right", "right", "Ann") == ""
    assert words.wrong_hand("right", "left", "Ann") == (
        "The recording is of a right-handed player, Ann is registered as left-handed: the "
        "recording keeps its own lead foot, and its swings count on no sheet, comparison or page "
        "of the player."
    )
    assert words.hand_changed("right", "left") == (
        "The player is registered as left-handed now, and this session goes on as of a "
        "right-handed one: its swings count on no sheet, comparison or page of the player. End it "
        "and begin a new one: Stop, then Record."
    )
