"""How far eighteen zones are from a dense map: CoP and regional shares in 600 real steps.

``python -m tests.bench dense_map``. Not a timing: a measuring error, printed. The maps' source is
named in ``tests/support/dense.py``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tests.support.dense import (
    RATE_HZ,
    SPEEDS,
    SUBJECTS,
    TRIALS,
    FloatArray,
    contact_of,
    dense_to_zones,
    read_subject,
    stance_frames,
)

from plantigrade.zones import REGIONS, eighteen

AT_PCT = (5.0, 50.0, 95.0)
LEAST_LOAD = 0.05
"""CoP is compared where the foot carries more than this part of its mean stance load × 1.2, which
is about 5 % of body weight (design §5: CoP is undefined below)."""


@dataclass(frozen=True, slots=True, eq=False)
class DenseStep:
    """One step seen by the whole map.

    Attributes
    ----------
    contact_s : float
        Time with any load, s.
    third_peaks : ndarray of int64, shape (3,)
        Frame of each third's greatest load, heel to toes.
    third_impulses : ndarray of float64, shape (3,)
        Shares of the thirds of length.
    cop_y, cop_x : ndarray of float64, shape (t,)
        NaN without load.
    regions : ndarray of float64, shape (4,)
        Shares of impulse, every cell counted in the region of the zone nearest to it.
    loaded : ndarray of bool, shape (t,)
    """

    contact_s: float
    third_peaks: NDArray[np.intp]
    third_impulses: FloatArray
    cop_y: FloatArray
    cop_x: FloatArray
    regions: FloatArray
    loaded: NDArray[np.bool_]

    def cop_y_at(self, cop_y: FloatArray) -> FloatArray:
        """Return a CoP path's value at `AT_PCT` of stance."""
        there = np.isfinite(cop_y)
        pct = np.linspace(0.0, 100.0, len(cop_y))
        return np.interp(AT_PCT, pct[there], cop_y[there])


@dataclass(frozen=True, slots=True, eq=False)
class ZoneStep:
    """The same step seen by the built-in eighteen zones.

    Attributes
    ----------
    third_peaks, region_peaks : ndarray of int64, shape (3,)
        Frame of the greatest load of the zones in each third of length; of heel, midfoot, forefoot.
    centre_times : ndarray of float64, shape (3,)
        Load-weighted centre times of heel, midfoot, forefoot, frames.
    cop_y, cop_x : ndarray of float64, shape (t,)
    regions : ndarray of float64, shape (4,)
        Shares of impulse.
    contact_s : float
    """

    third_peaks: NDArray[np.intp]
    region_peaks: NDArray[np.intp]
    centre_times: FloatArray
    cop_y: FloatArray
    cop_x: FloatArray
    regions: FloatArray
    contact_s: float


def dense_step(frames: FloatArray) -> DenseStep:
    """Measure a step, shape (t, rows, columns), on the map itself."""
    layout = eighteen()
    contact = contact_of(frames, layout)
    load, rows = frames.sum(axis=(1, 2)), frames.sum(axis=2)
    third = np.clip((contact.y * 3).astype(int), 0, 2)
    thirds = np.stack([rows[:, third == k].sum(axis=1) for k in range(3)], axis=1)
    with np.errstate(invalid="ignore"):
        cop_y = rows @ contact.y / load
        cop_x = (frames * contact.x).sum(axis=(1, 2)) / load
    forces = dense_to_zones(frames, layout) * layout.newtons_per_unit
    impulse = np.array([forces[:, layout.region == k].sum() for k in range(len(REGIONS))])
    return DenseStep(
        contact_s=float((load > 0).sum() / RATE_HZ),
        third_peaks=thirds.argmax(axis=0),
        third_impulses=thirds.sum(axis=0) / load.sum(),
        cop_y=cop_y,
        cop_x=cop_x,
        regions=impulse / impulse.sum(),
        loaded=load > LEAST_LOAD * 1.2 * load.mean(),
    )


def zone_step(frames: FloatArray, *, own_area: bool) -> ZoneStep:
    """Measure the same step from the zones' readings (`dense_to_zones`)."""
    layout = eighteen()
    forces = dense_to_zones(frames, layout, own_area=own_area) * layout.newtons_per_unit
    load = forces.sum(axis=1)
    third = np.clip((layout.y * 3).astype(int), 0, 2)
    thirds = np.stack([forces[:, third == k].sum(axis=1) for k in range(3)], axis=1)
    regions = np.stack(
        [forces[:, layout.region == k].sum(axis=1) for k in range(len(REGIONS))], axis=1
    )
    frame = np.arange(len(frames))
    with np.errstate(invalid="ignore"):
        cop_y, cop_x = forces @ layout.y / load, forces @ layout.x / load
        centres = (frame @ regions) / regions.sum(axis=0)
    return ZoneStep(
        third_peaks=thirds.argmax(axis=0),
        region_peaks=regions.argmax(axis=0)[:3],
        centre_times=centres[:3],
        cop_y=cop_y,
        cop_x=cop_x,
        regions=regions.sum(axis=0) / regions.sum(),
        contact_s=float((load > 0).sum() / RATE_HZ),
    )


def cop_error_mm(dense: DenseStep, zones: ZoneStep) -> tuple[FloatArray, FloatArray]:
    """Return zone CoP − map CoP along and across the foot, mm on the layout's size, loaded rows."""
    layout = eighteen()
    there = dense.loaded & np.isfinite(zones.cop_y)
    along = (zones.cop_y - dense.cop_y)[there] * layout.length_mm
    return along, (zones.cop_x - dense.cop_x)[there] * layout.width_mm


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def main() -> None:
    """Print the errors over all ten subjects' steps."""
    layout = eighteen()
    speed_of: list[str] = []
    dense: list[DenseStep] = []
    covering: list[ZoneStep] = []
    own: list[ZoneStep] = []
    for subject in SUBJECTS:
        maps, speeds = read_subject(subject)
        for trial in TRIALS:
            frames = stance_frames(maps, trial)
            speed_of.append(speeds[trial])
            dense.append(dense_step(frames))
            covering.append(zone_step(frames, own_area=False))
            own.append(zone_step(frames, own_area=True))
    print(f"{len(dense)} steps, zones on {layout.length_mm:g} × {layout.width_mm:g} mm")
    for speed in SPEEDS:
        times = [d.contact_s for d, at in zip(dense, speed_of, strict=True) if at == speed]
        print(f"contact, {speed}: {np.mean(times):.3f} s over {len(times)} steps")
    print("impulse by thirds:", _row([d.third_impulses for d in dense]))
    print("CoP y at 5/50/95 %, map:", _row([d.cop_y_at(d.cop_y) for d in dense]))
    for name, zones in (
        ("zones that cover the foot (their shares are the map's by construction)", covering),
        ("zones of their own area, blind between them", own),
    ):
        print(f"\n{name}")
        _report(list(zip(dense, zones, strict=True)))


def _report(pairs: list[tuple[DenseStep, ZoneStep]]) -> None:
    late = [d.contact_s - z.contact_s for d, z in pairs]
    print(f"  contact shorter than the map's by {np.mean(late) * 1000:.1f} ms")
    print("  CoP y at 5/50/95 %:", _row([d.cop_y_at(z.cop_y) for d, z in pairs]))
    for k, (way, size) in enumerate((("along", 270.0), ("across", 95.0))):
        errors = [cop_error_mm(d, z)[k] for d, z in pairs]
        rms = np.array([_rms(e) for e in errors])
        print(
            f"  CoP {way}: RMS over stance {rms.mean():.1f} mm (95 % of steps ≤ "
            f"{np.percentile(rms, 95):.1f}), {rms.mean() / size:.3f} of it; "
            f"mean {np.mean([e.mean() for e in errors]):+.1f} mm"
        )
    shares = np.array([z.regions - d.regions for d, z in pairs])
    for k, region in enumerate(REGIONS):
        print(
            f"  share of {region}: map {np.mean([d.regions[k] for d, _ in pairs]):.3f}, "
            f"error {shares[:, k].mean():+.3f}, RMS {_rms(shares[:, k]):.3f}"
        )
    for what, times in (
        ("peaks of the zones' thirds", [z.third_peaks for _, z in pairs]),
        ("peaks of heel, midfoot, forefoot", [z.region_peaks for _, z in pairs]),
        ("centre times of heel, midfoot, forefoot", [z.centre_times for _, z in pairs]),
    ):
        table = np.array(times)
        first, second = (table[:, 0] < table[:, 1]).sum(), (table[:, 1] < table[:, 2]).sum()
        never = int(np.isnan(table).any(axis=1).sum())
        without = f", {never} without midfoot load" if never else ""
        print(f"  {what}: in order {first} and {second} of {len(table)}{without}")


def _row(values: list[FloatArray]) -> str:
    return " ".join(f"{v:.3f}" for v in np.mean(values, axis=0))
