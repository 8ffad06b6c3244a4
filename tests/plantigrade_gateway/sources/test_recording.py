"""A recording as a source: at its own pace, at once, again, and stopped."""

import asyncio
from pathlib import Path

import pytest
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.sources.recording import ReplaySource, at_once, overview, paced
from plantigrade_gateway.sources.replay import demo_file, read_replay, write_replay

START_NS = 10**12


def entries(*at_ms: float) -> Batch:
    return Batch.of([Entry(START_NS + round(ms * 1e6), 0, Kind.NOTIFICATION, b"x") for ms in at_ms])


class Clock:
    """A clock that is moved on by waiting."""

    def __init__(self) -> None:
        self.ns = 5_000

    def now_ns(self) -> int:
        return self.ns

    def given(self, *batches: Batch, held_up_ms: float = 0.0) -> list[tuple[int, int]]:
        """When how many entries are given, ms, by a taker that is held up after the first."""
        given: list[tuple[int, int]] = []
        for piece in paced(batches, self.now_ns):
            if isinstance(piece, float):
                self.ns += round(piece * 1e9)
                continue
            given.append((round((self.ns - 5_000) / 1e6), len(piece)))
            if len(given) == 1:
                self.ns += round(held_up_ms * 1e6)
        return given


def test_entries_are_given_when_they_are_due():
    given = Clock().given(entries(0, 10, 10, 25), entries(40, 400))
    assert given == [(0, 1), (10, 2), (25, 1), (40, 1), (400, 1)]


def test_a_slow_taker_gets_all_that_is_due_and_is_not_late_after_it():
    given = Clock().given(entries(0, 10, 20, 30, 40, 200), held_up_ms=35.0)
    assert given == [(0, 1), (35, 3), (40, 1), (200, 1)]


def test_at_once_gives_everything_in_order_a_second_at_a_time():
    batches = [entries(0, 10, 1500), entries(1600, 5000)]
    given = list(at_once(batches))
    assert [len(b) for b in given] == [2, 1, 1, 1]
    assert [e for b in given for e in b] == [e for b in batches for e in b]


def test_overview():
    about = overview(demo_file())
    assert about.entries == 50360
    assert about.duration_s == pytest.approx(507.226, abs=0.001)
    assert (about.lead, about.settings.mass_kg) == (Foot.LEFT, 74.0)


def test_a_recording_lasts_from_its_first_entry_to_its_last(tmp_path):
    """In one piece of the file or in several: 4096 entries make one."""
    for at_ms in ((0, 10, 25), range(0, 10 * 5000, 10)):
        write_replay(tmp_path / "some.pgr", entries(*at_ms))
        about = overview(tmp_path / "some.pgr")
        assert about.entries == len(at_ms)
        assert about.duration_s == pytest.approx(at_ms[-1] / 1000)


@pytest.fixture
def short(tmp_path: Path) -> Path:
    """Two seconds of a recording."""
    path = tmp_path / "short.pgr"
    write_replay(path, next(read_replay(demo_file())).slice(0, 200))
    return path


async def all_of(source: ReplaySource) -> list[Entry]:
    async with asyncio.timeout(HANG_S):
        return [entry async for batch in source for entry in batch]


@pytest.mark.dear
@pytest.mark.parametrize("fast", [True, False])
async def test_it_gives_the_record_and_begins_again_when_it_is_asked_again(short, fast):
    recorded = [entry for batch in read_replay(short) for entry in batch]
    source = ReplaySource(short, "a recording", fast=fast)
    assert source.about.entries == len(recorded) == 200
    began_s = asyncio.get_running_loop().time()
    async with source:
        assert await all_of(source) == recorded
        took_s = asyncio.get_running_loop().time() - began_s
        assert fast or took_s >= source.about.duration_s
        if fast:
            assert await all_of(source) == recorded


async def test_a_stop_ends_its_wait(tmp_path):
    path = tmp_path / "long.pgr"
    write_replay(path, entries(0, 5e8))  # six days
    source = ReplaySource(path, "a recording")
    given = asyncio.Queue[Batch]()

    async def take() -> None:
        async for batch in source:
            given.put_nowait(batch)

    async with asyncio.timeout(HANG_S), source:
        taking = asyncio.create_task(take())
        assert len(await given.get()) == 1
        await source.stop()
        await taking
    assert given.empty()


async def test_after_a_stop_nothing_more_is_given(short):
    source = ReplaySource(short, "a recording", fast=True)
    async with asyncio.timeout(HANG_S), source:
        given = []
        async for batch in source:
            given.append(len(batch))
            await source.stop()
    assert len(given) == 1 and sum(given) < 200


def test_a_recording_without_entries_is_refused_before_it_is_opened(tmp_path):
    write_replay(tmp_path / "empty.pgr", [])
    with pytest.raises(RecordError, match="holds no entries, expected a recorded session"):
        ReplaySource(tmp_path / "empty.pgr", "empty")
