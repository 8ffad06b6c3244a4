"""Load and centre of pressure: exact checks (reference values, F), and readings without sense."""

from dataclasses import replace

import numpy as np
import pytest

from plantigrade.block import Column, Foot, PressureBlock
from plantigrade.errors import SampleError
from plantigrade.load import (
    LoadReducer,
    body_weight_n,
    centre_of_pressure,
    share,
    total_load,
)
from plantigrade.zones import ZoneLayout, eighteen


def line_layout(unit: str = "N", y: tuple[float, ...] = (0.0, 0.5, 1.0)) -> ZoneLayout:
    """Zones in a row from heel to toe, in newtons: the textbook's rod."""
    n = len(y)
    region = np.array([0, 1, 2, 3][:n])
    return ZoneLayout(
        "rod", unit, 100.0, 50.0, region, np.full(n, 0.25), np.array(y), np.full(n, 1e3)
    )


def reduced(layout: ZoneLayout, *rows: list[float], **options) -> np.ndarray:
    pressure = np.array(rows, dtype=np.float64).reshape(len(rows), layout.n_zones)
    block = PressureBlock(Foot.LEFT, np.arange(len(rows)) / 100.0, pressure)
    return LoadReducer(layout, **options).reduce(block).values


def cop_y(values: np.ndarray, least_n: float = 1.0) -> list[float]:
    y: list[float] = centre_of_pressure(values, least_n)[:, 1].tolist()
    return y


# CoP = Σ p·x / Σ p (textbook definition; exact cases computed in the project's reference values, F)


def test_two_equal_loads_have_their_cop_half_way():
    assert cop_y(reduced(line_layout(), [50.0, 0.0, 50.0])) == [0.5]


def test_three_to_one_has_its_cop_at_a_quarter():
    assert cop_y(reduced(line_layout(), [75.0, 0.0, 25.0])) == [0.25]


@pytest.mark.parametrize("zone", range(18))
def test_a_single_zone_has_its_cop_at_itself(zone):
    layout = eighteen()
    row = [0.0] * 18
    row[zone] = 100.0
    cop = centre_of_pressure(reduced(layout, row), 1.0)[0]
    assert cop == pytest.approx([layout.x[zone], layout.y[zone]], abs=1e-15)


@pytest.mark.parametrize("load", [0.0, 0.999, -5.0, np.nan])
def test_no_load_has_no_cop(load):
    assert np.isnan(centre_of_pressure(reduced(line_layout(), [0.0, load, 0.0]), 1.0)).all()


@pytest.mark.filterwarnings("error")
def test_zero_load_has_no_cop_even_with_no_least_load():
    assert np.isnan(centre_of_pressure(reduced(line_layout(), [0.0, 0.0, 0.0]), 0.0)).all()


def test_scaling_leaves_the_cop_and_an_offset_pulls_it_to_the_centroid():
    rng = np.random.default_rng(3)
    layout = eighteen()
    row = rng.uniform(0.0, 200.0, 18)
    one, scaled, offset = reduced(layout, row.tolist(), (7.0 * row).tolist(), (row + 50.0).tolist())
    cop = centre_of_pressure(np.array([one, scaled, offset]), 1.0)
    assert cop[1] == pytest.approx(cop[0], abs=1e-12)
    area = layout.area_mm2
    centroid = np.array([layout.x @ area, layout.y @ area]) / area.sum()
    before, after = np.abs(cop[0] - centroid), np.abs(cop[2] - centroid)
    assert (after < before).all()


def test_a_cop_never_leaves_the_insole():
    """Noise about an empty zone can be negative."""
    values = reduced(line_layout(), [60.0, 0.0, -20.0], [-20.0, 0.0, 60.0])
    assert cop_y(values) == [0.0, 1.0]


def test_regional_loads_are_kpa_times_area():
    layout = eighteen()
    values = reduced(layout, [100.0] * 18)
    for k, region in enumerate(("heel", "midfoot", "forefoot", "toes")):
        assert values[0, k] == pytest.approx(0.1 * layout.area_mm2[layout.zones_of(region)].sum())
    assert total_load(values)[0] == pytest.approx(0.1 * layout.area_mm2.sum())
    moments = values[0, [Column.MOMENT_X, Column.MOMENT_Y]]
    assert moments == pytest.approx(
        [0.1 * layout.x @ layout.area_mm2, 0.1 * layout.y @ layout.area_mm2]
    )


def test_gain_multiplies_newtons_and_no_contact():
    row = [4.0] * 18
    one, two = reduced(eighteen(), row), reduced(eighteen(), row, gain=2.0)
    assert np.array_equal(two[:, :6], 2.0 * one[:, :6])
    assert np.array_equal(two[:, Column.MIDFOOT_MEDIAL], 2.0 * one[:, Column.MIDFOOT_MEDIAL])
    assert one[0, Column.MIDFOOT_ZONES] == two[0, Column.MIDFOOT_ZONES] == 0.0


def test_the_medial_load_of_the_midfoot_is_that_of_its_zones_under_half_the_width():
    """Zones 5, 7 and 9 of the built-in layout, 480 mm² each: 10, 20 and 30 kPa make 28.8 N."""
    row = [100.0] * 18
    row[4], row[6], row[8] = 10.0, 20.0, 30.0
    assert reduced(eighteen(), row)[0, Column.MIDFOOT_MEDIAL] == pytest.approx(28.8)
    assert reduced(line_layout(), [5.0, 7.0, 9.0])[0, Column.MIDFOOT_MEDIAL] == 7.0
    middle = replace(line_layout(), x=np.full(3, 0.5))
    assert reduced(middle, [5.0, 7.0, 9.0])[0, Column.MIDFOOT_MEDIAL] == 0.0


def test_midfoot_zones_in_contact_are_counted():
    layout = eighteen()
    row = np.zeros(18)
    row[[4, 5, 9]] = [5.0, 5.001, 80.0]
    row[[0, 12]] = 300.0
    assert reduced(layout, row.tolist())[0, Column.MIDFOOT_ZONES] == 2.0
    assert reduced(line_layout(), [0.0, 5.1, 0.0])[0, Column.MIDFOOT_ZONES] == 1.0
    assert reduced(line_layout(), [0.0, 4.9, 0.0])[0, Column.MIDFOOT_ZONES] == 0.0


def test_the_contact_limit_of_a_layout_in_newtons_is_the_force_of_5_kpa_on_each_zone():
    """1 kPa is 1 mN on each mm² (SI): 2 N on 400 mm², 5 N on 1000 mm²."""
    layout = ZoneLayout(
        "two",
        "N",
        100.0,
        50.0,
        np.array([1, 1]),
        np.full(2, 0.25),
        np.array([0.4, 0.6]),
        np.array([400.0, 1000.0]),
    )
    rows = ([1.9, 4.9], [2.1, 4.9], [1.9, 5.1], [2.1, 5.1])
    assert reduced(layout, *rows)[:, Column.MIDFOOT_ZONES].tolist() == [0.0, 1.0, 1.0, 2.0]


@pytest.mark.parametrize("zone", [0, 5, 17])
def test_a_row_with_a_missing_zone_is_missing_throughout(zone):
    good, bad = [10.0] * 18, [10.0] * 18
    bad[zone] = np.nan
    values = reduced(eighteen(), good, bad, good)
    assert np.isnan(values[1]).all()
    assert np.isfinite(values[[0, 2]]).all()


def test_a_missing_zone_that_is_left_out_does_no_harm():
    row = [10.0] * 18
    row[5] = np.nan
    assert np.isfinite(reduced(eighteen(), row, excluded=(5,))).all()


def test_what_is_left_of_a_region_stands_in_for_a_stuck_zone():
    """Even pressure reads the same load with a zone left out."""
    layout = eighteen()
    row = [50.0] * 18
    whole = reduced(layout, row)
    row[6] = 800.0  # stuck at full scale
    without = reduced(layout, row, excluded=(6,))
    assert without[0, :4] == pytest.approx(whole[0, :4])
    assert without[0, Column.MIDFOOT_ZONES] == whole[0, Column.MIDFOOT_ZONES] - 1
    gone = reduced(layout, row, excluded=(4, 5, 6, 7, 8, 9))
    assert gone[0, Column.MIDFOOT] == 0.0
    assert gone[0, Column.HEEL] == whole[0, Column.HEEL]


def test_negative_and_huge_readings_stay_numbers():
    values = reduced(eighteen(), [-3.0] * 18, [1e6] * 18)
    assert np.isfinite(values).all() and total_load(values)[0] < 0.0


def test_no_samples_and_one_sample():
    layout = eighteen()
    assert reduced(layout).shape == (0, 8)
    assert reduced(layout, [1.0] * 18).shape == (1, 8)
    assert centre_of_pressure(reduced(layout), 1.0).shape == (0, 2)
    assert total_load(reduced(layout)).shape == (0,)


def test_another_number_of_zones_is_refused_in_one_sentence():
    block = PressureBlock(Foot.RIGHT, np.zeros(2), np.zeros((2, 8)))
    with pytest.raises(SampleError, match="right foot: 8 zones, expected the 18 of layout"):
        LoadReducer(eighteen()).reduce(block)


@pytest.mark.parametrize("pressure", [np.zeros((3, 18)), np.zeros(2)])
def test_a_block_of_unequal_lengths_is_refused(pressure):
    with pytest.raises(SampleError, match="expected one row of zones per time"):
        PressureBlock(Foot.LEFT, np.zeros(2), pressure)


def test_readings_are_not_changed():
    pressure = np.random.default_rng(1).uniform(0.0, 300.0, (50, 18))
    pressure.setflags(write=False)
    before = pressure.copy()
    LoadReducer(eighteen(), excluded=(3,)).reduce(
        PressureBlock(Foot.LEFT, np.arange(50.0), pressure)
    )
    assert np.array_equal(pressure, before)


def test_the_layout_is_not_changed_by_a_gain():
    """`newtons_per_unit` of a layout in newtons is made anew each time."""
    layout = line_layout()
    LoadReducer(layout, gain=3.0, excluded=(1,))
    assert layout.newtons_per_unit.tolist() == [1.0, 1.0, 1.0]


# ---- share ----


def test_share_is_lead_over_both():
    lead, trail = np.array([0.0, 50.0, 300.0, 100.0]), np.array([100.0, 150.0, 100.0, 0.0])
    assert share(lead, trail, 1.0).tolist() == [0.0, 0.25, 0.75, 1.0]


@pytest.mark.filterwarnings("error")
def test_share_is_undefined_without_load_and_kept_within_0_and_1():
    lead = np.array([0.0, 10.0, -5.0, np.nan, 105.0, 200.0])
    trail = np.array([0.0, 10.0, 105.0, 50.0, -5.0, np.nan])
    s = share(lead, trail, 50.0)
    assert np.isnan(s).tolist() == [True, True, False, True, False, True]
    assert s[[2, 4]].tolist() == [0.0, 1.0]


# ---- body weight ----


def test_body_weight_of_a_stand_is_its_load():
    left, right = np.full(1000, 300.0), np.full(1000, 420.0)
    assert body_weight_n(left, right, 100.0) == pytest.approx(720.0)


def test_body_weight_leaves_out_feet_in_the_air_and_missing_samples():
    left, right = np.full(4000, 350.0), np.full(4000, 350.0)
    left[:1000] = right[:1000] = 2.0  # insoles in the hand
    left[2000:2100] = np.nan
    assert body_weight_n(left, right, 100.0) == pytest.approx(700.0)


@pytest.mark.parametrize("n", [0, 1, 199])
def test_body_weight_needs_two_loaded_seconds(n):
    assert body_weight_n(np.full(n, 300.0), np.full(n, 300.0), 100.0) is None


@pytest.mark.parametrize("level", [0.0, 20.0, np.nan, -100.0])
def test_body_weight_of_nothing_is_nothing(level):
    assert body_weight_n(np.full(900, level), np.full(900, level), 100.0) is None


def total(*means: tuple[float, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return both feet's loads that make these totals, N, for so many seconds each at 100 Hz."""
    n = np.concatenate([np.full(100 * seconds, level) for level, seconds in means])
    return 0.25 * n, 0.75 * n


@pytest.mark.parametrize(
    ("means", "bw_n"),
    [
        (((49.5, 8),), None),  # the most is under 50 N
        (((50.0, 8),), 50.0),
        (((700.0, 4), (350.0, 6)), 350.0),  # half of the most is not left out
        (((700.0, 4), (349.0, 6)), 700.0),
        # means of two seconds: each second by itself would be left out, or too much
        (((300.0, 1), (1100.0, 1)) * 6, 700.0),
        # of eleven the tenth is the 90th percentile
        (((300.0, 18), (600.0, 2), (2000.0, 2)), 300.0),
        (((700.0, 2),), 700.0),
    ],
)
def test_body_weight_is_the_median_of_loaded_two_seconds(means, bw_n):
    assert body_weight_n(*total(*means), 100.0) == (None if bw_n is None else pytest.approx(bw_n))
