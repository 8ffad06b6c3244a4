"""A lost link costs no sample where the insole keeps a log: over a real Bluetooth host stack.

Expected samples are what the virtual insole reads at each instant of its clock, not its log.
"""

from itertools import pairwise

import numpy as np
import pytest
from tests.support.airworld import LEFT, RIGHT, World, turned, world
from tests.support.loglink import packets_of
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway.analysis.late import made_whole
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.sources.reconnect import ConnectionState
from plantigrade_gateway.virtual.player import GaitSource, invented_steps
from plantigrade_gateway.wire.codec import decode
from plantigrade_gateway.wire.coverage import Hole
from plantigrade_gateway.wire.log import read_page
from plantigrade_gateway.wire.messages import DataPacket

pytestmark = pytest.mark.dear

PAGES = 4096


@pytest.fixture(scope="module")
def steps() -> GaitSource:
    return invented_steps()


def samples_of(air: World, foot: Foot) -> dict[int, bytes]:
    """A foot's samples in the whole record by the insole's own clock, 32 bits."""
    found: dict[int, bytes] = {}
    for batch in made_whole(lambda: [Batch.of(air.entries)]):
        for packet in packets_of(batch, foot):
            for k, row in enumerate(packet.counts):
                clock_us = packet.clock_us + k * packet.period_us
                assert clock_us not in found, "a sample came twice"
                found[clock_us] = row.tobytes()
    return found


def check_whole(air: World, foot: Foot) -> int:
    """Every sample from the first to the last is there, as the insole read it; return how many."""
    found = samples_of(air, foot)
    insole = air.insoles[foot]
    clocks = np.array(sorted(found))
    assert (np.diff(clocks) == insole.settings.period_us).all()
    truth = insole._counts_at(clocks - insole.settings.clock_us)
    assert [found[at] for at in clocks.tolist()] == [row.tobytes() for row in truth]
    return len(clocks)


async def lose(air: World, foot: Foot, seconds: float) -> None:
    """Take an insole out of range, and wait until it is back and nothing is owed."""
    assert air.source is not None
    info, links = air.source.links[foot], air.source.links[foot].reconnection.links
    air.insoles[foot].vanish(seconds)
    await air.until(lambda: info.reconnection.links > links, seconds + HANG_S)
    await air.streams(foot, 60)
    owed = air.source._owed[foot]
    await air.until(lambda: not owed.coverage.holes)


@pytest.mark.slow
async def test_a_lost_link_costs_no_sample(steps):
    async with world(steps, log_pages=PAGES) as air:
        async with air.listening() as source:
            await air.streams(LEFT, 60)
            await air.streams(RIGHT, 5)
            await lose(air, RIGHT, 2.0)
            await lose(air, RIGHT, 1.0)
            assert source.links[RIGHT].has_log
            assert source._owed[RIGHT].late_s > 2.0
            assert source._owed[RIGHT].lost_s == 0.0
        assert air.of(RIGHT, Kind.LOG)
        assert not air.of(LEFT, Kind.LOG)
        assert check_whole(air, RIGHT) > 300
        assert check_whole(air, LEFT) > 300
    assert any("came late, from its log" in text for text in air.said)


@pytest.mark.slow
async def test_packets_that_were_never_sent_come_late(steps):
    async with world(steps, log_pages=PAGES, loss=0.05) as air:
        async with air.listening() as source:
            await air.streams(LEFT, 200)
            await air.until(lambda: source._owed[LEFT].late_s > 0.05)
            await air.until(lambda: not source._owed[LEFT].coverage.holes)
            found = np.array(sorted(samples_of(air, LEFT)))  # before more is lost
            decoder, _, _ = air.decoded(LEFT)
        assert decoder.counts.lost_packets > 0  # as the radio lost them
        assert (np.diff(found) == 10_000).all()


@pytest.mark.slow
async def test_a_reset_out_of_reach_costs_the_page_under_way(steps):
    async with world(steps, log_pages=PAGES) as air:
        async with air.listening() as source:
            await air.streams(LEFT, 60)
            before = air.insoles[LEFT].keeper
            assert before is not None
            air.insoles[LEFT].restart(torn_bytes=100)
            boot = before.log.boot
            links = source.links[LEFT].reconnection.links
            await air.until(lambda: source.links[LEFT].reconnection.links > links)
            await air.streams(LEFT, 100)
            await air.until(lambda: not source._owed[LEFT].coverage.holes)
        assert boot == 2
        found = sorted(samples_of(air, LEFT))
        new = [at for at in found if at < 51_000_000]
        old = [at for at in found if at >= 51_000_000]
        assert new[0] == 0
        assert (np.diff(new) == 10_000).all()
        assert (np.diff(old) == 10_000).all()


@pytest.mark.slow
async def test_what_an_ended_session_lacks_is_read_at_the_next_connection(steps):
    """A gateway that failed: its links were lost, and another one begins with what it owed."""
    async with world(steps, log_pages=PAGES) as air:
        async with air.listening():
            await air.streams(LEFT, 100)
            air.insoles[LEFT].vanish(3.0)
            await air.until(lambda: not air.insoles[LEFT].is_streaming)
        before = [decode(data) for data in air.data(LEFT)]
        packets = [packet for packet in before if isinstance(packet, DataPacket)]
        end_us = packets[-1].clock_us + 2 * packets[-1].period_us
        hole = Hole(1, end_us, end_us + 2_000_000, owner="a session")
        came: list[tuple[str, int, int, bool]] = []
        pages: list[bytes] = []
        air.entries.clear()

        def take(owner: str, number: int, brought: list[bytes], is_last: bool) -> None:
            pages.extend(brought)
            came.append((owner, number, len(brought), is_last))

        async with air.listening() as source:
            source.give_owed_to(take)
            source.owe({LEFT: [hole]})
            await air.until(lambda: came and came[-1][3])
        assert {(owner, number) for owner, number, _, _ in came} == {("a session", 0)}
        assert air.of(LEFT, Kind.LOG) == []
        read = [read_page(data) for data in pages]
        assert read[0].clock_us <= end_us < read[0].end_us
        assert read[-1].clock_us < hole.to_us <= read[-1].end_us
        assert all(a.end_us == b.clock_us for a, b in pairwise(read))


@pytest.mark.slow
async def test_an_insole_without_a_log_is_as_before(steps):
    async with world(steps, left=turned(LEFT, log_pages=PAGES)) as air:
        async with air.listening() as source:
            await air.streams(RIGHT, 30)
            links = source.links[RIGHT].reconnection.links
            air.insoles[RIGHT].vanish(1.0)
            await air.until(lambda: source.links[RIGHT].reconnection.links > links)
            await air.streams(RIGHT, 60)
            assert source.links[RIGHT].has_log is False
            assert source.links[RIGHT].state is ConnectionState.STREAMING
            assert source.links[LEFT].has_log is True
        assert not air.of(RIGHT, Kind.LOG)
        clocks = np.array(sorted(samples_of(air, RIGHT)))
        assert (np.diff(clocks) > 10_000).sum() == 1


@pytest.mark.slow
@pytest.mark.long
async def test_three_times_thirty_seconds_out_of_range(steps):
    async with world(steps, log_pages=PAGES) as air:
        async with air.listening():
            await air.streams(LEFT, 100)
            for foot in (LEFT, RIGHT, LEFT):
                await lose(air, foot, 30.0)
        assert check_whole(air, LEFT) > 6000
        assert check_whole(air, RIGHT) > 3000
