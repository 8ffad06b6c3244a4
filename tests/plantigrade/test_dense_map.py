"""Eighteen zones against dense maps of 600 real steps, and the mapping between them.

The maps and their source: ``tests/support/dense.py``. All ten subjects' steps are measured once
(about 20 s); ``python -m tests.bench dense_map`` prints every error.
"""

import numpy as np
import pytest
from tests.bench.dense_map import DenseStep, ZoneStep, cop_error_mm, dense_step, zone_step
from tests.support.dense import (
    MEAN_STANCE_LOAD_BW,
    SPEEDS,
    SUBJECTS,
    TRIALS,
    dense_to_zones,
    read_subject,
    stance_frames,
)

from plantigrade.zones import eighteen

pytestmark = pytest.mark.slow

Steps = list[tuple[str, DenseStep, ZoneStep]]


@pytest.fixture(scope="module")
def steps() -> Steps:
    found = []
    for subject in SUBJECTS:
        maps, speeds = read_subject(subject)
        for trial in TRIALS:
            frames = stance_frames(maps, trial)
            zones = zone_step(frames, own_area=True)
            found.append((speeds[trial], dense_step(frames), zones))
    return found


def in_order(times: list[np.ndarray]) -> tuple[int, int]:
    table = np.array(times)
    return int((table[:, 0] < table[:, 1]).sum()), int((table[:, 1] < table[:, 2]).sum())


def test_contact_times_of_three_speeds(steps: Steps):
    """Pataky et al. 2008: .750, .639, .533 s at the slow, normal, fast speed (from the maps)."""
    for speed, expected in zip(SPEEDS, (0.750, 0.639, 0.533), strict=True):
        dense = [d.contact_s for at, d, _ in steps if at == speed]
        zones = [z.contact_s for at, _, z in steps if at == speed]
        assert len(dense) == 200
        assert np.mean(dense) == pytest.approx(expected, abs=0.001)
        # bare zones miss the first and last touch at the very ends of the foot
        assert 0.0 <= np.mean(dense) - np.mean(zones) < 0.015


def test_heel_peaks_before_midfoot_before_forefoot(steps: Steps):
    """By thirds of length: the map in 599 and 600 of 600 steps; the zones in at least 599.

    By the layout's regions fewer: its rearmost midfoot zones, at 29 % of length, reach the heel's
    front edge, and where a foot has next to no midfoot load that edge is all they see.
    """
    assert in_order([d.third_peaks for _, d, _ in steps]) == (599, 600)
    assert min(in_order([z.third_peaks for *_, z in steps])) >= 599
    by_region = in_order([z.region_peaks for *_, z in steps])
    assert by_region[0] >= 580  # 586 measured
    assert by_region[1] == 600


def test_centre_times_run_forward(steps: Steps):
    """In every step whose midfoot bears any load (design §5, roll)."""
    times = [z.centre_times for *_, z in steps]
    seen = [t for t in times if np.isfinite(t).all()]
    assert len(seen) >= 590
    assert in_order(seen) == (len(seen), len(seen))


def test_impulse_by_thirds(steps: Steps):
    """41 / 15 / 44 %."""
    shares = np.mean([d.third_impulses for _, d, _ in steps], axis=0)
    assert shares == pytest.approx([0.41, 0.15, 0.44], abs=0.005)


def test_cop_progression(steps: Steps):
    """At 5 / 50 / 95 % of stance .11 / .56 / .92 of foot length.

    The zones' CoP cannot pass their foremost centre, .88 of length.
    """
    dense = np.mean([d.cop_y_at(d.cop_y) for _, d, _ in steps], axis=0)
    assert dense == pytest.approx([0.11, 0.56, 0.92], abs=0.015)
    zones = np.mean([d.cop_y_at(z.cop_y) for _, d, z in steps], axis=0)
    assert zones[:2] == pytest.approx([0.11, 0.56], abs=0.015)
    assert 0.84 < zones[2] < 0.88


def test_error_of_eighteen_zones_is_as_reported(steps: Steps):
    """Zones of their own area; the bench prints all of it, these are its main figures."""
    errors = [cop_error_mm(d, z) for _, d, z in steps]
    along = np.mean([np.sqrt(np.mean(a**2)) for a, _ in errors])
    across = np.mean([np.sqrt(np.mean(b**2)) for _, b in errors])
    assert (along, across) == pytest.approx((7.6, 2.5), abs=0.1)  # mm, RMS over stance
    shares = np.mean([z.regions - d.regions for _, d, z in steps], axis=0)
    assert shares == pytest.approx([0.022, -0.029, 0.076, -0.070], abs=0.001)


def block(t: int = 5) -> np.ndarray:
    """A flat, rectangular foot: rows 3 to 58, columns 6 to 25, load 100."""
    frames = np.zeros((t, 63, 33))
    frames[:, 3:59, 6:26] = 100.0
    return frames


def test_zones_that_cover_the_foot_lose_no_load():
    layout = eighteen()
    frames = block() * np.arange(1.0, 6.0)[:, None, None]
    forces = dense_to_zones(frames, bw_n=600.0) * layout.newtons_per_unit
    assert forces.sum(axis=1).mean() == pytest.approx(600.0 * MEAN_STANCE_LOAD_BW)
    assert forces.sum(axis=1) / forces[0].sum() == pytest.approx(np.arange(1, 6))
    assert (forces > 0).all()


def test_zones_of_their_own_area_read_the_pressure_over_them():
    layout = eighteen()
    readings = dense_to_zones(block(), own_area=True)
    assert readings[:, :14] == pytest.approx(np.full((5, 14), 100.0))
    assert readings.max() == pytest.approx(100.0)  # none more, the outermost may hang over
    forces = dense_to_zones(block(), own_area=True, bw_n=600.0) * layout.newtons_per_unit
    whole = 600.0 * MEAN_STANCE_LOAD_BW
    part = layout.area_mm2.sum() / (layout.length_mm * layout.width_mm)
    assert forces.sum(axis=1) == pytest.approx(np.full(5, whole * part), rel=0.01)


def test_load_in_one_place_is_read_where_it_is():
    frames = block(18)
    contact_rows, contact_columns = 56, 20
    layout = eighteen()
    for zone in range(18):
        frames[zone] *= 1e-9
        row = 3 + int(layout.y[zone] * contact_rows)
        column = 6 + int(layout.x[zone] * contact_columns)
        frames[zone, row, column] = 1000.0
    for own_area in (False, True):
        zones = dense_to_zones(frames, own_area=own_area)
        assert zones.argmax(axis=1).tolist() == list(range(18))
