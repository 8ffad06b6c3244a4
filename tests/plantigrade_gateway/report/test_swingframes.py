"""The rows that are kept about a swing: which, whose, and in what numbers."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import swing

from plantigrade.block import N_COLUMNS, Foot, PairBlock
from plantigrade.limits import Limits
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.swingframes import (
    SwingCutter,
    SwingFrames,
    pack,
    unpack,
    window_s,
)

SETTINGS = SessionSettings(bw_n=500.0)
ONE = swing(1000)
"""Start 10, shift 10.75 s, decided at 11.5 s."""


def test_a_second_before_the_start_and_half_a_second_after_the_finish_are_kept():
    """And about the shift 2 s before and 1.5 s after it, with a row of 20 Hz beyond."""
    far = replace(ONE, finish_s=13.0)
    assert window_s(replace(far, shift_s=None)) == (9.0, 13.5)
    assert list(window_s(far)) == pytest.approx([10.75 - 2.05, 13.5])
    assert list(window_s(replace(far, shift_s=12.0))) == pytest.approx([9.0, 13.55])
    assert window_s(replace(ONE, shift_s=None)) == (9.0, 12.0)  # to where it was decided
    assert window_s(replace(ONE, shift_s=None, start_s=None)) == (8.0, 12.0)  # from address
    endless = replace(ONE, shift_s=None, finish_s=99.0)
    assert window_s(endless) == (9.0, 22.0)  # 12 s at most


def rows(a: int, b: int) -> tuple[PairBlock, ZoneRows]:
    """The a-th to b-th row of a session at 100 Hz; values tell where they stand."""
    at = np.arange(a, b)
    t_s = at / 100
    left, right = np.zeros((len(at), N_COLUMNS)), np.zeros((len(at), N_COLUMNS))
    left[:, 0], right[:, 0] = at, -at
    zones = np.tile(at[:, None] / 64.0, (1, 18))
    return PairBlock(a, t_s, left, right), ZoneRows(t_s, zones, zones + 1.0)


def cut(size: int, swings=(ONE,), until: int = 3000, settings=SETTINGS) -> dict[int, SwingFrames]:
    cutter = SwingCutter(swings)
    found: dict[int, SwingFrames] = {}
    for a in range(0, until, size):
        found |= cutter.push(*rows(a, min(a + size, until)), settings)
    return found | cutter.flush()


@pytest.mark.parametrize("size", [7, 100, 2999])
def test_rows_of_a_window_are_cut_out_of_what_comes(size):
    begin_s, end_s = 8.70, 12.30  # 2.05 s before the shift; 1.55 s after it
    assert list(window_s(ONE)) == pytest.approx([begin_s, end_s])
    (found,) = cut(size).values()
    at = np.arange(870, 1230)
    np.testing.assert_array_equal(found.t_s, at / 100)
    np.testing.assert_array_equal(found.left[:, 0], at)
    np.testing.assert_array_equal(found.right[:, 0], -at)
    np.testing.assert_array_equal(found.left_zones[:, 5], at / 64)
    np.testing.assert_array_equal(found.right_zones[:, 5], at / 64 + 1)
    assert found.settings == SETTINGS


def test_a_swing_is_given_out_when_its_window_is_over_and_once():
    cutter = SwingCutter([ONE, replace(ONE, shift_s=20.0, start_s=19.0, finish_s=20.5)])
    assert cutter.push(*rows(0, 0), SETTINGS) == {}
    assert cutter.push(*rows(0, 1230), SETTINGS) == {}
    assert list(cutter.push(*rows(1230, 1232), SETTINGS)) == [0]
    assert list(cutter.push(*rows(1232, 1900), SETTINGS)) == []
    assert list(cutter.flush()) == [1]
    assert cutter.flush() == {}
    never = SwingCutter([replace(ONE, start_s=90.0, shift_s=None, confirmed_s=91.0)])
    assert never.push(*rows(0, 100), SETTINGS) == {} and never.flush() == {}


def test_a_window_that_ends_at_a_row_is_over_with_it():
    cutter = SwingCutter([replace(ONE, shift_s=None)])
    assert window_s(replace(ONE, shift_s=None)) == (9.0, 12.0)
    assert cutter.push(*rows(0, 1200), SETTINGS) == {}
    (found,) = cutter.push(*rows(1200, 1201), SETTINGS).values()
    assert found.t_s[[0, -1]].tolist() == [9.0, 11.99]


def test_overlapping_windows_both_have_their_rows():
    later = replace(ONE, shift_s=11.0)
    found = cut(50, (ONE, later))
    assert sorted(found) == [0, 1]
    np.testing.assert_array_equal(found[1].t_s[[0, -1]], [8.95, 12.54])


def test_rows_after_a_change_of_settings_are_left_out():
    cutter = SwingCutter([ONE])
    cutter.push(*rows(0, 1000), SETTINGS)
    cutter.push(*rows(1000, 1100), SessionSettings(bw_n=600.0))
    (found,) = cutter.flush().values()
    assert found.settings == SETTINGS and found.t_s[-1] == 9.99


def frames(settings: SessionSettings = SETTINGS) -> SwingFrames:
    left = np.tile([100.0, 50.0, 75.0, 25.0, 25.0, 125.0, 10.0, 3.0], (2, 1))
    right = np.tile([10.0, 0.0, 20.0, 20.0, 40.0, 10.0, 0.0, 0.0], (2, 1))
    return SwingFrames(np.array([1.0, 1.01]), left, right, left[:, :3], right[:, :3], settings)


def test_loads_by_body_weight_places_and_share():
    """250 and 50 N of 500 N; the CoP is the moment over the load."""
    made = frames()
    np.testing.assert_allclose(made.regions_bw(Foot.LEFT)[0], [0.2, 0.1, 0.15, 0.05])
    np.testing.assert_allclose(made.load_bw(Foot.LEFT), 0.5)
    np.testing.assert_allclose(made.load_bw(Foot.RIGHT), 0.1)
    np.testing.assert_allclose(made.cop(Foot.LEFT)[0], [0.1, 0.5])
    np.testing.assert_allclose(made.cop(Foot.RIGHT)[0], [0.8, 0.2])
    np.testing.assert_allclose(made.lead_share, 250 / 300)
    by_left = frames(replace(SETTINGS, handed="left"))
    np.testing.assert_allclose(by_left.lead_share, 50 / 300)
    assert made.zones(Foot.LEFT)[0, 0] == 100.0 and made.zones(Foot.RIGHT)[0, 0] == 10.0


def test_a_foot_that_carries_too_little_has_no_place():
    """Under cop_bw × body weight: 0.2 × 500 N is more than the right foot's 50 N."""
    made = frames(replace(SETTINGS, limits=Limits(cop_bw=0.2)))
    assert np.isnan(made.cop(Foot.RIGHT)).all() and not np.isnan(made.cop(Foot.LEFT)).any()
    assert not np.isnan(made.lead_share).any()
    made = frames(replace(SETTINGS, bw_n=650.0, limits=Limits(cop_bw=0.5)))
    assert np.isnan(made.lead_share).all()  # 325 N are more than both carry


def test_values_are_kept_to_a_64th_and_times_exactly():
    made = frames()
    made.left[0, 0] = 100.01
    made = replace(made, t_s=np.array([1.0, 1.0 + 1 / 3]))
    found = SwingFrames.from_bytes(made.to_bytes())
    np.testing.assert_array_equal(found.t_s, made.t_s)
    assert found.left[0, 0] == 100.015625  # 6401 / 64
    assert found.right[1, 3] == 20.0 and found.settings == SETTINGS
    np.testing.assert_array_equal(found.right_zones, made.right_zones)


def test_bytes_without_what_they_name_are_refused():
    data = pack({}, {"a": np.ones(3)})
    head, tables = unpack(data)
    assert head == {} and tables["a"].tolist() == [1.0, 1.0, 1.0]
    with pytest.raises(StoreError, match="damaged"):
        unpack(data[: len(data) // 2])
