"""Print and ground told apart where light, print and areas are known by arithmetic."""

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints.apart import Flat
from plantigrade_gateway.prints.ink import (
    LEVEL,
    Ink,
    _linear,
    _otsu,
    _reaches_edge,
    _without_specks,
    ink_of,
)

LONG = 200
"""Cells of 1 mm."""
HALF = 40
"""From the middle line to where the darkness is a half, mm."""
SOFT = 20
"""Over which the darkness falls from 1 to 0, mm."""


@pytest.fixture(scope="module")
def ink() -> Ink:
    """A bar with the straight slope of a soft edge on both sides."""
    aside = np.abs(np.arange(120) - 59.5)
    darkness = np.zeros((LONG + 20, 120))
    darkness[10:-10] = np.clip(0.5 + (HALF - aside) / SOFT, 0.0, 1.0)
    return Ink(darkness, 1.0, 0.4)


def area(level: float) -> float:
    """Return the cells darker than a level: 1 mm further in for each 0.05 of it, on both sides."""
    return LONG * 2 * (HALF + SOFT * (0.5 - level))


def test_the_print_ends_where_the_edge_is_half_as_dark(ink):
    print_, _ = ink.print_and_plausible(LEVEL)
    assert print_.sum() == LONG * 2 * HALF


@pytest.mark.parametrize(
    ("level", "low", "high"),
    [(0.5, 0.3, 0.7), (0.4, 0.2, 0.6), (0.2, 0.1, 0.4), (0.8, 0.6, 0.9)],
)
def test_a_fifth_lighter_and_darker_is_plausible_too_within_a_tenth_to_nine(ink, level, low, high):
    """The page of the format says so: `hardware_notes/footprint.md`."""
    print_, ends = ink.print_and_plausible(level)
    found = [int(mask.sum()) for mask in (ends[0], print_, ends[1])]
    step = LONG * 2  # a level may fall just on a cell
    assert found == pytest.approx([area(low), area(level), area(high)], abs=step / 2)


@pytest.mark.parametrize("level", [0.1, 0.9, float("nan")])
def test_a_threshold_outside_what_may_be_set_is_refused(ink, level):
    with pytest.raises(InputError, match="threshold"):
        ink.print_and_plausible(level)


NO_PRINT = "photo: no print of a foot's size is seen on the sheet"


def block(rows: int, columns: int, shape: tuple[int, int] = (140, 80)) -> NDArray[np.float64]:
    """Return a print of so many cells, ten cells from the upper and the left edge."""
    darkness = np.zeros(shape)
    darkness[10 : 10 + rows, 10 : 10 + columns] = 1.0
    return darkness


def test_the_ends_of_what_may_be_set_are_refused_in_a_sentence(ink):
    with pytest.raises(InputError) as caught:
        ink.print_and_plausible(0.85)
    assert str(caught.value) == "threshold: is 0.85, expected 0.2 to 0.8"


@pytest.mark.parametrize(("pitch", "scale"), [(1.0, 1), (0.5, 2)])
def test_a_print_has_2000_square_mm(pitch, scale):
    """50 by 40 mm are; 50 by 39 are 1950."""
    shape = (140 * scale, 80 * scale)
    enough = Ink(block(50 * scale, 40 * scale, shape), pitch, 0.4)
    assert enough.at(0.5).sum() == 2000 * scale**2
    with pytest.raises(InputError) as caught:
        Ink(block(50 * scale, 39 * scale, shape), pitch, 0.4).at(0.5)
    assert str(caught.value) == NO_PRINT


@pytest.mark.parametrize(("pitch", "rows"), [(1.0, 5), (0.5, 20)])
def test_a_blob_of_25_square_mm_is_none_to_leave_out(pitch, rows):
    """By hand: 5 by 5 mm, and 20 rows by 5 columns of half a mm; a cell less is a speck."""
    mask = np.zeros((40, 40), dtype=bool)
    mask[3 : 3 + rows, 3:8] = True
    assert _without_specks(mask, pitch).sum() == 5 * rows
    mask[3, 3] = False
    assert not _without_specks(mask, pitch).any()


def test_cells_that_touch_by_a_corner_are_of_one_blob():
    diagonal = np.eye(30, dtype=bool)
    assert _without_specks(diagonal, 1.0).sum() == 30


def test_an_enclosed_hole_is_print_and_a_bay_is_none():
    darkness = block(60, 40)
    darkness[20:30, 20:30] = 0.0
    darkness[40:50, 10:20] = 0.0  # open to the left
    assert Ink(darkness, 1.0, 0.4).at(0.5).sum() == 60 * 40 - 100


@pytest.mark.parametrize("place", [(0, 5), (-1, 5), (5, 0), (5, -1)])
def test_each_edge_is_watched(place):
    mask = np.zeros((12, 12), dtype=bool)
    mask[1:-1, 1:-1] = True
    assert not _reaches_edge(mask)
    mask[place] = True
    assert _reaches_edge(mask)


def test_what_reaches_the_edge_at_the_lower_end_is_no_print():
    """A shadow of a 0.35 that the print's own threshold does not take, but 0.3 does."""
    darkness = block(60, 40)
    darkness[10:70, 50:] = 0.35
    with pytest.raises(InputError) as caught:
        Ink(darkness, 1.0, 0.4).print_and_plausible(0.5)
    assert str(caught.value) == (
        "photo: a shadow or a stain reaches the edge of the print's place and cannot be told from "
        "the print; photograph it again in even light, with the whole foot on the sheet"
    )
    assert Ink(darkness, 1.0, 0.4).print_and_plausible(0.6)[0].sum() == 60 * 40


@pytest.mark.parametrize(
    ("code", "light"),
    [
        (0, 0.0),
        (10, 10 / 255 / 12.92),
        (11, ((11 / 255 + 0.055) / 1.055) ** 2.4),  # 0.04045 · 255 = 10.3
        (128, 0.215861),
        (188, 0.502886),
        (255, 1.0),
    ],
)
def test_coded_brightness_is_light_by_the_standard(code, light):
    """sRGB, IEC 61966-2-1: linear up to 0.04045, then a power of 2.4."""
    assert _linear(np.array([[code]], dtype=np.uint8))[0, 0] == pytest.approx(light, abs=1e-6)


def test_otsus_threshold_parts_two_heaps():
    """900 values around 0.1 and 100 around 0.7: it lies where the first heap ends (Otsu 1979)."""
    low, high = np.linspace(0.05, 0.15, 900), np.linspace(0.65, 0.75, 100)
    split = _otsu(np.concatenate((low, high)))
    assert 0.15 <= split <= 0.65
    # by hand, of 0 (6), 1 (2), 3 (1), 4 (1): after 1 it is 8 · 2 · (0.25 - 3.5)² = 169; after 0
    # 6 · 4 · 2.25² = 121.5; after 3 9 · (5/9 - 4)² = 106.8
    split = _otsu(np.array([0.0] * 6 + [1.0] * 2 + [3.0, 4.0]))
    assert 1.0 < split < 3.0


TAKEN = (0.4, 0.2, 0.0)
"""Of blue, green and red by the drawn print."""
FOOT = (slice(20, 120), slice(25, 45))
"""Of the drawn print, cells of 2 mm."""


def sheet(
    taken: tuple[float, float, float] = TAKEN,
    *,
    slope: float = 0.0,
    noise: float = 0.0,
    foot: tuple[slice, slice] = FOOT,
) -> Flat:
    """Return a drawn sheet of 290 by 140 mm: light that falls from left to right, and a print.

    Light is coded as the standard has it: 1.055 L^(1 / 2.4) - 0.055.
    """
    random = np.random.default_rng(3)
    light = 0.6 * (1.0 - slope * (np.arange(70) / 70.0 - 0.5)) * np.ones((145, 70))
    light *= 1.0 + noise * random.standard_normal(light.shape)
    colours = np.stack([np.clip(light, 0.0, 1.0)] * 3, axis=2)
    for colour, part in enumerate(taken):
        colours[(*foot, colour)] *= 1.0 - part
    coded = 1.055 * colours ** (1 / 2.4) - 0.055
    picture = np.round(255 * coded).astype(np.uint8)
    return Flat(picture, b"", 2.0, "A4", False, False, 0.0, 2.0)


@pytest.mark.parametrize("slope", [0.0, 0.5])
@pytest.mark.parametrize("colour", range(3))
def test_the_colour_that_shows_the_print_best_is_taken_in_any_light(slope, colour):
    taken = tuple(np.roll(TAKEN, colour))
    found = ink_of(sheet(taken, slope=slope))
    assert found.pitch_mm == 2.0
    assert found.contrast == pytest.approx(0.4, abs=0.01)
    assert np.median(found.darkness[FOOT]) == pytest.approx(1.0, abs=0.01)
    assert np.abs(np.median(found.darkness[:, :17], axis=0)).max() < 0.03
    assert found.at(0.5).sum() == pytest.approx(100 * 20, rel=0.02)


def test_a_bare_sheet_has_no_print():
    with pytest.raises(InputError) as caught:
        ink_of(sheet((0.4, 0.2, 0.0), foot=(slice(20, 40), slice(25, 45))))  # 1600 mm²
    assert str(caught.value) == NO_PRINT


def test_a_print_takes_6_in_100_of_the_light():
    with pytest.raises(InputError) as caught:
        ink_of(sheet((0.04, 0.04, 0.04)))
    assert re.fullmatch(
        "photo: the print is too faint, it takes [345] % of the light; use more water or ink, and "
        "photograph it at once",
        str(caught.value),
    )
    assert ink_of(sheet((0.08, 0.08, 0.08))).at(0.5).sum() == pytest.approx(100 * 20, rel=0.05)


def test_a_print_is_four_times_as_dark_as_the_ground_is_uneven():
    """A blur of 1 cell leaves 1 / (2 √π) = 0.28 of the noise.

    Of 0.08 it leaves 0.023, four of which are 0.09; of 0.18 it leaves 0.051, four are 0.2.
    """
    taken = (0.15, 0.15, 0.15)
    assert ink_of(sheet(taken, noise=0.08)).contrast == pytest.approx(0.15, abs=0.03)
    with pytest.raises(InputError, match="too faint"):
        ink_of(sheet(taken, noise=0.18))
