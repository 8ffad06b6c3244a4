"""The queue between link and work."""

import asyncio

from plantigrade_gateway.record.entries import SESSION, Entry, Kind
from plantigrade_gateway.sources.inbox import Inbox


def entry(n: int) -> Entry:
    return Entry(n, 0, Kind.NOTIFICATION, bytes([n]))


async def test_all_that_waits_comes_in_order():
    inbox = Inbox()
    for n in range(3):
        inbox.put(entry(n))
    assert await inbox.take() == [entry(0), entry(1), entry(2)]
    taker = asyncio.create_task(inbox.take())
    await asyncio.sleep(0)
    assert not taker.done()
    inbox.close()
    assert await taker is None


async def test_a_waiting_taker_is_woken():
    inbox = Inbox()
    taker = asyncio.create_task(inbox.take())
    await asyncio.sleep(0)
    inbox.put(entry(7))
    assert await taker == [entry(7)]


async def test_what_waits_comes_before_the_end():
    inbox = Inbox()
    inbox.put(entry(1))
    inbox.close()
    assert await inbox.take() == [entry(1)]
    assert await inbox.take() is None
    assert await inbox.take() is None


async def test_a_full_inbox_loses_and_marks():
    inbox = Inbox(held=2)
    for n in range(5):
        inbox.put(entry(n))
    assert inbox.lost == 3
    assert await inbox.take() == [entry(0), entry(1)]
    inbox.put(entry(9))
    mark, last = await inbox.take() or []
    assert (mark.kind, mark.insole, mark.arrival_ns) == (Kind.MARK, SESSION, 9)
    assert mark.data == b"3 entries before this one are lost: the program was too slow"
    assert last == entry(9)
