"""One sink's way through a real outbox, past a sink that does what each test says; no network."""

import asyncio
import random
from collections.abc import Callable

import numpy as np
import pytest
from tests.support.waiting import HANG_S

from plantigrade.block import N_COLUMNS, PairBlock
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward import courier
from plantigrade_gateway.forward.courier import (
    FIRST_WAIT_S,
    LONGEST_WAIT_S,
    STRIKES,
    Courier,
    ItemRejected,
    SinkUnavailable,
)
from plantigrade_gateway.sinks import LOADS, MQTT
from plantigrade_gateway.store.enqueue import Item, Loads, pack_loads
from plantigrade_gateway.store.outbox import Outbox

HOLD_S = 10.0
NINE_MS = 1_772_442_000_000


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def outbox(store) -> Outbox:
    box = Outbox(store.database)
    box.configure([MQTT])
    return box


def put(outbox: Outbox, rows: int) -> None:
    """Rows a second apart."""
    for k in range(rows):
        outbox.put_links("north/b1", NINE_MS + 1000 * k, {"left": {"n": k}})


def way(outbox: Outbox, clock: Clock, at_once: int = 2) -> Courier:
    return Courier(outbox, MQTT, HOLD_S, at_once, clock)


def numbers(items: list[Item]) -> list[int]:
    return [(item.time_ms - NINE_MS) // 1000 for item in items]


def left(outbox: Outbox) -> list[int]:
    return numbers(outbox.waiting(MQTT, outbox.place(MQTT), 100))


def sent(outbox: Outbox) -> int:
    (depth,) = outbox.depths()
    return depth.sent


# ---- what is held, and is there for good ----


def test_rows_come_in_pieces_in_their_order(outbox, clock):
    put(outbox, 5)
    one = way(outbox, clock)
    assert one.problem == "not connected yet"
    assert one.oldest() == NINE_MS
    took = []
    while items := one.next():
        took.append(numbers(items))
        one.took(items)
    assert took == [[0, 1], [2, 3], [4]]
    assert (one.held, one.acknowledged, one.resent, one.oldest()) == (5, 5, 0, None)
    assert left(outbox) == [0, 1, 2, 3, 4] and sent(outbox) == 0  # none is there for good


def test_what_was_held_long_enough_is_there_for_good(outbox, clock):
    put(outbox, 5)
    one = way(outbox, clock)
    for pause_s in (0.0, 4.0):
        clock.now_s += pause_s
        one.took(one.next())
    clock.now_s = 100.0 + HOLD_S - 0.1
    one.settle()
    assert (one.held, sent(outbox)) == (4, 0)
    clock.now_s = 100.0 + HOLD_S
    one.settle()
    assert (one.held, sent(outbox), left(outbox)) == (2, 2, [2, 3, 4])
    clock.now_s += 60.0
    one.settle()
    assert (one.held, sent(outbox), left(outbox)) == (0, 4, [4])
    assert one.acknowledged == 4


def test_what_may_be_lost_is_sent_again_and_counted(outbox, clock):
    put(outbox, 5)
    one = way(outbox, clock)
    one.took(one.next())
    clock.now_s += HOLD_S
    one.settle()
    one.took(one.next())
    one.begin_again()
    assert (one.held, one.resent) == (0, 2)
    assert numbers(one.next()) == [2, 3]
    one.took(one.next())
    one.begin_again()
    assert (one.resent, one.acknowledged) == (4, 6)


# ---- the loop ----


class Sink:
    """Takes what it is given; a test sets what it does instead."""

    def __init__(self, stop: asyncio.Event, rows: int) -> None:
        self.stop, self.rows = stop, rows
        self.calls: list[str] = []
        self.got: list[int] = []
        self.refuses: set[int] = set()
        self.accepts = True
        self.opening: list[Exception] = []
        self.was_restarted: list[bool | None] = []

    async def open(self) -> None:
        self.calls.append("open")
        if self.opening:
            raise self.opening.pop(0)

    async def close(self) -> None:
        self.calls.append("close")

    async def restarted(self) -> bool | None:
        return self.was_restarted.pop(0) if self.was_restarted else False

    async def send(self, items: list[Item]) -> None:
        self.calls.append(f"send {numbers(items)}")
        if self.refuses & set(numbers(items)):
            raise ItemRejected("not of this shape")
        self.got += numbers(items)
        if len(self.got) >= self.rows:
            self.stop.set()

    async def is_accepting(self) -> bool:
        self.calls.append("asked")
        return self.accepts


@pytest.fixture
def waits(monkeypatch) -> list[float]:
    """How long the loop waited, which takes no time."""
    found: list[float] = []
    pause = asyncio.sleep

    async def sleep(seconds: float, *_: object) -> None:
        found.append(seconds)
        await pause(0)

    monkeypatch.setattr(courier, "sleep_until", sleep)
    monkeypatch.setattr(asyncio, "sleep", sleep)
    monkeypatch.setattr(random, "uniform", lambda low, high: high)
    return found


async def brought(one: Courier, rows: int, turn: Callable[[Sink], None]) -> Sink:
    stop = asyncio.Event()
    sink = Sink(stop, rows)
    turn(sink)
    async with asyncio.timeout(HANG_S):
        await one.run(sink, stop)
    return sink


async def test_a_row_that_is_refused_alone_is_set_aside_and_the_rest_is_sent(outbox, clock, waits):
    """Halves until it is alone, then three times in all, each time asked whether it takes any."""
    put(outbox, 4)
    sink = await brought(way(outbox, clock, 4), 3, lambda sink: sink.refuses.add(2))
    assert sink.calls == [
        *("open", "send [0, 1, 2, 3]", "send [0, 1]", "send [2, 3]", "send [2]"),
        *("asked", "send [2]", "asked", "send [2]", "asked", "send [3]", "close"),
    ]
    assert STRIKES == 3 and waits == pytest.approx([0.1, 0.2])
    (letter,) = outbox.dead_letters()
    assert (letter.sink, numbers([letter.item])) == (MQTT, [2])
    assert letter.reason == "not of this shape"
    assert sink.got == [0, 1, 3]


async def test_a_sink_that_takes_nothing_sets_no_row_aside(outbox, clock, waits):
    put(outbox, 1)
    one = way(outbox, clock)

    def turn(sink: Sink) -> None:
        sink.refuses, sink.accepts = {0}, False
        close = sink.close

        async def closing() -> None:
            await close()
            sink.refuses, sink.accepts = set(), True

        sink.close = closing  # type: ignore[method-assign]

    problems: list[str | None] = []
    began = one.begin_again

    def begin_again() -> None:
        problems.append(one.problem)
        began()

    one.begin_again = begin_again  # type: ignore[method-assign]
    sink = await brought(one, 1, turn)
    assert problems == ["message broker: takes nothing now (not of this shape)"]
    assert outbox.dead_letters() == [] and sink.got == [0]


async def test_a_sink_that_is_away_is_asked_again_after_twice_as_long(outbox, clock, waits, caplog):
    """0.5 s, doubled to 30 s; longer where it asks for it; said once while the reason is one."""
    put(outbox, 1)
    asks = [None] * 7 + [45.0]
    away = [SinkUnavailable("database x: away", after_s) for after_s in asks]
    sink = await brought(way(outbox, clock), 1, lambda sink: sink.opening.extend(away))
    assert (FIRST_WAIT_S, LONGEST_WAIT_S) == (0.5, 30.0)
    assert waits == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 45.0]
    assert [record.message for record in caplog.records] == ["database x: away"]
    assert sink.calls.count("close") == 9


async def test_a_fault_of_ours_and_a_store_that_refuses_end_nothing(outbox, clock, waits, caplog):
    put(outbox, 1)
    one = way(outbox, clock)
    faults = [StoreError("store x: is full"), KeyError("ours"), KeyError("ours")]
    sink = await brought(one, 1, lambda sink: sink.opening.extend(faults))
    assert waits == [0.5, 0.5, 1.0]
    assert [record.message for record in caplog.records] == [
        "store x: is full",
        "sending",
        "sending",
    ]
    assert sink.got == [0] and one.problem is None


@pytest.mark.parametrize(("seen", "there", "still"), [(False, 1, [1]), (None, 0, [0, 1])])
async def test_what_was_held_long_enough_is_there_when_the_sink_is_seen_alive(
    outbox, clock, waits, seen, there, still
):
    put(outbox, 2)
    one = way(outbox, clock, 1)

    def turn(sink: Sink) -> None:
        answers: list[bool | None] = [False, seen]

        async def restarted() -> bool | None:
            clock.now_s += HOLD_S
            return answers.pop(0)

        sink.restarted = restarted  # type: ignore[method-assign]

    sink = await brought(one, 2, turn)
    assert sink.got == [0, 1] and (sent(outbox), left(outbox)) == (there, still)


async def test_a_sink_that_was_restarted_is_sent_again_what_is_held(outbox, clock, waits):
    """Where that cannot be seen just now, nothing is settled and nothing sent again."""
    put(outbox, 2)
    one = way(outbox, clock, 1)

    def turn(sink: Sink) -> None:
        sink.was_restarted = [False, None, True]

    sink = await brought(one, 4, turn)
    assert sink.got == [0, 1, 0, 1]
    assert (one.resent, one.acknowledged) == (2, 4)


async def test_a_second_of_loads_that_is_refused_is_counted_and_not_kept(
    store, session, clock, waits
):
    box = Outbox(store.database)
    box.configure([MQTT, LOADS])
    foot = np.zeros((2, N_COLUMNS))
    second = PairBlock(0, np.array([0.0, 0.5]), foot, foot)
    store.write(session, [], [Loads(0, 0.0, 0.5, 2, pack_loads(second))])
    one = Courier(box, LOADS, HOLD_S, 2, clock)
    stop = asyncio.Event()
    sink = Sink(stop, 1)

    async def send(items: list[Item]) -> None:
        if len(waits) == 2:  # refused three times
            stop.set()
        raise ItemRejected("not of this shape")

    sink.send = send  # type: ignore[method-assign]
    async with asyncio.timeout(HANG_S):
        await one.run(sink, stop)
    found = {depth.sink: depth for depth in box.depths()}
    assert (found[LOADS].dropped, found[LOADS].aside) == (1, 0) and box.dead_letters() == []


async def test_an_empty_outbox_is_left_alone_for_a_tenth_of_a_second(outbox, clock, waits):
    one = way(outbox, clock)
    stop = asyncio.Event()
    sink = Sink(stop, 1)
    looks = [0]

    async def restarted() -> bool | None:
        looks[0] += 1
        if looks[0] == 3:
            assert one.problem is None
            stop.set()
        return None

    sink.restarted = restarted  # type: ignore[method-assign]
    async with asyncio.timeout(HANG_S):
        await one.run(sink, stop)
    assert waits == [0.1] * 3 and sink.calls == ["open", "close"]
