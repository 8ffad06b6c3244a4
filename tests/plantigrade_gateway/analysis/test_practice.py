"""The demo recording: that it can be made again, and that it holds what its README says."""

import importlib.util
import itertools
import json
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from plantigrade_gateway.record.entries import SESSION, Entry, Kind
from plantigrade_gateway.sources.replay import read_replay
from plantigrade_gateway.wire.codec import decode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.messages import DataPacket
from plantigrade_gateway.wire.stream import PacketRun, StreamEventKind

pytestmark = pytest.mark.dear

FOLDER = Path(__file__).resolve().parents[3] / "replay_data"


def entries(path: Path) -> list[Entry]:
    return [entry for batch in read_replay(path) for entry in batch]


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_practice", FOLDER / "make_practice.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def record() -> list[Entry]:
    return entries(FOLDER / "practice.pgr")


@pytest.mark.slow
def test_it_is_made_again_byte_for_byte(maker, record, tmp_path):
    maker.make(tmp_path)
    kept, made = (
        json.loads((folder / "practice.made_with.json").read_text("utf-8"))
        for folder in (FOLDER, tmp_path)
    )
    assert kept["sha256"] == maker.made_with((FOLDER / "practice.pgr").read_bytes())["sha256"]
    if {**made, "sha256": ""} == {**kept, "sha256": ""}:
        for name in ("practice.pgr", "practice.truth.json"):
            assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes()
        return
    # Other libraries or another processor: the same to within the last digit of what the player
    # did, and a count here and there of the record.
    told, truth = (
        json.loads((folder / "practice.truth.json").read_text("utf-8"))
        for folder in (FOLDER, tmp_path)
    )
    assert_near(truth, told)
    again = entries(tmp_path / "practice.pgr")
    assert [(e.insole, e.kind, len(e.data)) for e in again] == [
        (e.insole, e.kind, len(e.data)) for e in record
    ]
    differing = 0
    for a, b in zip(again, record, strict=True):
        assert abs(a.arrival_ns - b.arrival_ns) <= 1000
        if a.kind is not Kind.NOTIFICATION:
            assert a.data == b.data
            continue
        one, two = decode(a.data), decode(b.data)
        assert isinstance(one, DataPacket) and isinstance(two, DataPacket)
        assert (one.counter, one.clock_us, one.first) == (two.counter, two.clock_us, two.first)
        off = np.abs(one.counts.astype(int) - two.counts)
        assert off.max() <= 1
        differing += int(off.sum())
    assert differing < 0.001 * 36 * len(record)


def assert_near(found: object, expected: object) -> None:
    """Compare what JSON holds, numbers to within one in their fourth digit after the point."""
    if isinstance(expected, dict) and isinstance(found, dict):
        assert list(found) == list(expected)
        assert_near(list(found.values()), list(expected.values()))
    elif isinstance(expected, list) and isinstance(found, list):
        assert len(found) == len(expected)
        for one, other in zip(found, expected, strict=True):
            assert_near(one, other)
    elif isinstance(expected, float):
        assert found == pytest.approx(expected, abs=1.01e-4)
    else:
        assert found == expected


def test_it_says_that_it_is_invented(record):
    settings = next(e for e in record if e.kind is Kind.SETTINGS)
    assert json.loads(settings.data) == {
        "schema": 1,
        "mass_kg": 74.0,
        "handed": "right",
        "layout": "eighteen",
        "rate_hz": 100,
        "note": "invented",
    }
    note = next(e for e in record if e.kind is Kind.MARK)
    assert note.insole == SESSION and note.data.startswith(b"Invented:")


def test_it_is_small_whole_and_in_order(record):
    assert (FOLDER / "practice.pgr").stat().st_size < 3_000_000
    assert all(a.arrival_ns <= b.arrival_ns for a, b in itertools.pairwise(record))
    assert record[-1].kind is Kind.END
    assert {e.kind for e in record if e.insole == 0} == {
        Kind.CALIBRATION,
        Kind.CONNECTED,
        Kind.NOTIFICATION,
    }


def test_it_holds_the_sets_its_readme_names(record):
    truth = json.loads((FOLDER / "practice.truth.json").read_text("utf-8"))
    marks = {
        e.data.decode(): (e.arrival_ns - truth["start_ns"]) / 1e9
        for e in record
        if e.kind is Kind.MARK and e.data.startswith((b"set: ", b"check: "))
    }
    assert list(marks) == ["check: stand", "check: walk", "set: smooth", "set: full", "set: fast"]
    assert marks == {m["text"]: pytest.approx(m["t_s"], abs=1e-4) for m in truth["marks"]}
    starts = np.array([swing["start_s"] for swing in truth["swings"]])
    edges = [*list(marks.values())[2:], np.inf]
    assert np.histogram(starts, edges)[0].tolist() == [11, 12, 10]
    for name in ("manner", "timing", "heel"):
        assert len({swing[name] for swing in truth["swings"]}) >= 3
    kinds = {other["kind"] for other in truth["not_swings"]}
    assert kinds == {"one_leg", "walk", "waggle", "half_swing", "bend", "shuffle"}
    readme = (FOLDER / "README.md").read_text("utf-8")
    assert "33 in three sets (marks `set: smooth` 11, `set: full` 12, `set: fast` 10)" in readme


def test_its_link_and_clocks_are_as_its_readme_says(record):
    for insole, ppm in ((0, 32.0), (1, -41.0)):
        mine = [e for e in record if e.insole == insole and e.kind is Kind.NOTIFICATION]
        decoder, runs = Decoder(insole), list[PacketRun]()
        for piece in pieces(mine, 5000):
            arrival = np.array([e.arrival_ns for e in piece])
            lengths = np.array([len(e.data) for e in piece])
            out = decoder.feed(arrival, lengths, b"".join(e.data for e in piece))
            runs += [x for x in out if isinstance(x, PacketRun)]
        counts = decoder.counts
        lost = counts.lost_packets / (counts.packets + counts.lost_packets)
        assert 0.005 <= lost <= 0.010
        assert counts.facts[StreamEventKind.CLOCK_WRAP] == insole
        assert sum(counts.malformed.values()) == 0
        clock = np.concatenate([run.clock_us for run in runs]) * 1e-6
        arrived = np.concatenate([run.arrival_ns for run in runs]) * 1e-9
        assert all(run.frames == 2 and run.zones == 18 and run.period_us == 10_000 for run in runs)
        wait = arrived - clock
        # The least wait of each ten seconds leaves the queueing out.
        bins = np.array_split(np.arange(len(wait)), 50)
        least = np.array([b[np.argmin(wait[b] + ppm * 1e-6 * clock[b])] for b in bins])
        slope = np.polyfit(clock[least], wait[least], 1)[0]
        assert -1e6 * slope == pytest.approx(ppm, abs=8.0)
        assert np.ptp(wait) > 0.1  # stalls


def pieces(rows: list[Entry], size: int) -> Iterator[list[Entry]]:
    for first in range(0, len(rows), size):
        yield rows[first : first + size]
