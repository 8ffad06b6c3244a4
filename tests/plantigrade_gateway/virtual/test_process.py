"""Virtual insoles that are stopped while they start."""

import asyncio

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway.virtual import player
from plantigrade_gateway.virtual.process import Simulation, simulate

pytest.importorskip(
    "bumble", reason="virtual insoles need the extra: pip install 'plantigrade[virtual]'"
)


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
