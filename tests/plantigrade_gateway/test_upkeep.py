"""What fails is said and begun again, after pauses that grow and no more."""

import asyncio
import logging

import pytest

from plantigrade_gateway.upkeep import Backoff, fault, kept_up


class Now:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


def test_pauses_double_up_to_the_longest_and_begin_anew_after_what_lasted():
    now = Now()
    backoff = Backoff(2.0, 60.0, now)
    pauses = []
    for _ in range(8):
        backoff.begin()
        now.s += 59.9
        pauses.append(backoff.end())
    assert pauses == [2, 4, 8, 16, 32, 60, 60, 60]
    backoff.begin()
    now.s += 60.0
    assert backoff.end() == 2
    backoff.begin()
    assert backoff.end() == 4


async def test_work_that_fails_is_said_logged_and_begun_again(caplog):
    tries = []
    said: list[str] = []

    async def work() -> None:
        tries.append(1)
        if len(tries) < 4:
            raise RecursionError("too\x1b deep " + "x" * 5000)

    with caplog.at_level(logging.ERROR):
        await kept_up(work, "commands", said.append, Backoff(0.0, 0.0))
    assert len(tries) == 4
    assert len(said) == len(caplog.records) == 3
    assert said[0].startswith("commands: has failed (RecursionError: too deep xxx")
    assert said[0].endswith("x) and is begun again.") and len(said[0]) < 300


async def test_work_that_is_cancelled_ends():
    began = asyncio.Event()

    async def work() -> None:
        began.set()
        await asyncio.Event().wait()

    task = asyncio.create_task(kept_up(work, "x"))
    await began.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


def test_a_fault_without_words_has_a_name():
    assert fault(TimeoutError()) == "TimeoutError()"
