"""One pair's program among several: its pipe upwards is never waited for, its input obeyed."""

import asyncio
import io
import json
import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import pytest

from plantigrade_gateway.session.part import Part, PartOrder

WHOLE_BYTES = 4096  # PIPE_BUF on Linux, pipe(7): so much is written whole or not at all


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    ends = os.pipe()
    yield ends
    for end in ends:
        with suppress(OSError):
            os.close(end)


def of_bytes(n: int) -> dict[str, str]:
    """A message whose line has `n` bytes: ten beside its text."""
    return {"t": "x" * (n - 10)}


def test_a_message_goes_up_as_a_line_and_one_that_a_pipe_may_cut_is_dropped(pipe):
    above, below = pipe
    part = Part(PartOrder(live_fd=below))
    for n in (20, WHOLE_BYTES, WHOLE_BYTES + 1):
        part.tell(of_bytes(n))
    part.tell({"type": "swing"})
    os.close(below)
    with open(above, "rb", closefd=False) as lines:
        told = list(lines)
    assert [len(line) for line in told] == [20, WHOLE_BYTES, 18]
    assert json.loads(told[-1]) == {"type": "swing"}
    assert part.dropped == 1


def test_a_pipe_that_nobody_reads_holds_nothing_up_and_what_it_drops_is_counted(pipe):
    above, below = pipe
    part = Part(PartOrder(live_fd=below))
    n_told = 0
    while part.dropped < 3:
        part.tell(of_bytes(1000))
        n_told += 1
    os.set_blocking(above, False)
    whole = os.read(above, 1 << 20)
    assert len(whole) == 1000 * (n_told - 3) and whole.endswith(b'x"}\n')
    part.tell({"type": "swing"})  # there is room again
    assert (os.read(above, 100), part.dropped) == (b'{"type": "swing"}\n', 3)
    os.close(above)
    part.tell({"type": "swing"})  # the program above has ended
    assert part.dropped == 4


async def test_what_comes_from_above_is_obeyed_line_by_line_and_its_end_is_the_end(monkeypatch):
    """One that is no JSON, or that cannot be obeyed, ends nothing."""
    lines = ['{"type": "mark"}', "not JSON", '{"type": "odd"}', '{"type": "stop"}']
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines) + "\n"))
    part, stop, obeyed = Part(PartOrder()), asyncio.Event(), []

    def obey(message: dict[str, Any]) -> None:
        if message["type"] == "odd":
            raise LookupError("nobody is here")
        assert not stop.is_set()
        obeyed.append(message["type"])

    part.obey = obey
    with part.listening(stop):
        await asyncio.wait_for(stop.wait(), 30.0)
    assert obeyed == ["mark", "stop"]
