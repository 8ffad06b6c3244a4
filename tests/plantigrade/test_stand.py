"""Stands from loads drawn by hand: exact rows, shares, bearing, and what is no stand."""

from dataclasses import replace

import numpy as np
import pytest

from plantigrade.analyser import run_whole
from plantigrade.block import N_COLUMNS, Column, FloatArray, Foot, PairBlock
from plantigrade.events import Bearing, Stand
from plantigrade.limits import Limits, Setup, setup_for
from plantigrade.stand import (
    StandDetector,
    foot_stand,
)
from plantigrade.sway import lowpass, sway
from plantigrade.zones import eighteen

BW_N = 700.0
SHARES = (0.60, 0.08, 0.28, 0.04)
"""Of heel, midfoot, forefoot, toes in quiet standing: Cavanagh et al. 1987, Foot Ankle 7:262 (from
memory); here only numbers to find again."""


def setup(rate_hz: float = 100.0, **limits) -> Setup:
    return setup_for(eighteen(), rate_hz, BW_N, Foot.LEFT, Limits(**limits))


def foot_rows(load_n: FloatArray, shares: tuple[float, ...] = SHARES) -> FloatArray:
    values = np.zeros((len(load_n), N_COLUMNS))
    values[:, :4] = load_n[:, None] * np.array(shares)
    values[:, Column.MOMENT_X] = 0.48 * load_n
    values[:, Column.MOMENT_Y] = 0.36 * load_n
    values[:, Column.MIDFOOT_ZONES] = 4.0
    return values


def stand_rows(seconds: float = 15.0, rate_hz: float = 100.0, left: float = 0.5) -> PairBlock:
    n = round(seconds * rate_hz)
    return PairBlock(
        0,
        np.arange(n) / rate_hz,
        foot_rows(np.full(n, left * BW_N)),
        foot_rows(np.full(n, (1.0 - left) * BW_N)),
    )


def stands(block: PairBlock, made: Setup | None = None) -> list[Stand]:
    found = run_whole(StandDetector(made or setup()), [block])
    assert all(isinstance(e, Stand) for e in found)
    return [e for e in found if isinstance(e, Stand)]


def test_a_quiet_stand_is_measured():
    (stand,) = stands(stand_rows(15.0, left=0.55))
    assert (stand.start_s, stand.end_s, stand.first_index) == (0.0, 14.99, 0)
    assert stand.confirmed_s == 14.99  # by the last row there is
    assert stand.left_share == pytest.approx(0.55)
    assert stand.left.load_n == pytest.approx(385.0)
    for foot in (stand.left, stand.right):
        shares = (foot.heel_share, foot.midfoot_share, foot.forefoot_share, foot.toes_share)
        assert shares == pytest.approx(SHARES)
        assert (foot.cop_x, foot.cop_y) == pytest.approx((0.48, 0.36))
        assert foot.bearing is Bearing.BEARING
        assert foot.midfoot_share_sd == pytest.approx(0.0, abs=1e-12)
        assert foot.midfoot_zones == 4
        assert foot.sway_range_y_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("seconds", "found"), [(9.5, 0), (10.0, 1), (10.4, 1), (60.0, 1)])
def test_a_stand_lasts_ten_seconds(seconds, found):
    assert len(stands(stand_rows(seconds))) == found


def test_a_longer_stand_is_given_out_in_pieces():
    pieces = stands(stand_rows(30.0), setup(stand_max_s=12.0))
    assert [(p.start_s, p.end_s) for p in pieces] == [(0.0, 11.99), (12.0, 23.99)]
    # what is left is under ten seconds
    assert pieces[0].confirmed_s == 12.49


def test_a_stand_begins_and_ends_at_pieces_of_half_a_second():
    block = stand_rows(30.0)
    walking = slice(1620, 1800)
    block.left[walking, :6] *= 0.1
    first, second = stands(block)
    assert (first.start_s, first.end_s, first.confirmed_s) == (0.0, 15.99, 16.49)
    assert (second.start_s, second.first_index) == (18.0, 1800)


def test_pieces_lie_on_the_time_line_wherever_rows_begin():
    """Rows from 1030 on: their first whole half second begins in row 1050."""
    block = stand_rows(15.0)
    (stand,) = stands(PairBlock(1030, block.t_s + 10.3, block.left, block.right))
    assert stand.first_index == 1050
    assert stand.start_s == pytest.approx(10.5)
    assert StandDetector(setup()).push(block.slice(0, 0)) == []


def test_a_stand_is_confirmed_by_the_piece_that_ends_it():
    block = stand_rows(20.0)
    block.right[1230, :6] = 0.0
    detector = StandDetector(setup())
    assert detector.push(block.slice(0, 1249)) == []
    (stand,) = detector.push(block.slice(1249, 1250))
    assert isinstance(stand, Stand) and stand.confirmed_s == 12.49


# ---- what is not quiet ----


def disturbed(part: float, of: str) -> PairBlock:
    """The middle of a stand of 15 s is disturbed by so much."""
    block = stand_rows(15.0)
    if of == "share":
        block.left[740, :6] *= 1.0 + 2.0 * part
        block.right[740, :6] *= 1.0 - 2.0 * part
    else:
        block.left[740, :6] *= 1.0 + part
        block.right[740, :6] *= 1.0 + part
    return block


@pytest.mark.parametrize(("of", "most"), [("share", 0.10), ("load", 0.20)])
def test_quiet_is_within_its_ranges(of, most):
    assert len(stands(disturbed(0.98 * most, of))) == 1
    assert stands(disturbed(1.02 * most, of)) == []


@pytest.mark.parametrize(
    ("of", "name", "value"), [("share", "stand_quiet_share", 0.05), ("load", "stand_quiet_bw", 0.1)]
)
def test_the_ranges_of_quiet_may_be_set(of, name, value):
    made = setup(**{name: value})
    assert len(stands(disturbed(0.98 * value, of), made)) == 1
    assert stands(disturbed(1.02 * value, of), made) == []


def test_a_slow_shift_of_weight_is_no_quiet_stand_and_slow_sway_is():
    n = 2000
    for reach, found in ((0.03, 1), (0.45, 0)):
        left = BW_N * (0.5 + reach * np.sin(2.0 * np.pi * np.arange(n) / 300.0))
        block = PairBlock(0, np.arange(n) / 100.0, foot_rows(left), foot_rows(BW_N - left))
        assert len(stands(block)) == found


@pytest.mark.parametrize(
    ("left_n", "right_n", "found"),
    [(700.0, 0.0, 0), (700.0, 34.0, 0), (700.0, 36.0, 1), (170.0, 170.0, 0), (180.0, 180.0, 1)],
)
def test_both_feet_stand_and_carry_at_least_half_of_the_body(left_n, right_n, found):
    n = 1500
    rows = PairBlock(
        0,
        np.arange(n) / 100.0,
        foot_rows(np.full(n, left_n)),
        foot_rows(np.full(n, right_n)),
    )
    assert len(stands(rows)) == found


@pytest.mark.parametrize("at", [700, 749])
def test_a_hole_ends_a_stand(at):
    block = stand_rows(25.0)
    block.left[at] = np.nan
    (stand,) = stands(block)
    assert stand.start_s == 7.5
    assert not stand.touches_gap


# ---- shares, bearing, sway ----


@pytest.mark.parametrize(
    ("midfoot", "expected"),
    [
        (0.0, Bearing.NONE),
        (0.0299, Bearing.UNCLEAR),
        (0.0301, Bearing.SLIGHT),
        (0.0601, Bearing.BEARING),
        (0.1799, Bearing.UNCLEAR),
        (0.1801, Bearing.BROAD),
    ],
)
def test_bearing_by_the_midfoot_s_share(midfoot, expected):
    """None under 3 %, bearing from 6 %, broad from 18 % (ours); 5.76 N are 1.6 % of 350 N."""
    rest = (0.6 * (1 - midfoot), midfoot, 0.4 * (1 - midfoot), 0.0)
    values = foot_rows(np.full(1200, 350.0), rest)
    assert foot_stand(values, setup()).bearing is expected


def swaying(of: Column, rms_mm: float, seconds: float = 12.0) -> FloatArray:
    """A foot whose CoP sways at 0.5 Hz in one direction: a sine of √2 × its RMS."""
    t = np.arange(round(seconds * 100)) / 100
    size, middle = (95.0, 0.48) if of is Column.MOMENT_X else (270.0, 0.36)
    values = foot_rows(np.full(len(t), 350.0))
    reach = np.sqrt(2.0) * rms_mm / size
    values[:, of] = 350.0 * (middle + reach * np.sin(np.pi * t))
    return values


@pytest.mark.parametrize("of", [Column.MOMENT_X, Column.MOMENT_Y])
@pytest.mark.parametrize(
    ("rms_mm", "expected"),
    [(9.7, Bearing.BEARING), (10.3, Bearing.MOVED), (23.0, Bearing.MOVED)],
)
def test_a_foot_that_sways_by_more_than_10_mm_moved(of, rms_mm, expected):
    foot = foot_stand(swaying(of, rms_mm), setup())
    assert foot.bearing is expected
    assert foot.midfoot_share == pytest.approx(0.08)
    found = foot.sway_rms_x_mm if of is Column.MOMENT_X else foot.sway_rms_y_mm
    assert found == pytest.approx(rms_mm, rel=0.01)


def test_how_quiet_is_enough_may_be_set():
    foot = swaying(Column.MOMENT_Y, 10.3)
    assert foot_stand(foot, setup(stand_quiet_mm=10.6)).bearing is Bearing.BEARING
    foot = swaying(Column.MOMENT_X, 4.0)
    assert foot_stand(foot, setup(stand_quiet_mm=3.9)).bearing is Bearing.MOVED


def test_one_foot_may_move_while_the_other_is_quiet():
    n = 1500
    rows = PairBlock(
        0,
        np.arange(n) / 100.0,
        swaying(Column.MOMENT_Y, 23.0, 15.0),
        foot_rows(np.full(n, 350.0)),
    )
    (stand,) = stands(rows)
    assert (stand.left.bearing, stand.right.bearing) == (Bearing.MOVED, Bearing.BEARING)


@pytest.mark.parametrize(
    ("midfoot_n", "medial_n", "expected"),
    [(28.0, 7.0, 0.25), (28.0, 0.0, 0.0), (2.89, 2.89, 1.0), (2.87, 1.0, None), (0.0, 0.0, None)],
)
def test_the_medial_part_of_the_midfoot_s_load(midfoot_n, medial_n, expected):
    """None under the midfoot's floor: six zones of 480 mm² at 1 kPa are 2.88 N."""
    values = foot_rows(np.full(1200, 350.0))
    values[:, Column.MIDFOOT], values[:, Column.MIDFOOT_MEDIAL] = midfoot_n, medial_n
    found = foot_stand(values, setup()).midfoot_medial_share
    assert found == (None if expected is None else pytest.approx(expected))


def test_a_foot_under_5_percent_of_the_body_has_no_shares():
    foot = foot_stand(foot_rows(np.full(1200, 34.9)), setup())
    assert foot.bearing is Bearing.UNCLEAR
    assert foot.load_n == pytest.approx(34.9)
    assert foot.heel_share is None and foot.cop_y is None and foot.sway_path_mm is None


def test_a_layout_without_toes_has_no_share_of_toes():
    made = replace(setup(), has_toes=False)
    assert foot_stand(foot_rows(np.full(1200, 350.0)), made).toes_share is None


def test_the_spread_of_the_midfoot_s_share_is_between_seconds():
    values = foot_rows(np.full(1200, 350.0))
    shares = np.repeat([0.06, 0.10] * 6, 100)
    values[:, Column.MIDFOOT] = 350.0 * shares
    values[:, Column.HEEL] = 350.0 * (0.68 - shares)
    foot = foot_stand(values, setup())
    assert foot.midfoot_share == pytest.approx(0.08)
    assert foot.midfoot_share_sd == pytest.approx(np.std([0.06, 0.10] * 6, ddof=1))


def test_sway_is_that_of_the_low_passed_cop_in_mm():
    rng = np.random.default_rng(8)
    n = 1500
    values = foot_rows(np.full(n, 350.0))
    xy = np.stack([0.48 + 0.01 * rng.standard_normal(n), 0.36 + 0.01 * rng.standard_normal(n)], 1)
    values[:, [Column.MOMENT_X, Column.MOMENT_Y]] = 350.0 * xy
    foot = foot_stand(values, setup())
    expected = sway(lowpass(xy * [95.0, 270.0], 100.0), 100.0)
    assert foot.sway_path_mm == pytest.approx(expected.path_mm)
    assert foot.sway_ellipse_mm2 == pytest.approx(expected.ellipse_mm2)
    assert foot.sway_speed_mm_s == pytest.approx(expected.speed_mm_s)
    # 3.65 mm of white noise up to 50 Hz, of which a tenth to a fifth passes 10 Hz
    assert 0.8 < foot.sway_rms_y_mm < 2.0  # type: ignore[operator]


@pytest.mark.parametrize("rate_hz", [20.0, 20.5, 50.0, 1000.0])
def test_stands_are_measured_at_every_rate_that_is_allowed(rate_hz):
    (stand,) = stands(stand_rows(12.0, rate_hz), setup(rate_hz))
    assert stand.left.load_n == pytest.approx(350.0)


def test_rows_kept_do_not_grow():
    detector = StandDetector(setup())
    for k in range(60):
        block = stand_rows(60.0)
        detector.push(PairBlock(6000 * k, block.t_s + 60.0 * k, block.left, block.right))
    assert detector._rows is not None
    assert detector._rows.end - detector._rows.first <= 12_050
