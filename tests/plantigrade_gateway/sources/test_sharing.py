"""Several programs at one adapter: none connects while another scans, none starves a stream.

Two live sources, each with signs of its own, stand for two programs: the system keeps the locks by
open file, whichever program has it.
"""

import asyncio
import contextlib
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway.record.entries import Entry
from plantigrade_gateway.sources import finder, live
from plantigrade_gateway.sources.live import LiveSource
from plantigrade_gateway.sources.sharing import SharedRadio
from plantigrade_gateway.wire.gatt import KnownInsole

try:
    from tests.support.airworld import LEFT, Given, World, known, world

    from plantigrade_gateway.virtual.player import GaitSource, invented_steps
except ImportError:
    pytest.skip("needs the extra 'virtual'", allow_module_level=True)

pytestmark = pytest.mark.dear
GONE = KnownInsole(9, Foot.RIGHT, "gone", "C0:00:00:00:00:09", 270)


@pytest.fixture
def steps() -> GaitSource:
    return invented_steps()


def program(air: World, store: Path, *insoles: KnownInsole) -> tuple[LiveSource, list[Entry]]:
    """A source as a program of its own would have it, and what it was sent."""
    entries: list[Entry] = []
    source = LiveSource(
        insoles,
        air.backend,
        air.said.append,
        now_ns=air.now_ns,
        inbox=Given(entries.append),
        shared=SharedRadio(store),
    )
    return source, entries


async def test_no_program_connects_while_another_scans(steps, tmp_path, monkeypatch):
    """The other looks for an insole that is not there, without end."""
    monkeypatch.setattr(live, "SEARCH_S", 1000.0)
    async with world(steps) as air:
        device = air.radio.device
        connect = device.connect
        scanning: list[bool] = []

        async def noting(*args, **kwargs):
            scanning.append(device.is_scanning)
            return await connect(*args, **kwargs)

        monkeypatch.setattr(device, "connect", noting)
        searching, none = program(air, tmp_path / "store", GONE)
        async with searching:
            await air.until(lambda: device.is_scanning)
            mine, entries = program(air, tmp_path / "store", known(air.insoles[LEFT].settings))
            async with mine:
                await air.until(lambda: len(entries) > 10)
                await air.until(lambda: device.is_scanning)  # and it looks on afterwards
    assert scanning == [False]
    assert none == []


async def test_a_scan_is_short_beside_another_programs_stream(steps, tmp_path, monkeypatch):
    monkeypatch.setattr(live, "SEARCH_S", 1000.0)
    monkeypatch.setattr(finder, "BURST_S", 0.07)
    monkeypatch.setattr(finder, "REST_S", 0.13)
    waits: list[tuple[float, bool]] = []
    wait = finder.Finder._wait

    async def noting(self: finder.Finder, seconds: float, beside: bool) -> None:
        waits.append((seconds, beside))
        await wait(self, seconds, beside)

    monkeypatch.setattr(finder.Finder, "_wait", noting)
    async with world(steps) as air:
        searching, _ = program(air, tmp_path / "store", GONE)
        mine, entries = program(air, tmp_path / "store", known(air.insoles[LEFT].settings))
        async with searching:
            await air.until(lambda: waits)
            assert waits[0] == (finder.LONGEST_SCAN_S, False)  # nobody streams yet
            async with mine:
                await air.until(lambda: len(entries) > 10)
                await air.until(lambda: waits[-4:] == [(0.07, True), (0.13, True)] * 2)
            await air.until(lambda: waits[-1] == (finder.LONGEST_SCAN_S, False))


def test_who_connects_is_alone_and_adapters_are_apart(tmp_path):
    async def tried() -> None:
        one, other = SharedRadio(tmp_path / "s"), SharedRadio(tmp_path / "s")
        apart = SharedRadio(tmp_path / "s", "hci1")
        async with one.connecting():
            assert other.others_connect and not one.others_connect and not apart.others_connect
            with other.scanning() as may:
                assert not may
            with apart.scanning() as may:
                assert may
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.3), other.connecting():
                    raise AssertionError("two at once")
        with other.scanning() as may:
            assert may
            with one.scanning() as too:
                assert too
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.3), one.connecting():
                    raise AssertionError("beside a scan")
        async with other.connecting():
            pass
        async with one.streaming():
            assert other.others_stream and not one.others_stream and not apart.others_stream
        assert not other.others_stream

    asyncio.run(tried())


def test_a_program_that_is_killed_holds_up_nobody(tmp_path):
    code = (
        "import asyncio, pathlib, sys\n"
        "from plantigrade_gateway.sources.sharing import SharedRadio\n"
        "async def hold():\n"
        "    shared = SharedRadio(pathlib.Path(sys.argv[1]))\n"
        "    async with shared.connecting(), shared.streaming():\n"
        "        print('holds', flush=True)\n"
        "        await asyncio.Event().wait()\n"
        "asyncio.run(hold())\n"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "s")], stdout=subprocess.PIPE, text=True
    )
    mine = SharedRadio(tmp_path / "s")
    with contextlib.closing(child.stdout):  # type: ignore[type-var]
        assert child.stdout is not None and child.stdout.readline() == "holds\n"
        assert mine.others_connect and mine.others_stream
        child.send_signal(signal.SIGKILL)
        child.wait(HANG_S)
    assert not mine.others_connect and not mine.others_stream
