"""Which swings of a set count, when it is over, and what keeps fast swings back."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from tests.support.checking import RATE_HZ, analysed, check_of, feet_of
from tests.support.records import swing

from plantigrade.events import HeelLiftState, Manner, Swing, Timing
from plantigrade.synth import Player, Segment, Stand
from plantigrade.synth import Swing as Swings
from plantigrade_gateway.analysis.result import Analysis, SetSpan, Trial, swing_time
from plantigrade_gateway.check.swings import (
    ANSWERS,
    SetCount,
    count_of,
    count_practice,
    count_set,
    is_push_lost,
    mixed,
    no_speed,
    was_push_lost,
)
from plantigrade_gateway.check.verdict import Why

ROLLED = Swings(Manner.ROLLED, Timing.WITH_SHIFT)


def made(n: int, rest_s: float = 6.0) -> list[Segment]:
    """Swings with standing between them: each takes some 7 s by itself."""
    return [segment for _ in range(n) for segment in (Stand(rest_s), ROLLED)]


def at(times_s: Sequence[float]) -> list[Swing]:
    return [swing(round(100 * t)) for t in times_s]


def good(yes: str) -> list[Swing]:
    """Good and bad pushes, ``"yyn?"``, twelve seconds apart."""
    known = {"y": True, "n": False, "?": None}
    swings = at([12.0 * k for k in range(len(yes))])
    return [
        replace(s, push=replace(s.push, is_good=known[c])) for s, c in zip(swings, yes, strict=True)
    ]


@pytest.mark.dear
def test_eight_swings_of_a_player_who_rests_are_a_set():
    found = check_of(Player(), [*made(8), Stand(3.0)], [])
    count = count_set(found.swings, 10.0)
    assert (len(count.counted), count.made, count.is_over) == (8, 8, True)
    assert count.verdict.is_taken and count.verdict.line == "8 swings count."


@pytest.mark.dear
def test_one_who_does_not_rest_is_refused():
    hasty = replace(ROLLED, address_s=0.6, backswing_s=0.6, waggles=0)
    found = check_of(Player(), [*[hasty] * 9, Stand(3.0)], [])
    count = count_set(found.swings, 10.0)
    assert count.verdict.why is Why.FEW_SWINGS
    assert "too soon after the one before" in count.verdict.line
    assert "Wait 10 seconds between swings" in count.verdict.line


@pytest.mark.dear
def test_one_who_rests_too_little_between_fast_swings_is_refused():
    """Some 13 s apart, where 20 are asked for: only the first has waited."""
    found = check_of(Player(), [*made(7), Stand(3.0)], [])
    assert count_set(found.swings, 10.0).verdict.is_taken
    verdict = count_set(found.swings, 20.0).verdict
    assert verdict.why is Why.FEW_SWINGS and verdict.count == 1
    assert "6 too soon after the one before" in verdict.line
    assert "Wait 20 seconds between swings" in verdict.line


@pytest.mark.dear
def test_one_who_makes_too_few_is_refused():
    found = check_of(Player(), [*made(4), Stand(3.0)], [])
    count = count_set(found.swings, 10.0)
    assert count.verdict.why is Why.FEW_SWINGS and not count.is_over
    assert count.verdict.line == "4 of 6 swings count. Swing on."


@pytest.mark.dear
def test_one_who_only_stands_is_refused():
    count = count_set(check_of(Player(), [Stand(20.0)], []).swings, 10.0)
    assert count.verdict.why is Why.EMPTY


@pytest.mark.dear
def test_one_whose_insole_falls_silent_in_swings_is_refused():
    player = Player()
    t_s, left, right = feet_of(player, [*made(7), Stand(3.0)])
    whole = analysed(player, t_s, left, right, [])
    for each in whole.swings[:3]:
        assert each.shift_s is not None
        right[round((each.shift_s - 0.05) * RATE_HZ) :][:6] = np.nan
    found = analysed(player, t_s, left, right, [])
    count = count_set(found.swings, 10.0)
    assert count.verdict.why is Why.FEW_SWINGS
    assert len(count.counted) == 4
    assert "missing samples" in count.verdict.line


def test_the_first_swing_waits_for_the_one_before_the_set_too():
    before, swings = at([10.0]), at([19.0, 31.0])
    assert len(count_set(swings, 10.0, before).counted) == 1
    assert len(count_set(swings, 10.0).counted) == 2
    assert len(count_set(at([20.0, 31.0]), 10.0, before).counted) == 2


def test_fast_swings_rest_twice_as_long():
    swings = at([0.0, 15.0, 36.0])
    assert len(count_set(swings, 20.0).counted) == 2


def test_unclear_swings_do_not_count():
    swings = good("yy?yyyyy?y")
    dark = replace(swings[0].heel_lift, state=HeelLiftState.UNCLEAR)
    swings[0] = replace(swings[0], heel_lift=dark)
    count = count_set(swings, 10.0)
    assert (len(count.counted), count.made, count.is_over) == (7, 10, False)
    assert dict(count.left_out) == {"unclear": 3}


def test_twelve_are_made_at_most():
    count = count_set(good("?" * 12), 10.0)
    assert count.is_over and count.verdict.why is Why.FEW_SWINGS
    assert "12 unclear" in count.verdict.line
    assert not count_set(good("?" * 11), 10.0).is_over


@pytest.mark.parametrize(("n", "taken"), [(5, False), (6, True), (7, True)])
def test_six_are_a_set_at_least(n, taken):
    assert count_set(good("y" * n), 10.0).verdict.is_taken is taken


def test_an_empty_set_is_not_over():
    assert not SetCount((), 0).is_over


@pytest.mark.parametrize(
    ("yes", "is_mixed"),
    [
        # Wilson 1927, by the 95 % score interval, worked with z = 1.96 outside this program:
        ("yyyyyyyn", False),  # 7 of 8: .529 to .978
        ("yyyyyn", True),  # 5 of 6: .436 to .970
        ("yyyyyyyynn", True),  # 8 of 10: .490 to .943
        ("nnnnnnny", False),  # 1 of 8: .022 to .471
        ("yyyynnnn", True),
    ],
)
def test_an_answer_is_mixed_while_its_interval_holds_one_half(yes, is_mixed):
    assert ("push" in mixed(good(yes))) is is_mixed


def test_answers_that_nobody_gave_are_not_mixed():
    assert mixed(()) == ()


@pytest.mark.parametrize(
    ("yes", "lost"),
    [
        ("yynnn", True),
        ("nnnyy", True),
        ("nnyyy", False),
        ("nnnyyyy", False),
        ("n?n?n", True),
        ("nyynny", False),
    ],
)
def test_fast_swings_end_when_three_of_the_last_five_are_not_good(yes, lost):
    assert is_push_lost(good(yes)) is lost


@pytest.mark.dear
def test_practice_swings_are_counted_within_their_trial():
    found = check_of(Player(), [*made(3), Stand(3.0)], [("practice", 1.0, 25.0)])
    assert 1 <= count_practice(found.trials[0], found) < 3


def test_a_practice_swing_at_the_end_of_its_trial_is_not_of_it():
    swings = at([5.0, 12.0, 20.0])
    times = [swing_time(one) for one in swings]
    trial = Trial("practice", 1, times[0], times[2])
    assert count_practice(trial, of_sets(swings)) == 2


def test_a_set_without_a_swing_and_one_whose_swings_all_fail_are_told_apart():
    assert SetCount((), 0).verdict.why is Why.EMPTY
    few = SetCount((), 3)
    assert few.verdict.why is Why.FEW_SWINGS
    assert few.verdict.line == "0 of 6 swings count. Swing on."
    # of two reasons the one that is met more often is advised on
    both = SetCount((), 3, {"unclear": 1, "missing samples": 2})
    assert both.verdict.line == (
        "0 of 6 swings count (1 unclear; 2 missing samples). Bring the insoles nearer to the "
        "receiver, and swing the set again."
    )


NOBODY: dict[str, bool] = {"is_minor": False, "is_decided": False, "has_consent": False}


@pytest.mark.parametrize(
    ("hold", "who", "said"),
    [
        (None, {}, "questions are not answered"),
        ("pain", {}, "today: pain"),
        ("red flag", {"is_minor": True, "is_decided": True, "has_consent": True}, "red flag"),
        ("", {"is_minor": True}, "the coach decides first"),
        ("", {"is_minor": True, "is_decided": True}, "guardian"),
        ("", {"is_minor": True, "has_consent": True}, "the coach decides first"),
    ],
)
def test_fast_swings_are_refused(hold, who, said):
    refused = no_speed(hold, **{**NOBODY, **who})
    assert refused is not None and said in refused


@pytest.mark.parametrize("who", [{}, {"is_minor": True, "is_decided": True, "has_consent": True}])
def test_fast_swings_are_made_without_a_hold(who):
    assert no_speed("", **{**NOBODY, **who}) is None


def test_a_speed_block_needs_the_decision_of_everybody():
    refused = no_speed("", **NOBODY, is_block=True)
    assert refused is not None and "has not decided on speed: go" in refused
    assert no_speed("", **{**NOBODY, "is_decided": True}, is_block=True) is None


def of_sets(swings: Sequence[Swing], *spans: SetSpan) -> Analysis:
    return Analysis("by hand", 100.0, 300.0, (), (), tuple(swings), (), None, spans=spans)


@pytest.mark.parametrize(
    ("intent", "begin_s", "counted"),
    [("smooth", 0.0, 8), ("full", 0.0, 8), ("fast", 0.0, 1), ("full", 6.0, 7), ("fast", 6.0, 0)],
)
def test_a_set_s_swings_wait_ten_seconds_and_fast_ones_twenty(intent, begin_s, counted):
    """Twelve seconds apart, the first at 0 s; one before a set is waited for too."""
    found = of_sets(good("y" * 8), SetSpan("set", begin_s, 300.0, intent=intent))
    (run,) = found.sets
    assert len(count_of(run, found).counted) == counted


def test_a_set_that_begins_with_a_swing_does_not_wait_for_it():
    swings = good("yy")
    found = of_sets(swings, SetSpan("set", swing_time(swings[1]), 300.0, intent="fast"))
    assert len(count_of(found.sets[0], found).counted) == 0  # 12 s after the one before
    alone = of_sets(swings[1:], SetSpan("set", swing_time(swings[1]), 300.0, intent="fast"))
    assert len(count_of(alone.sets[0], alone).counted) == 1


def test_why_swings_do_not_count_is_said_with_how_many():
    swings = [replace(s, touches_gap=k in (1, 4)) for k, s in enumerate(good("yyyyyyy"))]
    count = count_set(swings, 10.0)
    assert dict(count.left_out) == {"missing samples": 2}
    assert count.verdict.line == (
        "5 of 6 swings count (2 missing samples). Bring the insoles nearer to the receiver, and "
        "swing the set again."
    )
    eight = [*swings, *(replace(s, first_index=9) for s in at([84.0]))]
    assert count_set(eight, 10.0).verdict.line == "6 swings count (2 missing samples)."


@pytest.mark.parametrize(
    ("intent", "yes", "lost"),
    [("fast", "yynnn", True), ("full", "yynnn", False), ("fast", "yyynn", False)],
)
def test_a_set_of_fast_swings_ends_as_the_push_is_lost(intent, yes, lost):
    swings = [
        replace(s, start_s=25.0 * k) for k, s in enumerate(good(yes))
    ]  # each has waited for long enough
    found = of_sets(swings, SetSpan("set", 0.0, 300.0, intent=intent))
    assert was_push_lost(found) is lost


@pytest.mark.parametrize(
    ("lifted", "loaded", "found"),
    [
        (8, 8, ()),
        (4, 8, ("lead heel",)),
        (0, 4, ("trail heel",)),
        (4, 4, ("lead heel", "trail heel")),
        (0, 0, ()),
    ],
)
def test_each_answer_of_a_set_may_be_mixed(lifted, loaded, found):
    """Of eight swings with good pushes: all or none tell, half do not."""
    state = {True: HeelLiftState.LIFTED, False: HeelLiftState.DOWN}
    swings = [
        replace(
            s,
            heel_lift=replace(s.heel_lift, state=state[k < lifted]),
            push=replace(s.push, heel_loaded=k < loaded),
        )
        for k, s in enumerate(good("y" * 8))
    ]
    assert mixed(swings) == found


@pytest.mark.parametrize(
    ("state", "good", "loaded", "answers"),
    [
        (HeelLiftState.LIFTED, True, False, (True, True, False)),
        (HeelLiftState.DOWN, False, True, (False, False, True)),
        (HeelLiftState.UNCLEAR, False, None, (False, False, None)),
    ],
)
def test_a_swing_answers_for_its_push_its_lead_heel_and_its_trail_heel(
    state, good, loaded, answers
):
    """A lead heel that cannot be told has not been seen to unload."""
    one = swing(100)
    made = replace(
        one,
        heel_lift=replace(one.heel_lift, state=state),
        push=replace(one.push, is_good=good, heel_loaded=loaded),
    )
    assert [name for name, _ in ANSWERS] == ["push", "lead heel", "trail heel"]
    assert tuple(of(made) for _, of in ANSWERS) == answers
