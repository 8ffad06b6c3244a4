"""Dense pressure maps of real walking steps, and what eighteen zones would see of them.

The maps: Pataky, Caravaggi, Savage, Parker, Goulermas, Sellers & Crompton 2008, J Biomech
41:1987–1994, ten people walking barefoot at three speeds, 500 Hz, in the test-only package
``jiku-data`` (GPL-3). Rows run heel → toes, columns medial → lateral; the unit of the values and
the pitch are not stated (about kPa and 5 mm by their size).
"""

import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plantigrade.zones import ZoneLayout, eighteen

SUBJECTS = range(10)
TRIALS = range(60)
RATE_HZ = 500.0
SPEEDS = ("slow", "normal", "fast")
MEAN_STANCE_LOAD_BW = 1 / 1.2
"""Two stances of 60 % carry one stride's body weight (60/40: Perry & Burnfield, as quoted)."""
HEEL_X, FOREFOOT_X, BIG_TOE_X = 0.50, 0.51, 0.24
"""Middles of the heel's and forefoot's zones, and the big toe's zone, in the built-in layout."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """Where every cell of one step's map lies under the foot.

    Attributes
    ----------
    x : ndarray of float64, shape (rows, columns)
        0 medial to 1 lateral in widths of the forefoot's contact, the straight axis laid so
        that heel, forefoot and big toe come nearest to where an insole has them.
    y : ndarray of float64, shape (rows,)
        0 at the first, 1 at the last row with contact.
    cell_mm2 : float
        A cell's area on a foot as large as the layout.
    """

    x: FloatArray
    y: FloatArray
    cell_mm2: float


def read_subject(subject: int) -> tuple[NDArray[np.uint16], list[str]]:
    """Return a subject's maps, shape (60, 63, 33, 500), and the speed of each trial."""
    from jikudata.datasets.SpeedPP2DS import SpeedPP2DS

    spec = importlib.util.find_spec("jikudata.datasets.SpeedPP2DS")
    assert spec is not None and spec.origin is not None
    folder = Path(spec.origin).parent
    maps: Any = SpeedPP2DS._loadh5(str(folder / "data_y" / f"subj{subject:03}.h5"))
    with (folder / "data_x" / "conditions.csv").open() as file:
        table = np.loadtxt(file, delimiter=",", skiprows=1, dtype=int)
    return maps, [SPEEDS[c - 1] for c in table[:, 1 + subject]]


def stance_frames(maps: NDArray[np.uint16], trial: int) -> FloatArray:
    """Return one step's frames from first to last contact, shape (t, rows, columns)."""
    frames = maps[trial].transpose(2, 0, 1)
    touched = np.flatnonzero(frames.any(axis=(1, 2)))
    stance: FloatArray = frames[touched[0] : touched[-1] + 1].astype(np.float64)
    return stance


def contact_of(frames: FloatArray, layout: ZoneLayout) -> Contact:
    """Place the cells of one step's map under a foot that fills its contact.

    Parameters
    ----------
    frames : ndarray of float64, shape (t, rows, columns)
    layout : ZoneLayout
    """
    touched: NDArray[np.bool_] = np.asarray(frames.any(axis=0))
    rows = np.flatnonzero(touched.any(axis=1))
    length = rows[-1] + 1 - rows[0]
    y = (np.arange(touched.shape[0]) + 0.5 - rows[0]) / length
    spans = [
        (np.flatnonzero(row)[0], np.flatnonzero(row)[-1] + 1) if row.any() else (np.nan, np.nan)
        for row in touched
    ]
    first, last = np.array(spans, dtype=np.float64).T
    middle = (first + last) / 2
    heel, fore, toes = (y > 0.05) & (y < 0.25), (y > 0.58) & (y < 0.75), y > 0.85
    columns = np.arange(touched.shape[1]) + 0.5
    load = frames.sum(axis=0)
    points = [  # y, column, and the x that an insole's table gives it
        (y[heel].mean(), np.nanmean(middle[heel]), HEEL_X),
        (y[fore].mean(), np.nanmean(middle[fore]), FOREFOOT_X),
        (y[toes].mean(), (load[toes] @ columns).sum() / load[toes].sum(), BIG_TOE_X),
    ]
    at, column, wanted = (np.array(values) for values in zip(*points, strict=True))
    axis = column[0] + (column[1] - column[0]) * (y - at[0]) / (at[1] - at[0])
    width = float(np.nanmax((last - axis)[fore]) - np.nanmin((first - axis)[fore]))
    # column = (x − lean · y − base) · width: the foot stands a little turned on the plate
    lean, base = np.polyfit(at, wanted - column / width, 1)
    x = columns[None, :] / width + lean * y[:, None] + base
    return Contact(x, y, layout.length_mm / length * layout.width_mm / width)


def dense_to_zones(
    frames: FloatArray,
    layout: ZoneLayout | None = None,
    *,
    bw_n: float | None = None,
    own_area: bool = False,
) -> FloatArray:
    """Return what an insole's zones would read of one step.

    Parameters
    ----------
    frames : ndarray of float64, shape (t, rows, columns)
        One step's map, heel → toes, medial → lateral, zero without contact.
    layout : ZoneLayout or None
        In kPa; None for the built-in eighteen zones.
    bw_n : float or None
        Scale the map so that the foot's whole load, averaged over the frames, is that of a
        walker of this weight, N. None leaves the map's own unit, read as kPa.
    own_area : bool
        False: zones that cover the foot: every cell counts in the nearest zone, and the zones'
        forces sum to the map's. True: zones as they are: each reads the mean of the cells in a
        disc of its area, and what falls between them is not seen.

    Returns
    -------
    ndarray of float64, shape (t, n_zones)
        kPa (or kPa-like without `bw_n`).
    """
    layout = layout or eighteen()
    contact = contact_of(frames, layout)
    distance = _distance_mm(contact, layout)
    if own_area:
        inside = distance <= np.sqrt(layout.area_mm2 / np.pi)[:, None]
        weights = inside / inside.sum(axis=1, keepdims=True)
    else:
        nearest = np.equal(np.arange(layout.n_zones)[:, None], distance.argmin(axis=0))
        weights = nearest * contact.cell_mm2 / layout.area_mm2[:, None]
    cells = frames.reshape(len(frames), -1)
    if bw_n is not None:
        force_n = float(cells.sum(axis=1).mean()) * contact.cell_mm2 / 1000.0
        weights *= bw_n * MEAN_STANCE_LOAD_BW / force_n
    zones: FloatArray = np.einsum("tc,zc->tz", cells, weights)
    return zones


def _distance_mm(contact: Contact, layout: ZoneLayout) -> FloatArray:
    """Distance of every cell from every zone's centre, mm, shape (n_zones, cells)."""
    y = np.broadcast_to(contact.y[:, None], contact.x.shape).ravel()
    distance: FloatArray = np.hypot(
        (contact.x.ravel()[None, :] - layout.x[:, None]) * layout.width_mm,
        (y[None, :] - layout.y[:, None]) * layout.length_mm,
    )
    return distance
