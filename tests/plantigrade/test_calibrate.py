"""Calibration: curves exact at their knots, zero and gain, and what is refused."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.calibrate import (
    DEFAULT_TOP_KPA,
    FULL_SCALE,
    LOADED_COUNTS,
    MOVED_COUNTS,
    Calibration,
    Calibrator,
    bench_calibration,
    default_calibration,
    with_gain,
    zeroed,
)
from plantigrade.errors import CalibrationError
from plantigrade.zones import eighteen

KNOTS = np.array([0.0, 100.0, 1000.0, 4095.0])
CURVES = np.array([[0.0, 10.0, 200.0, 900.0], [0.0, 20.0, 100.0, 100.0]])


def two_zones(**changes) -> Calibration:
    given = {
        "foot": Foot.LEFT,
        "knots": KNOTS,
        "pressure": CURVES,
        "zero": np.array([0.0, 50.0]),
    }
    return Calibration(**{**given, **changes})


def read(calibration: Calibration, *rows: list[int]) -> np.ndarray:
    counts = np.array(rows, dtype=np.uint16).reshape(len(rows), calibration.n_zones)
    return Calibrator(calibration).block(np.arange(len(rows)) / 100.0, counts).pressure


def default() -> Calibration:
    return default_calibration(eighteen(), Foot.LEFT)


# ---- curves ----


def test_a_curve_is_exact_at_its_knots_and_straight_between():
    rows = [[0, 50], [100, 150], [550, 600], [1000, 1050], [4095, 4095]]
    pressure = read(two_zones(), *rows)
    assert pressure[:, 0].tolist() == [0.0, 10.0, 105.0, 200.0, 900.0]
    assert pressure[:, 1].tolist() == [0.0, 20.0, 60.0, 100.0, 100.0]


def test_counts_under_zero_go_on_along_the_first_piece():
    """So that noise about zero keeps its mean."""
    assert read(two_zones(), [0, 40])[0, 1] == pytest.approx(-2.0)
    assert read(two_zones(), [0, 0])[0, 1] == pytest.approx(-10.0)
    noise = [[0, 50 + k] for k in (-3, -1, 0, 1, 3)]
    assert read(two_zones(), *noise)[:, 1].mean() == pytest.approx(0.0)


def test_full_scale_and_more_is_full_scale_and_is_counted():
    calibrator = Calibrator(two_zones())
    counts = np.array([[4094, 4095], [4096, 65535]], dtype=np.uint16)
    kept = counts.copy()
    pressure = calibrator.block(np.array([0.0, 0.01]), counts).pressure
    assert pressure[1].tolist() == [900.0, 100.0]
    assert calibrator.saturated == 3
    assert np.array_equal(counts, kept)
    calibrator.block(np.array([0.02]), counts[:1])
    assert calibrator.saturated == 4


def test_no_samples_and_one_sample():
    assert read(two_zones()).shape == (0, 2)
    assert read(two_zones(), [1, 1]).shape == (1, 2)


def test_a_block_is_of_the_calibration_s_foot_and_times():
    t_s = np.array([5.0, 5.01])
    block = Calibrator(two_zones(foot=Foot.RIGHT)).block(t_s, np.zeros((2, 2), np.uint16))
    assert block.foot is Foot.RIGHT and block.t_s is t_s


def test_another_number_of_zones_is_refused():
    with pytest.raises(CalibrationError, match="left foot: packets of 3 zones"):
        Calibrator(two_zones()).block(np.zeros(1), np.zeros((1, 3), np.uint16))


def test_the_default_curve():
    """Nothing at nothing, 800 kPa at full scale, steeper at the top."""
    table = default().table()
    assert table.shape == (18, FULL_SCALE + 1)
    assert table[:, 0].tolist() == [0.0] * 18
    assert table[:, -1] == pytest.approx([DEFAULT_TOP_KPA] * 18)
    slopes = np.diff(table[0])
    assert (slopes > 0.0).all() and slopes[-1] > 1.5 * slopes[0]


# ---- counts from pressure ----


def test_counts_are_the_curve_backwards():
    calibration = replace(default(), zero=np.full(18, 30.0))
    wanted = np.random.default_rng(2).uniform(0.0, 750.0, (300, 18))
    counts = calibration.counts(wanted)
    assert counts.dtype == np.uint16
    got = Calibrator(calibration).block(np.arange(300.0), counts).pressure
    # half a count, at most 0.2 kPa of the default curve
    assert np.abs(got - wanted).max() < 0.2


def test_counts_under_zero_go_on_along_the_first_piece_of_the_curve():
    """As readings do: so that noise about zero keeps its mean."""
    calibration = replace(default(), zero=np.full(18, 30.0))
    wanted = np.linspace(-2.0, 0.0, 18)[None]
    counts = calibration.counts(wanted)
    got = Calibrator(calibration).block(np.array([0.0]), counts).pressure
    assert np.abs(got - wanted).max() < 0.2 and counts.min() < 30


def test_counts_are_kept_within_what_can_be_read():
    counts = default().counts(np.array([[-50.0] * 18, [1e9] * 18, [np.inf] * 18]))
    assert counts[0].tolist() == [0] * 18
    assert counts[1:].ravel().tolist() == [FULL_SCALE] * 36


def test_nan_has_no_count():
    with pytest.raises(CalibrationError, match="NaN pressure has no count"):
        default().counts(np.full((1, 18), np.nan))


# ---- calibrations that cannot be ----


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"knots": np.array([0.0])}, "at least 2 knots rising from 0"),
        ({"knots": np.array([1.0, 100.0, 1000.0, 4095.0])}, "at least 2 knots rising from 0"),
        ({"knots": np.array([0.0, 100.0, 100.0, 4095.0])}, "at least 2 knots rising from 0"),
        ({"knots": np.array([0.0, 4095.0])}, "at least 2 knots rising from 0"),
        ({"zero": np.zeros(3)}, "3 zeros for 2 zones"),
        (
            {"pressure": CURVES + np.array([[0.0], [1.0]])},
            "zone 2: expected a curve that starts at 0",
        ),
        ({"pressure": CURVES[:, [0, 2, 1, 3]]}, "zone 1: expected a curve that starts at 0"),
        ({"gain": 0.0}, "gain 0.0, expected over 0"),
        ({"gain": -1.0}, "gain -1.0, expected over 0"),
        ({"gain": np.nan}, "gain nan, expected over 0"),
        ({"gain": np.inf}, "gain inf, expected over 0"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused_in_one_sentence(changes, says):
    with pytest.raises(CalibrationError, match=says) as caught:
        two_zones(**changes)
    assert str(caught.value).startswith("left calibration") and "\n" not in str(caught.value)


NAN_CURVE = CURVES.copy()
NAN_CURVE[1, 2] = np.nan


@pytest.mark.parametrize(
    "changes",
    [
        {"zero": np.array([0.0, np.nan])},
        {"zero": np.array([0.0, np.inf])},
        {"pressure": NAN_CURVE},
        {"knots": np.array([0.0, 100.0, np.nan, 4095.0])},
    ],
    ids=["zero", "infinite zero", "curve", "knots"],
)
def test_a_calibration_that_holds_nan_is_refused(changes):
    with pytest.raises(CalibrationError):
        two_zones(**changes)


# ---- kept as JSON ----


def test_a_calibration_is_kept_to_the_last_bit():
    rng = np.random.default_rng(4)
    pressure = np.concatenate((np.zeros((18, 1)), np.cumsum(rng.random((18, 8)), axis=1)), axis=1)
    one = Calibration(
        Foot.RIGHT, np.linspace(0.0, 1362.7, 9), pressure, rng.random(18), 1.1 + 1e-15, "ein Schuh"
    )
    for text in (one.to_json(), one.to_json().encode()):
        two = Calibration.from_json(text)
        assert (two.foot, two.gain, two.note) == (one.foot, one.gain, one.note)
        for name in ("knots", "pressure", "zero"):
            assert np.array_equal(getattr(two, name), getattr(one, name))


@pytest.mark.parametrize(
    "change",
    [
        {"schema": 2},
        {"schema": None},
        {"foot": "middle"},
        {"knots": 5},
        {"knots": []},
        {"pressure": []},
        {"pressure": [1.0, 2.0]},
        {"pressure": [[0.0, 1.0], [0.0]]},
        {"zero": "none"},
        {"gain": "1.x"},
        {"gain": None},
    ],
    ids=str,
)
def test_what_is_no_calibration_is_refused_in_one_sentence(change):
    table = {**json.loads(two_zones().to_json()), **change}
    with pytest.raises(CalibrationError, match="calibration") as caught:
        Calibration.from_json(json.dumps(table))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "7", '"a"', "{}", b"\xff"])
def test_what_is_not_json_is_refused_in_one_sentence(text):
    with pytest.raises(CalibrationError, match="calibration"):
        Calibration.from_json(text)


# ---- zero ----


def air(level: float = 40.0, n: int = 100, noise: float = 2.0) -> np.ndarray:
    counts = np.random.default_rng(5).normal(level, noise, (n, 18))
    return np.clip(np.rint(counts), 0, None).astype(np.uint16)


def test_zeroing_takes_the_median_of_each_zone():
    counts = air()
    counts[:, 3] += 100
    counts[:40, 7] = 41  # a zone that is touched for less than half of the time keeps its zero
    zero = zeroed(default(), counts).zero
    assert zero == pytest.approx(np.median(counts, axis=0))
    assert zero[3] == pytest.approx(140.0, abs=1.0)
    assert read(zeroed(default(), counts), np.rint(zero).astype(int).tolist()) == pytest.approx(
        np.zeros((1, 18)), abs=0.2
    )


@pytest.mark.parametrize(
    ("counts", "says"),
    [
        (np.zeros((0, 18), np.uint16), "expected at least 20 samples of 18 zones"),
        (np.zeros((19, 18), np.uint16), "expected at least 20 samples of 18 zones"),
        (np.zeros((50, 17), np.uint16), "expected at least 20 samples of 18 zones"),
        (np.zeros(50, np.uint16), "expected at least 20 samples of 18 zones"),
        (air(noise=1.5 * MOVED_COUNTS), "zone .* moved while zeroing"),
        (air(level=LOADED_COUNTS + 30.0), "reads .* counts in the air, expected at most 400"),
    ],
)
def test_a_zero_that_cannot_be_trusted_is_refused_in_one_sentence(counts, says):
    with pytest.raises(CalibrationError, match=says) as caught:
        zeroed(default(), counts)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        (28, 52, None),  # by hand: ±12 counts about 40, an SD of 12
        (28, 53, "moved while zeroing"),
        (400, 400, None),
        (401, 401, "reads 401 counts in the air, expected at most 400"),
    ],
)
def test_twenty_samples_of_12_counts_sd_and_of_400_in_the_air_are_just_taken(low, high, says):
    counts = np.array([low, high] * 10, dtype=np.uint16)[:, None].repeat(18, axis=1)
    if says is None:
        assert zeroed(default(), counts).zero.tolist() == [(low + high) / 2] * 18
        return
    with pytest.raises(CalibrationError, match=says):
        zeroed(default(), counts)


def test_the_zone_that_moved_is_named():
    counts = air()
    counts[::2, 11] += 60
    with pytest.raises(CalibrationError, match="zone 12 moved"):
        zeroed(default(), counts)


# ---- gain ----


def one_leg(level_n: float, n: int = 300, noise: float = 0.0) -> np.ndarray:
    values = np.zeros((n, 8))
    load = level_n + noise * np.random.default_rng(6).standard_normal(n)
    values[:, :4] = load[:, None] * [0.5, 0.1, 0.3, 0.1]
    return values


def test_the_gain_makes_a_one_leg_stand_carry_body_weight():
    fitted = with_gain(default(), one_leg(600.0), 750.0)
    assert fitted.gain == pytest.approx(1.25)
    assert with_gain(default(), one_leg(600.0, n=20), 750.0).gain == pytest.approx(1.25)
    values = one_leg(600.0, noise=10.0)
    values[10:20] = np.nan
    assert with_gain(default(), values, 750.0).gain == pytest.approx(1.25, rel=0.01)


@pytest.mark.parametrize("gain", [0.5, 3.0, 0.5 - 1e-9, 3.0 + 1e-6])
def test_the_gain_s_range_is_closed(gain):
    if 0.5 <= gain <= 3.0:
        # a load that has this gain to within rounding, just inside
        inside = 600.0 * (gain + (1e-12 if gain < 1.0 else -1e-12))
        assert with_gain(default(), one_leg(600.0), inside).gain == pytest.approx(gain)
        return
    with pytest.raises(CalibrationError, match="check the mass and which foot stood"):
        with_gain(default(), one_leg(600.0), 600.0 * gain)


@pytest.mark.parametrize(("bw_n", "gain"), [(256.0, 0.5), (1536.0, 3.0)])
def test_a_gain_at_either_end_of_its_range_is_taken(bw_n, gain):
    """512 N: a power of two, so that nothing is rounded."""
    values = np.zeros((20, 8))
    values[:, 0] = 512.0
    assert with_gain(default(), values, bw_n).gain == gain


@pytest.mark.parametrize(("swing_n", "steady"), [(10.0, True), (10.5, False)])
def test_a_stand_whose_load_spreads_by_a_tenth_is_just_steady(swing_n, steady):
    values = np.zeros((20, 8))
    values[:, 0] = [100.0 - swing_n, 100.0 + swing_n] * 10
    if steady:
        assert with_gain(default(), values, 100.0).gain == 1.0
        return
    with pytest.raises(CalibrationError, match="not steady within 10 %"):
        with_gain(default(), values, 100.0)


@pytest.mark.parametrize(
    "values",
    [
        one_leg(600.0, n=19),
        one_leg(600.0, n=0),
        np.full((100, 8), np.nan),
        one_leg(600.0, noise=90.0),
        np.concatenate((one_leg(600.0), one_leg(300.0))),
        one_leg(-50.0, noise=5.0),
    ],
    ids=["19 samples", "none", "missing", "noise", "half a stand", "negative"],
)
def test_a_stand_that_is_not_steady_gives_no_gain(values):
    with pytest.raises(CalibrationError, match="left foot: "):
        with_gain(default(), values, 700.0)


def test_a_foot_that_bears_nothing_gives_no_gain():
    with pytest.raises(CalibrationError, match="left foot: "):
        with_gain(default(), one_leg(0.0), 700.0)


# ---- converters of other than 12 bits ----


@pytest.mark.parametrize(("bits", "half"), [(8, 127), (12, 2047), (14, 8191), (16, 32767)])
def test_the_default_curve_goes_over_the_range_of_the_converter(bits, half):
    """By the formula of wire_format.md §3: 800 kPa at full scale, 333 kPa in its middle."""
    made = default_calibration(eighteen(), Foot.LEFT, (1 << bits) - 1)
    pressure = read(made, [half] * 18, [(1 << bits) - 1] * 18)
    u = half / ((1 << bits) - 1)
    assert pressure[0] == pytest.approx(800.0 * (u + u * u / 2.0) / 1.5, rel=1e-3)
    assert pressure[1] == pytest.approx(800.0)


def test_sixteen_bits_are_not_cut_off_at_twelve():
    made = two_zones(knots=np.array([0.0, 1600.0, 16000.0, 65000.0]), full_scale=65535)
    assert read(made, [8800, 50], [65000, 50])[:, 0].tolist() == [105.0, 900.0]
    calibrator = Calibrator(made)
    calibrator.block(np.zeros(1), np.array([[65535, 4095]], dtype=np.uint16))
    assert calibrator.saturated == 1
    back = made.counts(np.array([[105.0, 0.0], [900.0, 0.0]]))
    assert back[:, 0].tolist() == [8800, 65000]


def test_of_sixteen_bits_a_zero_may_spread_and_read_sixteen_times_as_much():
    made = two_zones(knots=KNOTS * 16.0, zero=np.zeros(2), full_scale=65535)
    air = np.full((40, 2), 16 * LOADED_COUNTS - 100, dtype=np.uint16)
    air[::2] -= round(16 * MOVED_COUNTS)
    assert zeroed(made, air).zero.tolist() == [16 * LOADED_COUNTS - 196] * 2
    with pytest.raises(CalibrationError, match="counts in the air, expected at most 6401"):
        zeroed(made, air + np.uint16(300))
    air[::2] -= 200
    with pytest.raises(CalibrationError, match="moved"):
        zeroed(made, air)


def test_another_full_scale_is_kept_and_told_by_the_schema():
    made = two_zones(full_scale=65535)
    assert Calibration.from_json(made.to_json()).full_scale == 65535
    assert json.loads(made.to_json())["schema"] == 2
    usual = json.loads(two_zones().to_json())
    assert usual["schema"] == 1 and "full_scale" not in usual


@pytest.mark.parametrize("bad", [4096, 127, 131071, 4095.0, "4095", True, None, [4095]])
def test_a_full_scale_that_no_converter_has_is_refused(bad):
    table = {**json.loads(two_zones().to_json()), "schema": 2, "full_scale": bad}
    with pytest.raises(CalibrationError, match="full scale"):
        Calibration.from_json(json.dumps(table))


KPA = np.array([0.0, 100.0, 300.0])
COUNTS = np.array([[10.0, 110.0, 210.0], [0.0, 50.0, 350.0]])


def made(kpa: Any = KPA, counts: Any = COUNTS, full_scale: int = 4095) -> Any:
    return bench_calibration(Foot.LEFT, np.array(kpa), np.array(counts), full_scale)


def test_each_zone_s_curve_goes_straight_through_its_readings():
    """Above their zeros of 10 and 0 counts the zones read 0, 100, 200 and 0, 50, 350."""
    calibration = made()
    assert calibration.knots.tolist() == [0, 50, 100, 200, 350]
    assert calibration.zero.tolist() == [10, 0]
    first, second = calibration.pressure.tolist()
    assert first == pytest.approx([0, 50, 100, 300, 300])
    # 300 counts for 200 kPa from the second reading on
    assert second == pytest.approx([0, 100, 100 + 50 / 1.5, 200, 300])
    assert (calibration.foot, calibration.gain, calibration.note) == (Foot.LEFT, 1.0, "bench")
    assert calibration.full_scale == 4095


@pytest.mark.parametrize(
    "kpa", [[0.0], [], [1.0, 100.0, 300.0], [0.0, 100.0, 100.0], [0.0, 300.0, 100.0]]
)
def test_pressures_rise_from_nought(kpa):
    counts = COUNTS[:, : max(1, len(kpa))]
    with pytest.raises(CalibrationError, match="at least 2 pressures that rise from 0 kPa"):
        made(kpa, counts)
    assert made([0.0, 100.0], COUNTS[:, :2]).knots.tolist() == [0, 50, 100]


@pytest.mark.parametrize(("value", "cell"), [(-1.0, (1, 0)), (4096.0, (0, 2)), (np.nan, (0, 1))])
def test_counts_are_those_a_converter_gives(value, cell):
    counts = COUNTS.copy()
    counts[cell] = value
    with pytest.raises(CalibrationError, match="left foot: expected counts of 0 to 4095"):
        made(counts=counts)


def test_full_scale_is_a_count_that_may_be_read():
    counts = [[0.0, 100.0, 255.0]]
    assert made(counts=counts, full_scale=255).full_scale == 255
    with pytest.raises(CalibrationError, match="counts of 0 to 255"):
        made(counts=[[0.0, 100.0, 256.0]], full_scale=255)


def test_a_zone_that_reads_no_more_at_a_higher_pressure_is_named():
    counts = COUNTS.copy()
    counts[1, 2] = 50.0
    said = "zone 2 reads 50 counts at 100 kPa and 50 at 300 kPa, expected more"
    with pytest.raises(CalibrationError, match=said):
        made(counts=counts)
