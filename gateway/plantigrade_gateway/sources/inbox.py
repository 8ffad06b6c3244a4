"""The queue between a link and the work: bounded, and what finds no room is counted."""

import asyncio

from plantigrade_gateway.record.entries import SESSION, Entry, Kind

HELD_ENTRIES = 240_000
"""Twenty minutes of two feet at 200 Hz, two frames a packet (ours): far more than any pause of a
program that still runs. Past it new entries are lost; a mark in the record says how many."""


class Inbox:
    """A bounded queue of entries, filled from the event loop.

    Parameters
    ----------
    held : int

    Attributes
    ----------
    lost : int
        Entries that found no room.
    """

    def __init__(self, held: int = HELD_ENTRIES) -> None:
        self.lost = 0
        self._held = held
        self._entries: list[Entry] = []
        self._unmarked = 0
        self._came = asyncio.Event()
        self._closed = False

    def put(self, entry: Entry) -> None:
        """Take an entry over; return at once."""
        if len(self._entries) >= self._held:
            self.lost += 1
            self._unmarked += 1
            return
        if self._unmarked:
            text = f"{self._unmarked} entries before this one are lost: the program was too slow"
            self._entries.append(Entry(entry.arrival_ns, SESSION, Kind.MARK, text.encode()))
            self._unmarked = 0
        self._entries.append(entry)
        self._came.set()

    def close(self) -> None:
        """Say that nothing more comes."""
        self._closed = True
        self._came.set()

    async def take(self) -> list[Entry] | None:
        """Wait for entries; return all that wait, None once it is closed."""
        if not self._entries and not self._closed:
            await self._came.wait()
        self._came.clear()
        if not self._entries and self._closed:
            return None
        taken, self._entries = self._entries, []
        return taken
