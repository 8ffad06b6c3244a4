"""The simulator's process is waited for, however slow the machine is.

A machine that is starved of time is stood for by an event loop whose clock leaps an hour: every
limit in seconds is over then, while nothing has had time to happen.
"""

import asyncio

import pytest
from tests.support.waiting import HANG_S

pytest.importorskip("bumble", reason="virtual insoles need the extra 'virtual'")

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.session.insoles import opened_radio
from plantigrade_gateway.virtual import player
from plantigrade_gateway.virtual.process import Simulation, simulate, simulator_process

pytestmark = pytest.mark.dear

HOUR_S = 3600.0


def leap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let an hour pass on the running loop's clock at once."""
    loop = asyncio.get_running_loop()
    now_s = loop.time
    monkeypatch.setattr(loop, "time", lambda: now_s() + HOUR_S)


async def some_turns() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


@pytest.mark.slow
def test_virtual_insoles_that_take_long_to_start_are_waited_for(monkeypatch):
    said: list[str] = []

    async def go() -> list[str]:
        opening = simulator_process(Simulation(), said.append)
        entering = asyncio.create_task(opening.__aenter__())
        while not said and not entering.done():
            leap(monkeypatch)
            await some_turns()
        transports = await entering
        await opening.__aexit__(None, None, None)
        return transports

    (transport,) = asyncio.run(go())
    assert transport.startswith("tcp-client:127.0.0.1:")
    assert len(said) == 1
    assert "waiting for them" in said[0] and "Ctrl-C" in said[0]


@pytest.mark.slow
def test_virtual_insoles_that_cannot_start_end_in_one_sentence():
    async def go() -> None:
        taken = await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)
        port = taken.sockets[0].getsockname()[1]
        async with taken, simulator_process(Simulation(port=port), pytest.fail):
            pass

    with pytest.raises(BluetoothError, match=r"^virtual insoles: port \d+: cannot be used"):
        asyncio.run(go())


@pytest.mark.parametrize("is_ours", [True, False])
def test_a_radio_of_our_own_program_is_waited_for_until_it_ends(monkeypatch, is_ours):
    """Another's, which may not be there at all, is not."""

    async def go() -> bool:
        came: list[asyncio.StreamWriter] = []
        server = await asyncio.start_server(lambda _, w: came.append(w), "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        opening = opened_radio(f"tcp-client:127.0.0.1:{port}", is_ours=is_ours)
        entering = asyncio.create_task(opening.__aenter__())
        while not came:
            await asyncio.sleep(0.01)
        await some_turns()
        leap(monkeypatch)
        await some_turns()
        waited = not entering.done()
        came[0].close()
        server.close()
        with pytest.raises(BluetoothError, match="cannot be used"):
            await entering
        return waited

    assert asyncio.run(go()) is is_ours


async def test_each_pairs_player_has_the_lead_foot_of_its_hand(monkeypatch):
    """The first pair's, and others', who draw their steps by themselves; unsaid is right-handed."""
    asked: list[Foot] = []
    steps = player.invented_steps(1)

    def drawn(seed: int, style: object, lead: Foot) -> player.GaitSource:
        asked.append(lead)
        return steps

    monkeypatch.setattr(player, "invented_steps", drawn)
    started = asyncio.Event()
    simulation = Simulation(pairs=3, handed=("left", "left"))
    running = asyncio.create_task(simulate(simulation, lambda _: started.set()))
    await asyncio.wait_for(started.wait(), HANG_S)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert asked == [Foot.RIGHT, Foot.RIGHT, Foot.LEFT]
    assert Simulation.from_json(simulation.to_json()) == simulation


async def test_stopped_at_any_moment_of_the_start_it_ends_without_a_word(caplog, monkeypatch):
    """At ever later turns of the loop, until one at which all had started."""
    steps = player.invented_steps(1)  # seconds of work, and no part of what is asked here
    monkeypatch.setattr(player, "invented_steps", lambda *_: steps)
    loop = asyncio.get_running_loop()
    told: list[dict[str, object]] = []
    loop.set_exception_handler(lambda _, context: told.append(context))
    started = asyncio.Event()
    turns = 0
    while not started.is_set():
        turns += 3
        running = asyncio.create_task(simulate(Simulation(), lambda _: started.set()))
        for _ in range(turns):
            await asyncio.sleep(0)
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(running, HANG_S)
        await asyncio.sleep(0)
        assert told == []
        assert caplog.messages == []
    assert turns > 10  # it was stopped in the midst of the start, not only before and after
