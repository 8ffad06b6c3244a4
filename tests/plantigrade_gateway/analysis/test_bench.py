"""Bench files: the curve goes through what was read, and what cannot be is said in a sentence.

The readings are invented; expected values are worked by hand from them.
"""

import re

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.calibrate import Calibrator
from plantigrade_gateway.analysis.bench import read_bench
from plantigrade_gateway.errors import InputError

SCALES = {Foot.LEFT: (2, 4095), Foot.RIGHT: (2, 65535)}
ROWS = """foot,zone,kpa,up,down
left,1,0,40,60
left,1,100,1000,1100
left,1,400,2950,2950
left,2,0,10,10
left,2,100,900,1000
left,2,400,3010,3010
"""


def read(text: str, scales: dict[Foot, tuple[int, int]] = SCALES):
    return read_bench(text, "bench.csv", scales)


def pressures(text: str, foot: Foot, *counts: list[int]) -> list[list[float]]:
    made = read(text)[foot].calibration
    rows = np.array(counts, dtype=np.uint16)
    block = Calibrator(made).block(np.arange(len(rows)) / 100.0, rows)
    kpa: list[list[float]] = block.pressure.tolist()
    return kpa


def test_the_curve_goes_through_the_mean_of_loading_and_unloading():
    """Zone 1: 50, 1050, 2950 counts; zone 2: 10, 950, 3010. Half-way between is half-way."""
    got = pressures(ROWS, Foot.LEFT, [50, 10], [1050, 950], [2950, 3010], [2000, 1980])
    np.testing.assert_allclose(got, [[0, 0], [100, 100], [400, 400], [250, 250]], atol=1e-9)


def test_hysteresis_is_the_widest_between_the_two_over_the_highest():
    """Zone 1 unloading reads 1100 at 100 kPa; loading it needs 100 + 300 · 100 / 1950 for that."""
    assert read(ROWS)[Foot.LEFT].hysteresis_percent == pytest.approx(
        100.0 * max(300 * 100 / 1950, 300 * 100 / 2110, 100 * 20 / 960) / 400.0
    )
    without = re.sub(r",\d+$", ",", ROWS, flags=re.MULTILINE)
    found = read(without)[Foot.LEFT]
    assert found.hysteresis_percent is None
    assert pressures(without, Foot.LEFT, [1000, 900]) == [[100.0, 100.0]]


def test_both_feet_may_stand_in_one_file_in_any_order_of_columns_and_rows():
    head, *rows = ROWS.strip().splitlines()
    right = [row.replace("left", "Right") for row in rows]
    wide = [
        ",".join([*row.split(",")[:3], *(str(16 * int(c)) for c in row.split(",")[3:])])
        for row in right
    ]
    mixed = [head, *reversed(rows), *wide]
    turned = "\n".join(",".join(reversed(line.split(","))) for line in mixed)
    found = read(turned)
    assert set(found) == set(Foot)
    assert found[Foot.RIGHT].calibration.full_scale == 65535
    got = pressures(turned, Foot.RIGHT, [16 * 1050, 16 * 950])
    np.testing.assert_allclose(got, [[100.0, 100.0]], atol=1e-9)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("foot,zone", "foot,zones", "expected the columns foot, zone, kpa, up, down"),
        ("left,1,0", "middle,1,0", "line 2: foot is 'middle', expected left or right"),
        ("left,1,0,40", "left,1,0,", "line 2: up is empty"),
        ("left,1,0,40", "left,1,0,7,40", "line 2: 6 values, expected 5"),
        ("left,1,0,40", "left,1,0," + "4" * 140_000, "is no CSV: 'field larger than"),
        ("left,1,100,1000", "left,1,100,-1", "line 3: up is '-1', expected a number"),
        ("left,1,100,1000", "left,1,100,nan", "line 3: up is 'nan', expected a number"),
        ("left,1,100", "left,1.5,100", "line 3: expected a zone and a pressure"),
        ("left,1,100", "left,1,0", "line 3: zone 1 was read at 0 kPa before"),
        ("left,2,100", "left,2,90", "zone 2 was read at other pressures than zone 1"),
        ("left,2,400,3010,3010", "left,2,400,900,900", "zone 2 reads 950 counts at 100 kPa and"),
        ("left,2,400,3010,3010", "left,3,400,3010,3010", "has zones 1, 2, 3, expected 1 to 2"),
        ("left,1,400,2950,2950", "left,1,400,4096,4096", "expected counts of 0 to 4095"),
    ],
)
def test_what_cannot_be_is_one_sentence(old, new, sentence):
    assert ROWS.count(old) == 1
    with pytest.raises(InputError) as caught:
        read(ROWS.replace(old, new))
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_curve_that_does_not_begin_at_nothing_is_refused():
    rows = "\n".join(line for line in ROWS.splitlines() if ",0," not in line)
    with pytest.raises(InputError, match="at least 2 pressures that rise from 0 kPa"):
        read(rows)


@pytest.mark.parametrize("text", ["", "foot,zone,kpa,up,down\n", "\0", "a" * 200_000])
def test_a_file_without_readings_is_refused(text):
    with pytest.raises(InputError):
        read(text)


def test_an_insole_that_is_not_remembered_has_no_curve():
    with pytest.raises(InputError, match="no left insole is remembered"):
        read(ROWS, {Foot.RIGHT: (2, 4095)})
