"""The limits of swings that only whole movements show, each from both sides of it.

The limits are this project's own (no published values exist). What the smoothing of 0.03 s takes
off a movement, a few hundredths of it, lies within the distance of each case from its limit.
"""

import pytest
from tests.plantigrade.test_swings import BW_N, PEAK_S, START_S, SWING, rows, setup, swings, told

from plantigrade.block import Column, Foot, PairBlock
from plantigrade.events import Phase, PhaseKind

RATE_HZ = 200.0


def phase(kind: PhaseKind, block: PairBlock) -> Phase:
    (found,) = (e for e in told(block, setup(rate_hz=RATE_HZ)) if getattr(e, "kind", None) is kind)
    assert isinstance(found, Phase)
    return found


def test_a_backswing_is_announced_when_the_share_has_fallen_by_6_hundredths():
    """Of .25 in 0.8 s half a cosine has made .06 after acos(.52) / pi = 32.6 % of its time."""
    found = phase(PhaseKind.BACKSWING, rows(rate_hz=RATE_HZ))
    assert found.t_s == pytest.approx(START_S + 0.8 * 0.3259, abs=0.008)
    # 0.03 s ahead are smoothed over
    assert found.confirmed_s == pytest.approx(found.t_s + 0.03, abs=0.001)


def test_a_shift_is_announced_when_the_share_has_risen_by_12_hundredths():
    """Of .60 in 0.5 s half a cosine has made .12 after acos(.6) / pi = 29.5 % of its time."""
    knots = (*SWING[:3], (4.3, 0.85), (6.0, 0.85))
    found = phase(PhaseKind.SHIFT, rows(knots, rate_hz=RATE_HZ))
    assert found.confirmed_s == pytest.approx(3.8 + 0.5 * 0.2952 + 0.03, abs=0.008)
    assert found.t_s == pytest.approx(3.8, abs=0.012)


@pytest.mark.parametrize(("fall", "announced"), [(0.100, False), (0.118, True)])
def test_a_fall_that_takes_longer_is_no_backswing(fall, announced):
    """In the steepest second of three half a cosine makes sin(30°), the half, of its way."""
    knots = ((0.0, 0.5), (2.5, 0.5), (5.5, 0.5 - fall), (9.0, 0.5 - fall))
    kinds = [e.kind for e in told(rows(knots, seconds=9.0)) if isinstance(e, Phase)]
    assert (PhaseKind.BACKSWING in kinds) is (announced and fall * 0.5 > 0.06)


def address(
    amplitude: float, until_s: float = 3.0, level: float = 0.5
) -> list[tuple[float, float]]:
    """To and fro around a level, 0.1 s from side to side, up to a moment."""
    n = round(until_s / 0.1)
    sides = [(0.1 * k, level + amplitude * (-1) ** k) for k in range(n)]
    return [*sides, (until_s, level)]


@pytest.mark.parametrize(("amplitude", "found"), [(0.026, 1), (0.032, 0)])
def test_at_address_the_share_stays_within_5_hundredths(amplitude, found):
    """To and fro so fast, smoothing takes an eighth off."""
    knots = (*address(amplitude), (3.8, 0.25), (4.1, 0.85), (6.0, 0.85))
    assert len(swings(rows(knots))) == found


@pytest.mark.parametrize(
    ("level", "low", "found"),
    [(0.23, 0.08, 1), (0.21, 0.06, 0), (0.77, 0.4, 1), (0.82, 0.4, 0)],
)
def test_at_address_both_feet_carry_a_good_part(level, low, found):
    """Over .22 each; from so far on the lead foot a swing goes over the middle."""
    knots = ((0.0, level), (3.0, level), (3.8, low), (4.1, 0.95), (6.0, 0.95))
    assert len(swings(rows(knots))) == found


@pytest.mark.parametrize(("unquiet_s", "found"), [(2.4, 1), (3.2, 0)])
def test_the_stillness_ends_within_3_5_s_of_the_trail_peak(unquiet_s, found):
    """Too unquiet for a stillness and too little for a backswing, then 0.8 s to the trail side."""
    n = round(unquiet_s / 0.1)
    unquiet = [(2.0 + 0.1 * k, 0.5 + 0.032 * (-1) ** k) for k in range(n)]
    t = 2.0 + unquiet_s
    knots = ((0.0, 0.5), (1.9, 0.5), *unquiet, (t, 0.5), (t + 0.8, 0.25), (t + 1.1, 0.85))
    assert len(swings(rows((*knots, (t + 2.5, 0.85)), seconds=9.0))) == found


def two_tops(dip_n: float, top_share: float) -> float:
    """Return the lead peak of a load with two tops and a dip between, all at one share."""
    share = (*SWING[:3], (PEAK_S, top_share), (6.0, top_share))
    dip = dip_n / (top_share * BW_N)
    load = ((0.0, 1.0), (3.8, 1.0), (4.1, 1.1), (4.24, 1.1 - dip), (4.42, 1.25), (4.8, 1.0))
    (swing,) = swings(rows(share, load=load, rate_hz=RATE_HZ), setup(rate_hz=RATE_HZ))
    assert swing.lead_peak_s is not None
    return swing.lead_peak_s


@pytest.mark.parametrize(
    ("top_share", "dip_n", "peak_s"),
    [
        # the rise is .62 × 1.1 × 700 − 175 = 302 N, 8 % of it 24 N: 4 % of the body, 28 N, decide
        (0.62, 27.8, 4.42),
        (0.62, 32.0, 4.1),
        # the rise is .9 × 1.1 × 700 − 175 = 518 N, of which 8 % are 41 N
        (0.90, 38.0, 4.42),
        (0.90, 47.0, 4.1),
    ],
)
def test_a_lead_peak_stands_out_by_4_percent_of_the_body_and_8_of_the_rise(
    top_share, dip_n, peak_s
):
    assert two_tops(dip_n, top_share) == pytest.approx(peak_s, abs=0.03)


def test_a_rise_that_goes_on_is_given_up_three_tenths_after_a_peak_could_have_been():
    """A lead peak comes within 0.6 s; a body that goes over for two seconds has none."""
    slow = rows(((0.0, 0.5), (3.0, 0.5), (3.8, 0.25), (5.8, 0.95)), rate_hz=RATE_HZ)
    began, gone = (phase(kind, slow) for kind in (PhaseKind.SHIFT, PhaseKind.CANCELLED))
    assert gone.t_s - began.t_s == pytest.approx(0.6 + 0.3, abs=0.0051)
    shorter = setup(rate_hz=RATE_HZ, lead_peak_s=0.5)
    times = {e.kind: e.t_s for e in told(slow, shorter) if isinstance(e, Phase)}
    assert times[PhaseKind.CANCELLED] - times[PhaseKind.SHIFT] == pytest.approx(0.8, abs=0.0051)


@pytest.mark.parametrize(("span", "settled_s"), [(0.055, 4.2), (0.068, 5.7)])
def test_a_share_has_settled_when_it_stays_within_6_hundredths_for_half_a_second(span, settled_s):
    """To and fro every 0.2 s for 1.6 s after the lead peak, then still."""
    sides = [(4.1 + 0.2 * k, 0.85 - span * (k % 2)) for k in range(9)]
    (swing,) = swings(rows((*SWING[:3], *sides, (7.0, 0.85))))
    assert swing.finish_manner == "settled"
    assert swing.finish_s == pytest.approx(settled_s, abs=0.16)


@pytest.mark.parametrize(("n_rows", "manner"), [(9, "settled"), (10, "stepped")])
def test_a_trail_foot_that_leaves_for_8_hundredths_of_a_second_and_lands_steps(n_rows, manner):
    """Smoothing over seven rows leaves n - 2 of n rows without load under the contact load."""
    block = rows((*SWING[:4], (4.3, 0.85), (4.5, 0.75), (8.0, 0.75)))
    block.foot(Foot.RIGHT)[440 : 440 + n_rows, :6] = 0.0
    (swing,) = swings(block)
    assert swing.finish_manner == manner


# ---- the heel in the backswing, as it is announced ----


def announced(block: PairBlock) -> list[str]:
    """Return what was announced of the heel."""
    kinds = [e.kind.value for e in told(block) if isinstance(e, Phase)]
    return [kind for kind in kinds if kind.startswith("heel")]


def lifted(
    n_rows: int = 40, heel_n: float = 0.0, midfoot: float = 0.0, low: float = 0.25
) -> PairBlock:
    """A swing whose lead heel carries a load, and its midfoot a part of the foot's, for some rows.

    The foot's load is that of the share all the time; what is left is on the forefoot.
    """
    block = rows((*SWING[:2], (3.4, low), (3.8, low), (4.1, 0.85), (5.5, 0.85)))
    values = block.left[340 : 340 + n_rows]
    load = values[:, :4].sum(axis=1)
    values[:, Column.HEEL] = heel_n
    values[:, Column.MIDFOOT] = midfoot * load
    values[:, Column.TOES] = 0.0
    values[:, Column.FOREFOOT] = load * (1.0 - midfoot) - heel_n
    return block


BOTH = ["heel_lifted", "heel_returned"]


@pytest.mark.parametrize(("n_rows", "expected"), [(5, []), (6, BOTH), (20, BOTH)])
def test_a_heel_lift_is_announced_after_6_hundredths_of_a_second(n_rows, expected):
    assert announced(lifted(n_rows)) == expected


@pytest.mark.parametrize(("heel_n", "expected"), [(20.5, BOTH), (21.0, []), (21.5, [])])
def test_a_heel_is_lifted_under_3_percent_of_the_body(heel_n, expected):
    assert announced(lifted(heel_n=heel_n)) == expected


@pytest.mark.parametrize(("midfoot", "expected"), [(0.19, BOTH), (0.21, [])])
def test_a_heel_is_lifted_where_the_front_carries_four_fifths_of_the_foot(midfoot, expected):
    assert announced(lifted(midfoot=midfoot)) == expected


@pytest.mark.parametrize(("low", "expected"), [(0.085, BOTH), (0.075, [])])
def test_a_heel_is_lifted_where_the_foot_carries_8_percent_of_the_body(low, expected):
    assert announced(lifted(low=low)) == expected


def test_numbers_of_rows_follow_the_rate():
    """The same movement at two rates has the same moments."""
    slow, fast = (swings(rows(rate_hz=r), setup(rate_hz=r))[0] for r in (100.0, 200.0))
    for name in ("start_s", "trail_peak_s", "shift_s", "lead_peak_s", "finish_s"):
        assert getattr(slow, name) == pytest.approx(getattr(fast, name), abs=0.012), name
