"""Print told from ground: light and shadow taken off first, then one threshold, holes filled."""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.polynomial import polygrid2d, polyvander2d
from numpy.typing import NDArray
from scipy import ndimage

from plantigrade.footprint import BoolArray
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints.apart import Flat

FloatArray = NDArray[np.float64]

LEVEL = 0.5
"""The threshold to begin with: halfway between ground and print, where a blurred edge is (ours)."""
LEVELS = (0.2, 0.8)
"""Where it may be set (ours)."""
PLAUSIBLE = 0.2
"""Thresholds so far on either side are plausible too (ours)."""
LEAST_CONTRAST = 0.06
"""A print that takes less of the ground's light is too faint (ours)."""
_LEAST_OF_NOISE = 4.0
"""A print must be darker than the ground by so many SD of it (ours)."""
_LEAST_BLOB_MM2 = 25.0
"""A smaller blob is a speck; a little toe leaves some 80 mm² (ours)."""
_LEAST_PRINT_MM2 = 2000.0
"""No foot leaves less (ours): heels alone leave some 2500 mm²."""
_REACH_MM = 10.0
"""How far the light of the ground is carried over (SD, ours)."""
_ROUNDS = 4
"""How often ground and its light are told from each other (ours)."""
_TILE_MM = 5.0
"""Cells by which the light is fitted first (ours)."""


@dataclass(frozen=True, slots=True)
class Ink:
    """A print on its sheet, light and shadow taken off.

    Attributes
    ----------
    darkness : array, shape (rows, columns)
        0 the ground, 1 the middle of the print.
    pitch_mm : float
        A cell's width and height.
    contrast : float
        Part of the ground's light that the print takes.
    """

    darkness: FloatArray
    pitch_mm: float
    contrast: float

    def at(self, level: float) -> BoolArray:
        """Return the print at a threshold: without specks, enclosed holes filled.

        Raises
        ------
        InputError
            There is none of a foot's size.
        """
        found = _without_specks(self.darkness > level, self.pitch_mm)
        filled: BoolArray = ndimage.binary_fill_holes(found)
        if filled.sum() * self.pitch_mm**2 < _LEAST_PRINT_MM2:
            raise InputError("photo: no print of a foot's size is seen on the sheet")
        return filled

    def print_and_plausible(self, level: float) -> tuple[BoolArray, list[BoolArray]]:
        """Return the print at a threshold, and at the ends of what is plausible around it.

        Raises
        ------
        InputError
            The threshold lies outside what may be set; there is no print; or something dark reaches
            the edge of the sheet, as a shadow does and a print does not.
        """
        if not LEVELS[0] <= level <= LEVELS[1]:
            raise InputError(f"threshold: is {level:g}, expected {LEVELS[0]:g} to {LEVELS[1]:g}")
        ends = [self.at(max(0.1, level - PLAUSIBLE)), self.at(min(0.9, level + PLAUSIBLE))]
        if _reaches_edge(ends[0]):
            raise InputError(
                "photo: a shadow or a stain reaches the edge of the print's place and cannot be "
                "told from the print; photograph it again in even light, with the whole foot on "
                "the sheet"
            )
        return self.at(level), ends


def ink_of(flat: Flat) -> Ink:
    """Return the print on a sheet with light and shadow taken off.

    The ground is the lighter one, and most of the sheet; its brightness varies slowly. Of the three
    colours the one that shows the print best is taken.

    Raises
    ------
    InputError
        No print is seen, or it is too faint.
    """
    linear = _linear(flat.picture)
    cells = max(1, round(_TILE_MM / flat.pitch_mm))
    best: tuple[float, FloatArray] | None = None
    for colour in range(3):
        log = np.log(ndimage.gaussian_filter(linear[..., colour], 1.0) + 1e-3)
        dark = _darker_than_ground(log, cells, flat.pitch_mm)
        clear = _clarity(dark)
        if best is None or clear > best[0]:
            best = clear, dark
    assert best is not None
    dark = best[1]
    split = _otsu(dark)
    print_ = _without_specks(dark > split, flat.pitch_mm)
    if print_.sum() * flat.pitch_mm**2 < _LEAST_PRINT_MM2:
        raise InputError("photo: no print of a foot's size is seen on the sheet")
    core = ndimage.binary_erosion(print_, iterations=2)
    ground = dark[ndimage.binary_dilation(~print_, iterations=1) & ~print_]
    contrast = float(np.median(dark[core if core.any() else print_]))
    noise = 1.4826 * float(np.median(np.abs(ground - np.median(ground))))
    if contrast < max(LEAST_CONTRAST, _LEAST_OF_NOISE * noise):
        raise InputError(
            f"photo: the print is too faint, it takes {100 * contrast:.0f} % of the light; use "
            "more water or ink, and photograph it at once"
        )
    return Ink(dark / contrast, flat.pitch_mm, contrast)


def _linear(picture: NDArray[np.uint8]) -> FloatArray:
    """Return light from coded brightness (sRGB, IEC 61966-2-1), 0 to 1."""
    coded = np.arange(256) / 255.0
    table = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    found: FloatArray = table[picture]
    return found


def _darker_than_ground(log: FloatArray, cells: int, pitch_mm: float) -> FloatArray:
    """Return the part of the ground's light that is missing in each place."""
    rough = log - _surface(log, cells)
    sd = _REACH_MM / pitch_mm
    dark = 1.0 - np.exp(rough)
    for _ in range(_ROUNDS):
        # What seems no print is ground; its own unevenness is taken off as well. In each round it
        # grows into the soft edge of a shadow, but not over the sharp one of a print.
        ground = ~ndimage.binary_dilation(dark > 0.5 * _otsu(dark), iterations=4)
        weight = ndimage.gaussian_filter(ground.astype(float), sd)
        carried = ndimage.gaussian_filter(np.where(ground, rough, 0.0), sd)
        dark = 1.0 - np.exp(rough - carried / np.maximum(weight, 0.02))
    return dark


def _surface(log: FloatArray, cells: int) -> FloatArray:
    """Return the light on the ground: a cubic surface through the lighter places."""
    rows, columns = (size // cells for size in log.shape)
    tiles = np.median(
        log[: rows * cells, : columns * cells]
        .reshape(rows, cells, columns, cells)
        .swapaxes(1, 2)
        .reshape(rows, columns, -1),
        axis=2,
    )
    y, x = np.mgrid[0:rows, 0:columns]
    design = polyvander2d(2 * x.ravel() / columns - 1, 2 * y.ravel() / rows - 1, (3, 3))
    is_cubic = (np.arange(4)[:, None] + np.arange(4)).ravel() <= 3
    design, value = design[:, is_cubic], tiles.ravel()
    weight = np.ones_like(value)
    for spread in (0.3, 0.2, 0.1, 0.05, 0.05, 0.05):
        weighed = design.T * weight
        factors = np.linalg.solve(weighed @ design, weighed @ value)
        off = value - design @ factors
        # What is darker than the surface is print or shadow; what is lighter pulls it up.
        weight = np.where(off < 0.0, np.exp(-((off / spread) ** 2)), 1.0) + 1e-4
    terms = np.zeros(16)
    terms[is_cubic] = factors
    full_y, full_x = (np.arange(size) / cells - 0.5 for size in log.shape)
    surface = polygrid2d(2 * full_x / columns - 1, 2 * full_y / rows - 1, terms.reshape(4, 4))
    return np.asarray(surface.T)


def _otsu(dark: FloatArray) -> float:
    """Return the threshold with the largest variance between its two sides (Otsu 1979)."""
    counts, edges = np.histogram(dark, bins=256)
    middles = (edges[1:] + edges[:-1]) / 2
    below = np.cumsum(counts)
    above = below[-1] - below
    sums = np.cumsum(counts * middles)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = below * above * (sums / below - (sums[-1] - sums) / above) ** 2
    return float(edges[1:][np.nanargmax(between)])


def _clarity(dark: FloatArray) -> float:
    """Return how clearly print and ground differ: their distance in SD of the ground."""
    split = _otsu(dark)
    ground, print_ = dark[dark <= split], dark[dark > split]
    if print_.size == 0:
        return 0.0
    noise = 1.4826 * float(np.median(np.abs(ground - np.median(ground))))
    return (float(np.median(print_)) - float(np.median(ground))) / max(noise, 1e-4)


def _without_specks(mask: BoolArray, pitch_mm: float) -> BoolArray:
    blobs, _ = ndimage.label(mask, structure=np.ones((3, 3), dtype=bool))
    sizes = np.bincount(blobs.ravel()) * pitch_mm**2
    sizes[0] = 0.0
    kept: BoolArray = (sizes >= _LEAST_BLOB_MM2)[blobs]
    return kept


def _reaches_edge(mask: BoolArray) -> bool:
    return bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())
