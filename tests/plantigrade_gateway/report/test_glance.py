"""Both feet at a glance: the last row, honest about what is missing."""

import numpy as np
import pytest

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade_gateway.report.screen import glance

BW_N = 800.0


def columns(heel_n: float, fore_n: float) -> FloatArray:
    """Return a foot's columns: heel at y = 0.1, forefoot at y = 0.7, both at x = 0.5."""
    load_n = heel_n + fore_n
    return np.array([heel_n, 0.0, fore_n, 0.0, 0.5 * load_n, 0.1 * heel_n + 0.7 * fore_n, 0.0, 0.0])


def rows(left: FloatArray, right: FloatArray) -> PairBlock:
    early = np.full((1, 8), 1.0)
    return PairBlock(4, np.array([1.0, 1.01]), np.vstack((early, left)), np.vstack((early, right)))


def test_the_last_row_is_shown_with_lead_and_trail_by_the_lead_foot():
    now = glance(rows(columns(300.0, 300.0), columns(0.0, 200.0)), Foot.LEFT, BW_N)
    assert now.t_s == 1.01
    assert now.lead_share == pytest.approx(0.75)
    assert now.feet[Foot.LEFT].load_bw == pytest.approx(0.75)
    assert now.feet[Foot.LEFT].cop == pytest.approx((0.5, 0.4))
    assert now.feet[Foot.RIGHT].cop == pytest.approx((0.5, 0.7))
    other = glance(rows(columns(300.0, 300.0), columns(0.0, 200.0)), Foot.RIGHT, BW_N)
    assert other.lead_share == pytest.approx(0.25)


def test_a_missing_foot_has_no_number_and_no_share():
    now = glance(rows(columns(300.0, 300.0), np.full(8, np.nan)), Foot.LEFT, BW_N)
    assert now.feet[Foot.RIGHT].load_n is None
    assert now.feet[Foot.RIGHT].cop is None
    assert now.lead_share is None
    assert now.feet[Foot.LEFT].load_n == pytest.approx(600.0)


def test_a_foot_in_the_air_has_a_load_and_no_cop():
    now = glance(rows(columns(300.0, 300.0), columns(10.0, 25.0)), Foot.LEFT, BW_N)
    assert now.feet[Foot.RIGHT].load_n == pytest.approx(35.0)
    assert now.feet[Foot.RIGHT].cop is None, "35 N are under 5 % of 800 N"
    below = glance(rows(columns(300.0, 300.0), columns(-3.0, 1.0)), Foot.LEFT, BW_N)
    assert below.feet[Foot.RIGHT].load_n == 0.0, "noise about nothing is nothing"
