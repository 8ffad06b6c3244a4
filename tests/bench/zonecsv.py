"""How fast zone CSV is read and written, and the memory that reading in pieces takes.

``python -m tests.bench zonecsv``. Beside it, in the same run, numpy's own text reader.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.sources.zonecsv import (
    iter_zone_csv,
    read_zone_csv,
    scan_zone_csv,
    write_zone_csv,
)

CELLS = 37
_PEAK = """
import resource, sys
from plantigrade.zones import eighteen
from plantigrade_gateway.sources.zonecsv import iter_zone_csv
rows = sum(len(piece.t_s) for piece in iter_zone_csv(sys.argv[1], eighteen()))
print(rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def rows_of(minutes: int, after: int = 0) -> ZoneRows:
    """Return so many minutes at 100 Hz after so many others, readings in tenths of a kPa."""
    n, first = minutes * 6000, after * 6000
    rng = np.random.default_rng(1)
    zones = np.round(rng.random((n, 36)) * 300, 1)
    return ZoneRows((first + np.arange(n)) / 100, zones[:, :18], zones[:, 18:])


def main() -> None:
    """Print cells per second and peak memory."""
    layout = eighteen()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "walk.csv"
        for minutes in (6, 60, 240):  # first, while this process is small: a child starts with it
            write_zone_csv(path, layout, (rows_of(6, 6 * k) for k in range(minutes // 6)))
            print(f"peak memory in pieces, {minutes} min: {peak_mb(path):.0f} MB")
        rows = rows_of(60)
        cells = len(rows.t_s) * CELLS
        timed("write", cells, lambda: write_zone_csv(path, layout, [rows]))
        print(f"  {path.stat().st_size / 1e6:.0f} MB for an hour at 100 Hz")
        timed("read", cells, lambda: read_zone_csv(path, layout))
        timed("scan", cells, lambda: scan_zone_csv(path, layout))
        timed("in pieces (scan, then read)", cells, lambda: list(iter_zone_csv(path, layout)))
        rows = rows_of(6)
        write_zone_csv(path, layout, [rows])
        cells = len(rows.t_s) * CELLS
        timed("numpy.loadtxt", cells, lambda: np.loadtxt(path, delimiter=",", skiprows=1))


def timed(what: str, cells: int, run: object) -> None:
    """Print the best of three runs, in cells per second."""
    assert callable(run)
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    print(f"{what}: {cells / best / 1e6:.1f} million cells/s")


def peak_mb(path: Path) -> float:
    """Return the peak resident memory of a process that reads the file in pieces, MB."""
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, str(path)], capture_output=True, text=True, check=True
    )
    unit = 1e6 if sys.platform == "darwin" else 1e3  # macOS gives bytes, Linux kilobytes
    return float(done.stdout.split()[1]) / unit
