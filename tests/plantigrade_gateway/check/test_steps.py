"""The table of a guided check: in order, in words to be read aloud, and done in ten minutes."""

from dataclasses import replace

from plantigrade_gateway.check import steps
from plantigrade_gateway.check.steps import FIRST_LOOK, SPEED_LOOK, usual_s
from plantigrade_gateway.record.tables import Intent


def test_a_first_look_takes_ten_minutes_at_most():
    """The insoles flat on the floor skipped, at a normal pace, every trial taken at once."""
    assert 300.0 < usual_s(FIRST_LOOK) <= 600.0


def test_how_long_a_check_takes_is_its_questions_and_each_trial_with_what_is_around_it():
    """By hand: three times 5 s to get ready, 20 s of standing and 15 s off, after the questions."""
    step = replace(FIRST_LOOK[1], times=3, lead_in_s=5.0, work_s=20.0, rest_s=15.0)
    assert usual_s((step,)) - usual_s(()) == 120.0
    assert usual_s((replace(step, skipped_with="flat"),)) == usual_s(())


def test_the_rests_are_in_it():
    """By hand: eight swings at least ten seconds apart take over 70 s, fast ones over 140 s."""
    rows = {step.name: step for step in SPEED_LOOK}
    for step in SPEED_LOOK:
        assert step.work_s >= (step.swings - 1) * step.apart_s
    assert rows["fast"].apart_s == 20.0 and rows["full"].apart_s == 10.0


def test_the_order_is_fixed():
    names = [step.name for step in SPEED_LOOK]
    assert names == [
        *("lift", "stand", "lift", "flat", "lift", "walk", "practice", "smooth", "full"),
        *("fast", "again"),
    ]
    assert SPEED_LOOK[: len(FIRST_LOOK)] == FIRST_LOOK
    together = [step.name for step in SPEED_LOOK if step.skipped_with == "flat"]
    assert together == ["lift", "flat", "lift"]
    assert {step.intent for step in SPEED_LOOK if step.intent} == set(Intent)


def test_what_is_said_is_short_and_ends_like_a_sentence():
    for step in SPEED_LOOK:
        for text in (step.said, step.then, step.between, step.ended):
            assert text == "" or text[-1] in ".?"
            assert len(text.split()) <= 20


def test_the_times_and_numbers_of_each_step():
    """Agreed on (ours); a swing takes 12 s with the time to the next, a fast one 22 s."""
    assert [
        (s.name, s.times, s.lead_in_s, s.prompt_s, s.work_s, s.rest_s, s.swings, s.apart_s)
        for s in SPEED_LOOK
    ] == [
        ("lift", 1, 4.0, 18.0, 15.0, 5.0, 0, 0.0),
        ("stand", 3, 4.0, 20.0, 20.0, 8.0, 0, 0.0),
        ("lift", 1, 4.0, 18.0, 15.0, 5.0, 0, 0.0),
        ("flat", 2, 4.0, 20.0, 20.0, 20.0, 0, 0.0),
        ("lift", 1, 4.0, 18.0, 15.0, 40.0, 0, 0.0),
        ("walk", 1, 30.0, None, 35.0, 5.0, 0, 0.0),
        ("practice", 1, 4.0, None, 72.0, 5.0, 6, 0.0),
        ("smooth", 1, 4.0, None, 96.0, 5.0, 8, 10.0),
        ("full", 1, 4.0, None, 96.0, 5.0, 8, 10.0),
        ("fast", 1, 4.0, None, 176.0, 5.0, 8, 20.0),
        ("again", 1, 4.0, None, 96.0, 5.0, 8, 10.0),
    ]
    assert (steps.STEPS_A_FOOT, steps.LEAST_STEPS) == (20, 12)
    assert (steps.SWINGS, steps.MOST_SWINGS, steps.LEAST_SWINGS) == (8, 12, 6)
    assert (steps.APART_S, steps.FAST_APART_S) == (10.0, 20.0)
    assert usual_s(()) == 45.0
