"""What the page's pictures show is what the exported frames of the same record say."""

from itertools import takewhile
from pathlib import Path

import numpy as np
import pytest

from plantigrade_gateway.record.entries import Batch, ZoneRows
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report import pagerows
from plantigrade_gateway.report.frames import write_frames
from plantigrade_gateway.report.pagerows import highest, page_rows
from plantigrade_gateway.sources.replay import demo_file, read_replay


@pytest.fixture(scope="module")
def record() -> list[Batch]:
    """The invented practice's first forty seconds."""
    batches = list(read_replay(demo_file()))
    until = int(batches[0].arrival_ns[0]) + 40_000_000_000
    kept = list(takewhile(lambda batch: int(batch.arrival_ns[0]) < until, batches))
    return [batch.slice(0, int((batch.arrival_ns < until).sum())) for batch in kept]


def test_pictures_are_the_means_and_rows_of_the_exported_frames(record, tmp_path: Path):
    write_frames(tmp_path / "frames.csv", record)
    table = np.genfromtxt(tmp_path / "frames.csv", delimiter=",", skip_header=1)
    stands = [(5.0, 9.0), (12.0, 20.0)]
    found = page_rows(record, stands, (14.003, 15.0))
    inside = np.zeros(len(table), dtype=bool)
    for start, end in stands:
        inside |= (table[:, 0] >= start) & (table[:, 0] <= end)
    zones = found.layout.n_zones
    assert found.standing is not None
    for k in (0, 1):
        columns = slice(1 + k * zones, 1 + (k + 1) * zones)
        np.testing.assert_allclose(
            found.standing[k], np.nanmean(table[inside][:, columns], axis=0), atol=2e-3
        )
        row = np.argmin(np.abs(table[:, 0] - 14.003))
        np.testing.assert_allclose(found.moments[0][k], table[row, columns], atol=2e-3)
    most = max(float(np.nanmax(p)) for pair in (found.standing, *found.moments) for p in pair)
    assert highest(found.standing, *found.moments) == most > 0.0


def test_what_was_not_recorded_is_not_drawn(record):
    found = page_rows(record, [(500.0, 510.0)], (14.0, 600.0))
    assert found.standing is None
    assert found.moments == ()
    assert highest(*found.moments) == 0.0


def test_rows_are_read_to_just_behind_the_last_that_is_asked_for(monkeypatch):
    """Pieces of one row each, 10 ms apart; a moment's row is half a tenth of a second off at most.

    Values tell where a row stands: its time on the left, its negative on the right.
    """
    read: list[float] = []

    def one_by_one(_: object):
        for k in range(1000):
            t_s = np.array([k / 100])
            read.append(float(t_s[0]))
            zones = ZoneRows(t_s, np.full((1, 18), t_s[0]), np.full((1, 18), -t_s[0]))
            yield SessionSettings(), None, zones, None

    monkeypatch.setattr(pagerows, "net_rows", one_by_one)
    found = page_rows([], [(1.0, 1.04), (2.0, 2.02)], [0.5, 2.034])
    assert found.standing is not None
    left, right = found.standing
    # five rows from 1.00 to 1.04 and three from 2.00 to 2.02
    np.testing.assert_allclose(left, (5 * 1.02 + 3 * 2.01) / 8)
    np.testing.assert_allclose(right, -left)
    assert [pair[0][0] for pair in found.moments] == [0.5, 2.03]
    assert 2.08 <= read[-1] <= 2.10  # and no further
    read.clear()
    assert page_rows([], [], [10.03]).moments[0][0][0] == 9.99
    assert page_rows([], [], [10.045]).moments == ()


@pytest.mark.parametrize("piece", [1, 7, 64])
def test_a_moment_halfway_between_two_rows_is_the_earlier_however_they_are_cut(monkeypatch, piece):
    """Rows a 32nd of a second apart, which a float holds exactly; the moment lies a 64th behind."""
    t_s = np.arange(64) / 32.0

    def cut(_: object):
        for at in range(0, 64, piece):
            part = t_s[at : at + piece]
            zones = np.repeat(part[:, None], 18, axis=1)
            yield SessionSettings(), None, ZoneRows(part, zones, -zones), None

    monkeypatch.setattr(pagerows, "net_rows", cut)
    moments = [k / 32.0 + 1 / 64.0 for k in range(63)]
    found = page_rows([], [], moments).moments
    assert [pair[0][0] for pair in found] == [k / 32.0 for k in range(63)]
