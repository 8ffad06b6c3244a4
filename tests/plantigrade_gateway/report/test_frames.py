"""What zones read on a time line, by plain interpolation: between frames and over gaps."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from plantigrade.block import N_COLUMNS, Foot, PairBlock, PressureBlock
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.report import frames
from plantigrade_gateway.report.frames import (
    FrameReader,
    _cut_at_settings,
    _Side,
    frame_rows,
    net_rows,
)

BRIDGE_S = 0.04


def pressing(t_s: np.ndarray, n_zones: int = 3) -> np.ndarray:
    """A bend at each frame, another for each zone."""
    bends: np.ndarray = np.rint(100.0 * t_s)[:, None] ** 2 % 7
    return np.asarray(10.0 + bends * np.arange(1.0, n_zones + 1.0))


def plain(times: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    return np.stack([np.interp(times, t_s, zone) for zone in pressing(t_s).T], axis=1)


@pytest.mark.parametrize("pieces", [1, 4])
def test_rows_lie_on_the_straight_line_between_two_frames(pieces):
    t_s = np.arange(40) / 100.0
    times = np.arange(1, 390, 7) / 1000.0
    side, found = _Side(), []
    for part in np.array_split(np.arange(40), pieces):
        side.push(t_s[part], pressing(t_s[part]))
        upto = t_s[part[-1]]
        after = t_s[part[0] - 1] if part[0] else -1.0
        asked = times[(times <= upto) & (times > after)]
        found.append(side.at(asked, 3, BRIDGE_S))
    np.testing.assert_allclose(np.concatenate(found), plain(times, t_s))


@pytest.mark.parametrize(("missing", "bridged"), [(3, True), (4, True), (5, False)])
def test_a_gap_of_more_than_40_ms_is_one(missing, bridged):
    """Frames 10 ms apart: four that are missing leave 50 ms, bridged and a hundredth more."""
    t_s = np.delete(np.arange(40) / 100.0, np.arange(20, 20 + missing))
    side = _Side()
    side.push(t_s, pressing(t_s))
    times = np.array([0.185, 0.195, 0.2, 0.19 + 0.01 * (missing + 1), 0.3])
    found = side.at(times, 3, BRIDGE_S)
    expected = plain(times, t_s)
    if not bridged:
        expected[1:3] = np.nan
    np.testing.assert_allclose(found, expected)


@pytest.mark.parametrize(("rate_hz", "longest_ms"), [(100.0, 50.2), (50.0, 60.4)])
def test_a_gap_is_one_from_a_fiftieth_of_a_frame_over_40_ms_and_a_frame(rate_hz, longest_ms):
    """40 ms and 1.02 frames, of 10 and of 20 ms: a clock that drifts makes no gap."""
    for off_ms, bridged in ((-0.05, True), (0.05, False)):
        first = np.arange(20) / rate_hz
        t_s = np.concatenate([first, first + first[-1] + (longest_ms + off_ms) / 1000.0])
        side = _Side()
        side.push(t_s, pressing(t_s))
        times = np.array([first[-1] + 0.025])
        expected = plain(times, t_s) if bridged else np.full((1, 3), np.nan)
        np.testing.assert_allclose(side.at(times, 3, BRIDGE_S), expected)


def test_before_the_first_frame_and_after_the_last_there_is_nothing():
    t_s = np.arange(10, 20) / 100.0
    side = _Side()
    side.push(t_s, pressing(t_s))
    times = np.array([0.0999, 0.1, 0.19, 0.1901])
    found = side.at(times, 3, BRIDGE_S)
    assert np.isnan(found[[0, 3]]).all()
    np.testing.assert_allclose(found[1:3], plain(times[1:3], t_s))
    assert np.isnan(_Side().at(times, 3, BRIDGE_S)).all()
    alone = _Side()
    alone.push(t_s[:1], pressing(t_s[:1]))
    assert np.isnan(alone.at(times, 3, BRIDGE_S)).all()
    two = _Side()
    two.push(t_s[:2], pressing(t_s[:2]))
    between = np.array([0.105])
    np.testing.assert_allclose(two.at(between, 3, BRIDGE_S), plain(between, t_s[:2]))


def test_frames_of_another_layout_are_not_of_these_rows():
    t_s = np.arange(20) / 100.0
    side = _Side()
    side.push(t_s[:10], pressing(t_s[:10], 5))
    side.push(t_s[10:], pressing(t_s[10:]))
    times = np.array([0.055, 0.155])
    found = side.at(times, 3, BRIDGE_S)
    assert found.shape == (2, 3) and np.isnan(found[0]).all()
    np.testing.assert_allclose(found[1:], plain(times[1:], t_s[10:]))


def test_only_the_frames_that_rows_may_still_need_are_kept():
    t_s = np.arange(1000) / 100.0
    side = _Side()
    side.push(t_s, pressing(t_s))
    side.at(t_s[:-3], 3, BRIDGE_S)
    assert len(side._t_s[0]) == len(side._pressure[0]) == 5
    begun = _Side()
    begun.push(t_s[:3], pressing(t_s[:3]))
    for t in (0.002, 0.004, 0.013):  # two rows between the same two frames
        one = np.array([t])
        np.testing.assert_allclose(begun.at(one, 3, BRIDGE_S), plain(one, t_s[:3]))


def test_what_a_foot_reads_is_multiplied_by_its_gain():
    reader = FrameReader()
    t_s = np.arange(10) / 100.0
    for foot, gain in ((Foot.LEFT, 0.5), (Foot.RIGHT, 3.0)):
        reader._keep(PressureBlock(foot, t_s, np.full((10, 18), 4.0)), gain)
    rows = reader.zones(t_s[2:5])
    assert set(rows.left.ravel()) == {2.0} and set(rows.right.ravel()) == {12.0}


def test_a_change_of_settings_stands_alone():
    kinds = "NNSNSSN"
    rows = [
        Entry(k, SESSION, {"N": Kind.MARK, "S": Kind.SETTINGS}[kind], bytes([k]))
        for k, kind in enumerate(kinds)
    ]
    found = [batch.arrival_ns.tolist() for batch in _cut_at_settings(Batch.of(rows))]
    assert found == [[0, 1], [2], [3], [4], [5], [6]]
    (whole,) = _cut_at_settings(Batch.of(rows[:2]))
    assert whole.arrival_ns.tolist() == [0, 1]


class Given:
    """A reader whose rows are given, a stretch of times for each batch; each row reads its time."""

    settings = "the settings"

    def __init__(self, stretches: Sequence[Sequence[float]]) -> None:
        self.stretches = list(stretches)

    def push(self, _: Batch) -> Any:
        return self.flush()

    def flush(self) -> Any:
        times = np.array(self.stretches.pop(0))
        if not len(times):
            return SimpleNamespace(rows=[], net=[])
        loads = np.zeros((len(times), N_COLUMNS))
        return SimpleNamespace(
            rows=[SimpleNamespace(t_s=times)], net=[PairBlock(0, times, loads, loads)]
        )

    def zones(self, times: np.ndarray) -> np.ndarray:
        return times


STRETCHES = ((1.0, 1.1, 1.2), (1.1, 1.2, 1.3), (1.2, 1.3), (), (5.0,))


def test_of_a_time_line_that_begins_within_the_old_one_no_time_is_given_twice(monkeypatch):
    monkeypatch.setattr(frames, "FrameReader", lambda: Given(STRETCHES))
    batch = Batch.of([Entry(0, SESSION, Kind.MARK, b"a")])
    found = [cast(Any, times).tolist() for _, times in frame_rows([batch] * 4)]
    assert found == [[1.0, 1.1, 1.2], [1.3], [5.0]]
    rows = list(net_rows([batch] * 4))
    assert [cast(Any, times).tolist() for _, _, times, _ in rows] == found
    assert [block.t_s.tolist() for _, block, _, _ in rows] == found
    assert [entries for *_, entries in rows] == [1, 2, 4]
