"""Both feet on one time line: what is bridged, what is missing, who is waited for."""

import numpy as np
import pytest

from plantigrade.block import N_COLUMNS, Foot, LoadBlock, PairBlock
from plantigrade.limits import Limits
from plantigrade.pairing import Pairing

L, R = Foot.LEFT, Foot.RIGHT


def samples(foot: Foot, t_s: np.ndarray, slope: float = 100.0) -> LoadBlock:
    """Loads that tell their own time: column k reads (k + 1) × (300 + slope × t)."""
    values = (300.0 + slope * t_s)[:, None] * np.arange(1.0, N_COLUMNS + 1.0)
    return LoadBlock(foot, t_s, values)


def told(blocks: list[PairBlock]) -> PairBlock:
    first = blocks[0].first if blocks else 0
    return PairBlock(
        first,
        np.concatenate([b.t_s for b in blocks]),
        np.concatenate([b.left for b in blocks]),
        np.concatenate([b.right for b in blocks]),
    )


def paired(left: np.ndarray, right: np.ndarray, rate_hz: float = 100.0, **options) -> PairBlock:
    pairing = Pairing(rate_hz, **options)
    return told([pairing.push(samples(L, left)), pairing.push(samples(R, right)), pairing.flush()])


def grid(start: int, stop: int, rate_hz: float = 100.0) -> np.ndarray:
    return np.arange(start, stop) / rate_hz


def without(t_s: np.ndarray, start: int, n: int) -> np.ndarray:
    return np.delete(t_s, slice(start, start + n))


# ---- interpolation ----


def test_feet_in_step_are_passed_on_as_they_are():
    t_s = grid(0, 50)
    rows = paired(t_s, t_s)
    assert np.array_equal(rows.t_s, t_s)
    assert np.array_equal(rows.left, samples(L, t_s).values)
    assert np.array_equal(rows.left, rows.right)


@pytest.mark.parametrize("late_s", [0.001, 0.0037, 0.0099])
def test_a_foot_out_of_step_is_read_between_its_samples(late_s):
    rows = paired(grid(0, 50), grid(0, 50) + late_s)
    assert np.diff(rows.t_s) == pytest.approx(0.01)
    assert rows.right == pytest.approx(samples(R, rows.t_s).values)
    assert rows.left[:-1] == pytest.approx(samples(L, rows.t_s).values[:-1])
    assert np.isnan(rows.left[-1]).all()  # the left foot has no sample after the last row


def test_rows_begin_where_both_feet_can_have_one():
    rows = paired(grid(0, 50), grid(20, 50) + 0.004)
    assert rows.t_s[0] == pytest.approx(0.204)
    assert np.isfinite(rows.left[0]).all() and np.isfinite(rows.right[0]).all()


def test_a_drifting_foot_stays_on_its_own_time():
    drifting = grid(0, 1000) * (1.0 + 100e-6)
    rows = paired(grid(0, 1000), drifting)
    known = np.isfinite(rows.right[:, 0])
    assert known[:-1].all()
    assert rows.right[known] == pytest.approx(samples(R, rows.t_s).values[known])


def test_a_slower_foot_is_filled_up_to_the_rows_rate():
    rows = paired(grid(0, 100, 200.0), grid(0, 50, 100.0), rate_hz=200.0)
    assert np.diff(rows.t_s) == pytest.approx(0.005)
    assert rows.right[:-1] == pytest.approx(samples(R, rows.t_s).values[:-1])


# ---- gaps (design §9: up to 40 ms bridged) ----


@pytest.mark.parametrize(
    ("rate_hz", "n"),
    [(100.0, n) for n in (1, 2, 4, 5, 100)] + [(200.0, n) for n in (1, 7, 8, 9, 200)],
)
def test_samples_missing_up_to_40_ms_are_bridged(rate_hz, n):
    t_s = grid(0, 400, rate_hz)
    rows = paired(without(t_s, 100, n), t_s, rate_hz)
    gone = np.isnan(rows.left[:, 0])
    if n / rate_hz <= 0.040:
        assert not gone.any()
        assert rows.left == pytest.approx(samples(L, rows.t_s).values)
    else:
        assert np.flatnonzero(gone).tolist() == list(range(100, 100 + n))
        assert np.isnan(rows.left[gone]).all()  # the whole row, and none is invented
    assert np.isfinite(rows.right).all()


@pytest.mark.parametrize(("apart_s", "bridged"), [(0.0501, True), (0.0503, False)])
def test_samples_bridged_lie_40_ms_and_a_spacing_apart_at_most(apart_s, bridged):
    """Of 10 ms at 100 Hz, and 2 % more of it where clocks slew: 50.2 ms."""
    left = np.concatenate((grid(0, 21), 0.2 + apart_s + grid(0, 30)))
    rows = paired(left, grid(0, 50))
    gone = np.flatnonzero(np.isnan(rows.left[:48, 0])).tolist()
    assert gone == ([] if bridged else [21, 22, 23, 24, 25])


def test_the_bridge_is_a_setting():
    t_s = grid(0, 60)
    rows = paired(without(t_s, 20, 2), t_s, limits=Limits(bridge_s=0.010))
    assert np.flatnonzero(np.isnan(rows.left[:, 0])).tolist() == [20, 21]


def test_missing_readings_are_as_absent_rows():
    t_s = grid(0, 60)
    block = samples(L, t_s)
    for start, n in ((10, 4), (30, 5)):
        block.values[start : start + n] = np.nan
    pairing = Pairing(100.0)
    rows = told([pairing.push(block), pairing.push(samples(R, t_s)), pairing.flush()])
    assert np.flatnonzero(np.isnan(rows.left[:, 0])).tolist() == list(range(30, 35))
    assert pairing.late == 0


def test_nothing_is_read_beyond_a_foot_s_last_sample():
    rows = paired(grid(0, 50), grid(0, 40) + 0.003)
    gone = np.isnan(rows.right[:, 0])
    assert np.isfinite(rows.left).all()
    assert gone[rows.t_s > 0.393 + 1e-9].all() and not gone[rows.t_s < 0.393].any()


# ---- who is waited for ----


def test_a_row_is_given_out_once_both_feet_have_a_sample_after_it():
    pairing = Pairing(100.0)
    assert len(pairing.push(samples(L, grid(0, 50)))) == 0
    assert len(pairing.push(samples(R, grid(0, 3) + 0.004))) == 3
    assert len(pairing.push(samples(R, grid(3, 4) + 0.004))) == 1
    assert pairing.next_index == 4
    assert len(pairing.push(samples(L, grid(50, 90)))) == 0


def test_rows_wait_no_longer_for_a_foot_that_is_away():
    pairing = Pairing(100.0)
    pairing.push(samples(L, grid(0, 50)))
    both = pairing.push(samples(R, grid(0, 20)))
    assert len(both) == 20
    alone = pairing.away(R)
    assert len(alone) == 30
    assert np.isnan(alone.right).all() and np.isfinite(alone.left).all()
    assert len(pairing.push(samples(L, grid(50, 60)))) == 10


def test_a_foot_that_is_back_is_waited_for_again_and_takes_no_row_back():
    pairing = Pairing(100.0)
    pairing.push(samples(R, grid(0, 20)))
    pairing.push(samples(L, grid(0, 50)))
    pairing.away(R)
    pairing.back(R)
    assert len(pairing.push(samples(L, grid(50, 60)))) == 0
    rows = pairing.push(samples(R, grid(40, 60)))  # ten of them for rows that are out
    assert pairing.late == 10
    assert len(rows) == 10
    assert np.isfinite(rows.right).all() and np.isfinite(rows.left).all()


def test_a_foot_never_heard_is_away_when_told_so():
    pairing = Pairing(100.0)
    assert len(pairing.away(R)) == 0
    alone = pairing.push(samples(L, grid(0, 30)))
    assert alone.right.shape == (30, N_COLUMNS) and np.isnan(alone.right).all()
    pairing.back(R)
    assert len(pairing.push(samples(L, grid(30, 40)))) == 0
    assert len(pairing.push(samples(R, grid(25, 40)))) == 10


def test_both_feet_away_leave_what_the_later_had():
    pairing = Pairing(100.0)
    pairing.push(samples(L, grid(0, 30)))
    pairing.push(samples(R, grid(0, 20)))
    pairing.away(L)
    rows = pairing.away(R)
    assert pairing.next_index == 30
    assert len(rows) == 10 and np.isnan(rows.right).all()


def test_flush_gives_out_the_rest_up_to_the_later_foot():
    pairing = Pairing(100.0)
    pairing.push(samples(L, grid(0, 30)))
    pairing.push(samples(R, grid(0, 20)))
    assert len(pairing.flush()) == 10
    assert len(pairing.flush()) == 0


# ---- order, indices, nothing ----


def test_samples_out_of_order_and_repeated_are_left_out_and_counted():
    pairing = Pairing(100.0)
    pairing.push(samples(L, grid(0, 10)))
    pairing.push(samples(L, grid(5, 12)))
    rows = pairing.push(samples(R, grid(0, 12)))
    assert pairing.late == 5
    assert rows.left == pytest.approx(samples(L, grid(0, 12)).values)


def test_indices_go_on_from_the_first():
    pairing = Pairing(100.0, first=1000)
    pairing.push(samples(L, grid(0, 10)))
    rows = pairing.push(samples(R, grid(0, 10)))
    assert (rows.first, pairing.next_index) == (1000, 1010)


def test_no_samples_and_one_sample():
    pairing = Pairing(100.0)
    assert len(pairing.push(samples(L, grid(0, 0)))) == 0
    assert len(pairing.flush()) == 0
    assert len(paired(grid(7, 8), grid(7, 8))) == 1
    one = paired(grid(7, 8), grid(0, 20))
    assert np.isfinite(one.left[one.t_s == 0.07]).all()


def test_samples_are_not_changed_and_rows_are_not_views_of_them():
    t_s = grid(0, 50)
    left, right = samples(L, t_s), samples(R, t_s)
    for array in (left.values, right.values, t_s):
        array.setflags(write=False)
    pairing = Pairing(100.0)
    pairing.push(left)
    rows = pairing.push(right)
    rows.left[:] = 0.0
    assert left.values[3, 0] == pytest.approx(303.0)


def test_samples_kept_do_not_grow():
    pairing = Pairing(100.0)
    for k in range(400):
        pairing.push(samples(L, grid(50 * k, 50 * k + 50)))
        pairing.push(samples(R, grid(50 * k, 50 * k + 50)))
    # the last alone, which the next row may be interpolated from
    assert all(len(side) == 1 for side in pairing._sides.values())
