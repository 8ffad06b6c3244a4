"""Curves from the bench: straight through what was read, refused where that is no curve."""

from typing import Any

import numpy as np
import pytest

from plantigrade.bench import bench_calibration
from plantigrade.block import Foot
from plantigrade.errors import CalibrationError

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
