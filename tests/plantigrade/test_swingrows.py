"""The rows a swing is looked for in: smoothing, stillness, gaps, feet off the ground."""

import numpy as np
import pytest
from tests.plantigrade.test_swings import rows, setup

from plantigrade.block import Foot, PairBlock
from plantigrade.swingrows import HEEL, Col, SwingRows

N = 300
LEVEL = ((0.0, 0.4), (3.0, 0.4))


def kept(block: PairBlock, pieces: int = 1) -> SwingRows:
    made = SwingRows(setup(), block.first)
    for part in np.array_split(np.arange(len(block)), pieces):
        made.push(block.slice(int(part[0]), int(part[-1]) + 1))
    return made


def test_a_row_holds_both_feet_their_loads_and_smoothed_three_rows_later_the_share():
    """700 N, of which .4 on the lead foot; its heel carries .95 × .5 of that."""
    found = kept(rows(LEVEL, seconds=3.0))
    assert (found.end, found.half) == (N, 3)
    row = found.rows(100, 101)[0]
    assert row[Col.TIME] == 1.0
    assert row[[Col.LEAD_N, Col.TRAIL_N, HEEL]] == pytest.approx([280.0, 420.0, 133.0])
    assert row[[Col.LEAD_EVEN, Col.TRAIL_EVEN, Col.SHARE]] == pytest.approx([280.0, 420.0, 0.4])
    known = ~np.isnan(found.column(Col.SHARE, 0, N))
    assert np.flatnonzero(known)[[0, -1]].tolist() == [3, N - 4]
    assert found.confirmed(100) == pytest.approx(1.03)


@pytest.mark.parametrize("pieces", [1, 7, N])
@pytest.mark.parametrize(("hole", "gaps"), [(43, []), (44, [100 - 3 + 49]), (90, [146])])
def test_a_gap_is_told_at_the_row_that_makes_it_half_a_second(hole, gaps, pieces):
    """A hole's neighbours, three rows on each side, have no share either."""
    block = rows(LEVEL, seconds=3.0)
    block.left[100 : 100 + hole] = np.nan
    assert kept(block, pieces).gaps == gaps


def test_two_holes_with_a_share_between_are_no_gap():
    block = rows(LEVEL, seconds=3.0)
    block.right[100:130] = np.nan
    block.right[137:160] = np.nan  # seven rows that are there make one share
    assert kept(block).gaps == []
    block.right[136] = np.nan
    assert kept(block).gaps == [146]


@pytest.mark.parametrize(
    ("level", "expected"),
    [(0.4, 0.4), (0.225, 0.225), (0.775, 0.775), (0.215, None), (0.785, None)],
)
def test_a_window_is_still_where_both_feet_carry_a_good_part(level, expected):
    """Over .22; its middle is told with the row that ends it."""
    found = kept(rows(((0.0, level), (3.0, level)), seconds=3.0))
    found.still(200, 50)
    still = found.column(Col.STILL, 52, 200)
    known = still[~np.isnan(still)]
    assert len(known) == (0 if expected is None else 148)
    assert known == pytest.approx(expected)
    assert np.isnan(found.column(Col.STILL, 0, 52)).all()
    assert np.isnan(found.column(Col.STILL, 200, N)).all()


def test_a_window_s_middle_lies_between_its_first_and_its_last_share():
    slow = ((0.0, 0.4), (0.5, 0.4), (2.5, 0.44), (3.0, 0.44))
    found = kept(rows(slow, seconds=3.0))
    found.still(250, 50)
    s = found.column(Col.SHARE, 0, N)
    middle = found.column(Col.STILL, 150, 151)[0]
    assert middle == pytest.approx((s[101] + s[150]) / 2.0)


def test_a_foot_may_be_off_where_it_carries_too_little_or_nothing_is_known():
    """Under the contact load of 35 N; where the smoothed load is missing the load itself counts."""
    block = rows(LEVEL, seconds=3.0)
    block.left[50:70, :6] *= 34.0 / 280.0
    block.right[100:110, :4] *= 36.0 / 420.0
    block.left[150] = np.nan
    found = kept(block)
    off = np.flatnonzero(found.may_be_off(True, 0, N))
    assert off[(off >= 53) & (off < 67)].tolist() == list(range(53, 67))
    assert off[off >= 100].tolist() == [150]
    assert not found.may_be_off(False, 0, N).any()
    assert found.may_be_off(True, 145, 155).tolist() == [k == 5 for k in range(10)]


def test_the_lead_foot_is_the_player_s():
    block = rows(LEVEL, seconds=3.0)
    right = SwingRows(setup(Foot.RIGHT), 0)
    right.push(block)
    assert right.column(Col.SHARE, 100, 101)[0] == pytest.approx(0.6)
