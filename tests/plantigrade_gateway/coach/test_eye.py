"""The coach's eye against the program. All people are invented; the sources are from memory."""

import dataclasses
from datetime import UTC, datetime

import pytest
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint
from tests.support import records

from plantigrade.events import HeelLiftState, Manner, Swing, Timing
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.coach.case import SwingNote, Tap, Visit
from plantigrade_gateway.coach.eye import agreement, kappa_of, program_says, was_tapped

Counts = tuple[tuple[int, int], tuple[int, int]]


@pytest.mark.parametrize(
    ("counts", "kappa"),
    [
        # Two clinicians on the relevance of lateral shift: Sim & Wright 2005, Phys Ther
        # 85:257-268, table 1, kappa .67 (from memory).
        (((22, 2), (4, 11)), 0.67),
        # Two residents on the usefulness of lectures: Viera & Garrett 2005, Fam Med 37:360-363,
        # kappa .57 (from memory).
        (((15, 5), (10, 70)), 0.57),
    ],
)
def test_kappa_of_published_examples(counts: Counts, kappa: float):
    found = kappa_of(counts)
    assert found is not None and round(found, 2) == kappa
    assert found == pytest.approx(cohens_kappa([list(row) for row in counts]).kappa)


def test_kappa_where_chance_alone_agrees_always_is_none():
    assert kappa_of(((40, 0), (0, 0))) is None and kappa_of(((0, 0), (0, 0))) is None


def swing(good: bool | None, lifted: HeelLiftState = HeelLiftState.LIFTED) -> Swing:
    made = records.swing(1000)
    push = dataclasses.replace(made.push, is_good=good)
    if good is None:
        push = dataclasses.replace(push, manner=Manner.UNCLEAR, timing=Timing.UNCLEAR)
    return dataclasses.replace(
        made, push=push, heel_lift=dataclasses.replace(made.heel_lift, state=lifted)
    )


def visit(*tapped: tuple[Swing, SwingNote]) -> Visit:
    day = datetime(2026, 3, 31, 10, tzinfo=UTC)
    swings = tuple(one for one, _ in tapped)
    analysis = Analysis("test", 100.0, 600.0, (), (), swings, (), None)
    return Visit("s", day, analysis, {k: note for k, (_, note) in enumerate(tapped)})


def note(answer: str, *, is_blind: bool = True, excluded: str = "") -> SwingNote:
    return SwingNote(excluded, Tap(answer, is_blind))


def of_counts(counts: Counts) -> Visit:
    return visit(
        *(
            (swing(says == 0), note(("good", "not good")[mine]))
            for mine, row in enumerate(counts)
            for says, n in enumerate(row)
            for _ in range(n)
        )
    )


def test_the_program_s_answer_is_none_where_it_cannot_tell():
    assert [program_says("push", swing(g)) for g in (True, False, None)] == [
        "good",
        "not good",
        None,
    ]
    states = (HeelLiftState.LIFTED, HeelLiftState.DOWN, HeelLiftState.UNCLEAR)
    assert [program_says("heel", swing(True, s)) for s in states] == ["up", "down", None]


def test_an_early_push_is_known_not_to_be_good_though_its_place_is_not_known():
    """As `predicates.all_of`: what is known to fail decides."""
    made = records.swing(1000)
    push = dataclasses.replace(made.push, is_good=None, timing=Timing.EARLY, travel_from=None)
    assert program_says("push", dataclasses.replace(made, push=push)) == "not good"


def test_counts_and_agreement_with_wilson_s_interval():
    found = agreement("push", [of_counts(((22, 2), (4, 11)))])
    assert found.counts == ((22, 2), (4, 11)) and found.answers == ("good", "not good")
    assert (found.agreed.count, found.agreed.n) == (33, 39)
    low, high = proportion_confint(33, 39, method="wilson")
    assert (found.agreed.low, found.agreed.high) == pytest.approx((low, high))
    assert found.kappa is None  # 39 are fewer than 40


@pytest.mark.parametrize(
    ("counts", "is_told"),
    [
        (((23, 2), (4, 11)), True),  # 40
        (((22, 2), (4, 11)), False),  # 39
        (((31, 4), (4, 1)), True),  # each answer 5 times by both
        (((32, 3), (4, 1)), False),  # the program says "not good" four times
        (((32, 4), (3, 1)), False),  # the eye does
        (((1, 4), (4, 31)), True),
        (((1, 3), (4, 32)), False),
        (((1, 4), (3, 32)), False),
    ],
)
def test_kappa_is_told_from_forty_with_each_answer_five_times_by_both(counts, is_told):
    found = agreement("push", [of_counts(counts)])
    assert (found.kappa is not None) == is_told
    if is_told:
        expected = cohens_kappa([list(row) for row in counts]).kappa
        assert found.kappa == pytest.approx(expected)


def test_taps_after_the_answer_and_swings_left_out_are_kept_apart():
    seen = visit(
        (swing(True), note("good")),
        (swing(True), note("good", is_blind=False)),
        (swing(None), note("good")),
        (swing(True), note("not good", excluded="stepped")),
        (swing(True), SwingNote()),
        (swing(False), SwingNote(eye_heel=Tap("up", is_blind=True))),
    )
    found = agreement("push", [seen])
    assert found.counts == ((1, 0), (0, 0)) and (found.unclear, found.seen) == (1, 1)
    heel = agreement("heel", [seen, seen])
    assert heel.counts == ((2, 0), (0, 0)) and heel.answers == ("up", "down")
    nothing = agreement("push", [])
    assert nothing.agreed.n == 0 and nothing.agreed.share is None and nothing.kappa is None
    assert not was_tapped(nothing)


@pytest.mark.parametrize(
    "tapped",
    [
        (swing(True), note("good")),
        (swing(True), note("good", is_blind=False)),
        (swing(None), note("good")),
    ],
)
def test_a_tap_that_is_not_compared_is_a_tap_too(tapped):
    assert was_tapped(agreement("push", [visit(tapped)]))
    assert not was_tapped(agreement("heel", [visit(tapped)]))


def test_the_program_is_not_held_to_the_eye_where_it_looked_at_the_other_foot():
    seen = visit((swing(good=True), note("good")))
    other = dataclasses.replace(seen, is_other_hand=True)
    assert agreement("push", [seen]).counts == ((1, 0), (0, 0))
    assert agreement("push", [other]).counts == ((0, 0), (0, 0))
