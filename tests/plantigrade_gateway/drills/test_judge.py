"""Verdicts to the letter: what counts, what does not, and what nobody can say."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from tests.support.records import step, swing

from plantigrade.block import Foot, PairBlock
from plantigrade.events import HeelLift, HeelLiftState, Manner, Roll, Timing
from plantigrade.limits import Limits
from plantigrade.predicates import is_good_push, is_heel_loaded
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.judge import (
    GRACE_S,
    SETTLE_S,
    Balance,
    Rep,
    Verdict,
    in_window,
    judge_push,
    judge_step,
    judge_swing,
    missed_sound,
    transfer_of,
)
from plantigrade_gateway.drills.model import (
    BalanceTarget,
    Drill,
    HeelLiftTarget,
    PushTarget,
    StayTarget,
    Target,
    TrailHeelTarget,
    WalkTarget,
    When,
)
from plantigrade_gateway.sound.cues import CueKind
from plantigrade_gateway.sound.pitch import CopSource

GOOD, MISSED, UNCLEAR = Verdict
DRILLS = shelf(None).drills
SWING = swing(100)
PUSH = SWING.push  # rolled, with shift, 0.12 s, from 0.2 to 0.8
LEVEL = When.WITH_SHIFT


@pytest.mark.parametrize(
    ("push", "target", "verdict"),
    [
        (PUSH, PushTarget(), GOOD),
        (PUSH, PushTarget(transfer_s=(0.12, 0.2)), GOOD),
        (PUSH, PushTarget(transfer_s=(0.13, 0.2)), MISSED),
        (PUSH, PushTarget(transfer_s=(0.05, 0.11)), MISSED),
        (PUSH, PushTarget(travel=0.59), GOOD),
        (PUSH, PushTarget(travel=0.61), MISSED),
        (replace(PUSH, manner=Manner.SKIPPED), PushTarget(), MISSED),
        (replace(PUSH, manner=Manner.HELD), PushTarget(), MISSED),
        (replace(PUSH, timing=Timing.EARLY), PushTarget(), MISSED),
        (replace(PUSH, timing=Timing.EARLY), PushTarget(timing=When.ANY), GOOD),
        (replace(PUSH, timing=Timing.UNCLEAR), PushTarget(), UNCLEAR),
        (replace(PUSH, timing=Timing.UNCLEAR), PushTarget(timing=When.ANY), GOOD),
        (replace(PUSH, manner=Manner.UNCLEAR), PushTarget(), UNCLEAR),
        (replace(PUSH, manner=Manner.UNCLEAR, timing=Timing.EARLY), PushTarget(), MISSED),
        (replace(PUSH, manner=Manner.SKIPPED, timing=Timing.UNCLEAR), PushTarget(), MISSED),
        (replace(PUSH, manner=Manner.UNCLEAR, transfer_s=0.9), PushTarget((0.0, 0.5)), MISSED),
        (replace(PUSH, travel_from=0.40), PushTarget(), GOOD),
        (replace(PUSH, travel_from=0.62), PushTarget(), MISSED),
        (replace(PUSH, travel_from=0.62), PushTarget(from_=0.7, travel=0.1), GOOD),
        (replace(PUSH, travel_from=0.62, manner=Manner.UNCLEAR), PushTarget(travel=0.1), MISSED),
        (replace(PUSH, transfer_s=None), PushTarget(), UNCLEAR),
    ],
)
def test_a_push_by_its_facts(push, target, verdict):
    assert judge_push(push, target, None)[0] is verdict
    drill = replace(DRILLS["push"], target=target)
    rep = judge_swing(replace(SWING, push=push), drill, None)
    assert rep == Rep(SWING.confirmed_s, verdict, judge_push(push, target, None)[1])


def test_the_drill_s_good_push_is_the_analysis_s():
    """By whatever limits: what the built-in drill counts is `is_good_push`, to the letter."""
    for limits in (Limits(), Limits(push_begins_by=0.30)):
        target = shelf(None, limits=limits).drills["push"].target
        assert isinstance(target, PushTarget) and target.from_ == limits.push_begins_by
        for manner, timing, begun in product(Manner, Timing, (0.10, 0.35, 0.62)):
            if manner is Manner.HELD and timing is not Timing.UNCLEAR:
                continue  # what has not travelled has no timing
            push = replace(PUSH, manner=manner, timing=timing, travel_from=begun)
            verdict = {True: GOOD, False: MISSED, None: UNCLEAR}[is_good_push(push, limits)]
            assert judge_push(push, target, None)[0] is verdict, (limits, push)


@pytest.mark.parametrize(
    ("address", "peak", "verdict"),
    [
        (0.45, 0.60, GOOD),
        (0.55, 0.60, MISSED),
        (0.20, 0.45, MISSED),
        (None, 0.60, UNCLEAR),
        (0.45, None, UNCLEAR),
    ],
)
def test_a_trail_heel_by_its_share_at_the_trail_peak(address, peak, verdict):
    push = replace(PUSH, heel_share_address=address, heel_share_trail_peak=peak)
    rep = judge_swing(replace(SWING, push=push), DRILLS["trail_heel"], None)
    assert rep is not None and rep.verdict is verdict
    wanted = {True: GOOD, False: MISSED, None: UNCLEAR}[is_heel_loaded(push, Limits())]
    assert wanted is verdict
    if verdict is GOOD:
        assert rep.words == "trail heel 60 % of its foot's load, at address 45 %"


@pytest.mark.parametrize(
    ("address", "peak", "words"),
    [
        (0.55, 0.60, "60 %, 55 %: 5 points more than at address, not 10 more"),
        (0.20, 0.45, "45 %, 20 %: under 50 %"),
        (0.40, 0.45, "45 %, 40 %: under 50 % and 5 points more than at address, not 10 more"),
        (0.60, 0.52, "52 %, 60 %: 8 points less than at address, not 10 more"),
        (0.60, 0.60, "60 %, 60 %: 0 points more than at address, not 10 more"),
        # what rounds to its limit is told with the digits that tell it apart
        (0.30, 0.498, "49.8 %, 30 %: under 50 %"),
        (0.5, 0.5996, "60 %, 50 %: 9.96 points more than at address, not 10 more"),
        (None, 0.45, "45 %, –: under 50 %"),
    ],
)
def test_the_words_on_a_trail_heel_that_missed_name_what_was_short_of_what(address, peak, words):
    push = replace(PUSH, heel_share_address=address, heel_share_trail_peak=peak)
    rep = judge_swing(replace(SWING, push=push), DRILLS["trail_heel"], None)
    assert rep is not None and rep.verdict is MISSED
    peaks, found = words.split(", ", 1)
    before, short = found.split(": ", 1)
    assert rep.words == f"trail heel {peaks} of its foot's load, at address {before}: {short}"


def test_what_cannot_be_judged_is_called_unclear_everywhere():
    """Design §2 and §5: "not seen" is readiness that failed, never a value that is not known."""
    for drill in DRILLS.values():
        assert drill.say.unclear == "Unclear"
    lift = lifted(duration_s=None, return_after_level_s=None)
    rep = judge_swing(replace(SWING, heel_lift=lift, touches_gap=True), DRILLS["heel_lift"], None)
    assert rep is not None and rep.verdict is UNCLEAR
    assert rep.words.endswith(", return unclear")


def test_the_trail_heel_s_limits_are_those_of_the_analysis():
    limits = Limits(trail_heel_from=0.7, trail_heel_gain=0.3, heel_back_by_s=0.12, heel_lift_s=0.1)
    drills = shelf(None, limits=limits).drills
    assert drills["trail_heel"].target == TrailHeelTarget(0.7, 0.3)
    assert drills["heel_lift"].target == HeelLiftTarget((0.1, 2.0), 0.12)


@pytest.mark.parametrize("midfoot", [True, False, None])
def test_a_push_never_needs_the_midfoot(midfoot):
    assert judge_push(replace(PUSH, midfoot_over_floor=midfoot), PushTarget(), None)[0] is GOOD


@pytest.mark.parametrize(
    ("push", "when", "kind"),
    [
        (replace(PUSH, timing=Timing.EARLY, manner=Manner.SKIPPED), LEVEL, CueKind.SKIPPED_EARLY),
        (replace(PUSH, timing=Timing.EARLY), LEVEL, CueKind.EARLY),
        (replace(PUSH, timing=Timing.EARLY, manner=Manner.UNCLEAR), LEVEL, CueKind.MISSED),
        (replace(PUSH, timing=Timing.EARLY, manner=Manner.SKIPPED), When.ANY, CueKind.SKIPPED),
        (replace(PUSH, manner=Manner.HELD), LEVEL, CueKind.HELD),
        (PUSH, LEVEL, CueKind.MISSED),
    ],
)
def test_a_missed_push_sounds_by_the_way_it_failed(push, when, kind):
    assert missed_sound(push, PushTarget(timing=when)) is kind


def lifted(**changes: object) -> HeelLift:
    return replace(SWING.heel_lift, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("lift", "target", "verdict"),
    [
        (lifted(), HeelLiftTarget(), GOOD),  # back 0.03 s before the level
        (lifted(return_after_level_s=0.01), HeelLiftTarget(return_by_s=0.0), MISSED),
        (lifted(return_after_level_s=0.05), HeelLiftTarget(), GOOD),
        (lifted(return_after_level_s=0.051), HeelLiftTarget(), MISSED),
        (lifted(), HeelLiftTarget(return_by_s=-0.05), MISSED),
        (lifted(), HeelLiftTarget(lifted_s=(0.6, 1.0)), MISSED),
        (lifted(state=HeelLiftState.DOWN), HeelLiftTarget(), MISSED),
        (lifted(state=HeelLiftState.UNCLEAR), HeelLiftTarget(), UNCLEAR),
        (lifted(duration_s=None, return_after_level_s=None), HeelLiftTarget(), MISSED),
        (lifted(), StayTarget(), MISSED),
        (lifted(state=HeelLiftState.DOWN), StayTarget(), GOOD),
        (lifted(state=HeelLiftState.DOWN), StayTarget(heel_bw=0.004), GOOD),
        (lifted(state=HeelLiftState.DOWN), StayTarget(heel_bw=0.005), MISSED),
        (lifted(state=HeelLiftState.UNCLEAR), StayTarget(), UNCLEAR),
    ],
)
def test_a_lead_heel(lift, target, verdict):
    assert verdict_of(lift, target) is verdict


def verdict_of(lift: HeelLift, target: Target, gap: bool = False) -> Verdict:
    drill: Drill = replace(DRILLS["heel_lift"], target=target)
    rep = judge_swing(replace(SWING, heel_lift=lift, touches_gap=gap), drill, None)
    assert rep is not None
    return rep.verdict


def test_a_heel_not_seen_back_beside_a_gap_is_unclear():
    lift = lifted(duration_s=None, return_after_level_s=None)
    assert verdict_of(lift, HeelLiftTarget(), gap=True) is UNCLEAR


@pytest.mark.parametrize(
    ("transfer_s", "rate_hz", "said"),
    [
        (0.121, 100.0, "rolled, with shift, in 0.12 ± 0.01 s"),
        (0.121, 50.0, "rolled, with shift, in 0.12 ± 0.02 s"),
        (0.012, 100.0, "rolled, with shift, in ≤ 0.02 s: outside 0.05 to 0.4 s"),
        (0.121, None, "rolled, with shift, in 0.12 s"),
    ],
)
def test_a_push_is_said_with_what_sampling_lets_be_known(transfer_s, rate_hz, said):
    """A time between two moments is known to one spacing of samples (design, Swing)."""
    one = replace(SWING, push=replace(PUSH, transfer_s=transfer_s))
    rep = judge_swing(one, replace(DRILLS["push"], target=PushTarget((0.05, 0.4))), rate_hz)
    assert rep is not None and rep.words == said


def test_a_heel_s_return_is_said_with_its_sampling_error():
    one = replace(SWING, heel_lift=lifted(return_after_level_s=-0.034))
    rep = judge_swing(one, DRILLS["heel_lift"], 100.0)
    assert rep is not None and rep.words.endswith("back 0.03 ± 0.01 s before the address level")


def test_other_drills_judge_no_swing():
    assert judge_swing(SWING, DRILLS["balance"], None) is None
    assert judge_swing(SWING, DRILLS["walk_through"], None) is None


# ---- steps ----


def path(rise_pct: float, low: float = 0.2, high: float = 0.9) -> tuple[float, ...]:
    """CoP y at 5 … 95 %: low, then a straight rise of so many % about mid-stance, then high."""
    pct = np.arange(5.0, 100.0, 5.0)
    rows = np.interp(pct, (50 - rise_pct / 2, 50 + rise_pct / 2), (low, high))
    return tuple(rows.tolist())


@pytest.mark.parametrize("rise_pct", [30.0, 60.0, 90.0])
def test_the_middle_of_a_straight_path_takes_two_fifths_of_it(rise_pct):
    travel, transfer = transfer_of(path(rise_pct)) or (0.0, 0.0)
    assert travel == pytest.approx(0.7)
    assert transfer == pytest.approx(0.4 * rise_pct, abs=1.5)


def test_a_path_counts_from_the_last_time_it_leaves_the_heel():
    y = list(path(60.0))
    y[8] = 0.2  # back to the heel at 45 %
    slow, quick = transfer_of(path(60.0)), transfer_of(tuple(y))
    assert slow is not None and quick is not None
    assert slow[1] == pytest.approx(24.0)  # 38 to 62 %
    assert quick[1] == pytest.approx(14.0)  # 48 to 62 %


def test_a_path_with_a_hole_is_not_known():
    y: list[float | None] = list(path(60.0))
    assert transfer_of((None, *y[1:-1], None)) is not None  # its ends may be light
    y[9] = None
    assert transfer_of(tuple(y)) is None
    assert transfer_of((None,) * 19) is None
    assert transfer_of((0.9, 0.7, 0.5, 0.3, *[0.2] * 15)) == (0.0, 0.0)


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3])
def test_a_foot_that_does_not_bear_is_judged_by_its_path_alone(share):
    for roll in Roll:
        made = replace(step(100), roll=roll, midfoot_impulse_share=share, cop_y=path(60.0))
        assert judge_step(made, WalkTarget(), bears=False).verdict is GOOD
        jump = replace(made, cop_y=path(10.0))
        assert judge_step(jump, WalkTarget(), bears=False).verdict is MISSED
        short = replace(made, cop_y=path(60.0, 0.4, 0.6))
        assert judge_step(short, WalkTarget(), bears=False).verdict is MISSED
        gone = replace(made, cop_y=(None,) * 19)
        assert judge_step(gone, WalkTarget(), bears=False).verdict is UNCLEAR


def test_a_foot_that_bears_is_judged_by_its_roll():
    for roll, verdict in zip(Roll, (GOOD, MISSED, UNCLEAR), strict=True):
        made = replace(step(100), roll=roll, cop_y=path(10.0))
        assert judge_step(made, WalkTarget(), bears=True).verdict is verdict


# ---- balance ----

TARGET = BalanceTarget(CopSource.BOTH, (0.25, 0.55), hold_s=3.0)
RATE = 100


def reps(*parts: tuple[float, bool | None]) -> list[Rep]:
    """Watch parts of (seconds, inside)."""
    balance, found, k = Balance(TARGET), [], 0
    for seconds, inside in parts:
        for _ in range(round(seconds * RATE)):
            rep = balance.row(k / RATE, inside)
            found += [] if rep is None else [rep]
            k += 1
    return found


def test_an_attempt_is_under_way_from_its_first_row_inside_until_its_grace_is_over():
    """While it is, the drill's tone sounds."""
    balance = Balance(TARGET)
    holding = []
    for k, inside in enumerate([False] * 10 + [True] * 50 + [False] * RATE):
        balance.row(k / RATE, inside)
        holding.append(balance.holding)
    grace = round(GRACE_S * RATE)
    assert holding == [False] * 10 + [True] * (50 + grace) + [False] * (RATE - grace)


def test_a_hold_counts_once_when_it_has_lasted():
    (rep,) = reps((1.0, False), (20.0, True), (1.0, False))
    assert rep == Rep(4.0, GOOD, "held 3 s")


def test_a_hold_that_breaks_off_is_missed_and_the_next_is_another():
    found = reps((2.0, True), (1.0, False), (3.5, True), (1.0, False), (3.5, True))
    assert [rep.verdict for rep in found] == [MISSED, GOOD, GOOD]
    assert found[0].words == "held 2.0 of 3 s"


def test_a_moment_outside_ends_nothing_and_a_moment_inside_begins_nothing():
    assert [r.verdict for r in reps((2.0, True), (0.9 * GRACE_S, False), (1.5, True))] == [GOOD]
    assert reps((0.9 * SETTLE_S, True), (1.0, False)) == []


def test_missing_samples_make_an_attempt_unclear():
    (rep,) = reps((2.0, True), (1.0, None), (1.0, False))
    assert rep.verdict is UNCLEAR
    assert [r.verdict for r in reps((2.0, True), (0.1, None), (0.5, True), (1.0, False))] == [
        MISSED
    ]


def feet(left_n: float, left_y: float, right_n: float, right_y: float) -> PairBlock:
    def row(n: float, y: float) -> np.ndarray:
        return np.array([[n, 0.0, 0.0, 0.0, 0.5 * n, y * n, 0.0]])

    return PairBlock(0, np.zeros(1), row(left_n, left_y), row(right_n, right_y))


@pytest.mark.parametrize(
    ("stance", "block", "inside"),
    [
        (CopSource.BOTH, feet(350, 0.4, 350, 0.4), True),
        (CopSource.BOTH, feet(350, 0.4, 350, 0.6), False),
        (CopSource.BOTH, feet(690, 0.4, 10, 0.4), False),  # one foot hardly stands
        (CopSource.LEAD, feet(690, 0.4, 10, 0.9), True),
        (CopSource.LEAD, feet(10, 0.4, 690, 0.4), False),
        (CopSource.LEAD, feet(600, 0.4, 100, 0.4), False),  # the other has not left the ground
        (CopSource.TRAIL, feet(10, 0.4, 690, 0.4), True),
        (CopSource.BOTH, feet(float("nan"), 0.4, 350, 0.4), None),
        (CopSource.BOTH, feet(0, 0.4, 0, 0.4), False),
    ],
)
def test_the_window_of_the_feet_that_stand(stance, block, inside):
    target = replace(TARGET, stance=stance)
    assert in_window(block, target, Foot.LEFT, 700.0, Limits()) == [inside]


def test_the_window_across_the_foot():
    target = replace(TARGET, x=(0.6, 0.9))
    assert in_window(feet(350, 0.4, 350, 0.4), target, Foot.LEFT, 700.0, Limits()) == [False]
