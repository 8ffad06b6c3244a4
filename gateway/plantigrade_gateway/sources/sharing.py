"""One adapter among several programs: who connects, who scans, and whether anybody streams.

An adapter cannot make a connection while it scans, and serves its links the less while it does
(`finder.py`). Within a program that is seen to by the `Finder`; between the programs of several
pairs by locks on files, which the system releases however a program ends.
"""

import asyncio
import contextlib
import fcntl
import os
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import IO

LOOK_S = 0.1
"""How often a lock that another program has is tried again, and a scan looks whether another wants
to connect (ours)."""


class _Sign:
    """A lock on a file: one program has it alone, or several share it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def taken(self, kind: int) -> IO[bytes] | None:
        """Take it (``fcntl.LOCK_EX`` or ``LOCK_SH``) until it is closed; None: another has it.

        Where no file can be made nobody can be told, and it is taken.
        """
        try:
            file = os.fdopen(os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600), "wb")
        except OSError:
            return open(os.devnull, "wb")
        try:
            fcntl.flock(file, kind | fcntl.LOCK_NB)
        except OSError:
            file.close()
            return None
        return file

    def is_taken(self, kind: int) -> bool:
        """Whether another program has it in a way that would refuse this kind."""
        file = self.taken(kind)
        if file is None:
            return True
        file.close()
        return False

    async def wait(self, kind: int) -> IO[bytes]:
        """Take it as soon as it can be."""
        while (file := self.taken(kind)) is None:
            await asyncio.sleep(LOOK_S)
        return file


class SharedRadio:
    """An adapter that other programs may use too.

    Parameters
    ----------
    store : Path
        The programs are those of one store; the signs lie beside it.
    radio : str or None
        Which adapter; each has signs of its own.
    """

    def __init__(self, store: Path, radio: str | None = None) -> None:
        of_radio = "".join(c if c.isalnum() else "-" for c in radio or "")
        base = f"{store.name}-radio{'-' if of_radio else ''}{of_radio}"
        self._connects = _Sign(store.with_name(base + "-connects"))
        self._scans = _Sign(store.with_name(base + "-scans"))
        self._streams = _Sign(store.with_name(base + "-streams"))
        self._connecting = False
        self._streaming = 0

    @contextlib.asynccontextmanager
    async def connecting(self) -> AsyncIterator[None]:
        """Have no other program connect or scan while the block runs."""
        with await self._connects.wait(fcntl.LOCK_EX):
            self._connecting = True
            try:
                with await self._scans.wait(fcntl.LOCK_EX):
                    yield
            finally:
                self._connecting = False

    @property
    def others_connect(self) -> bool:
        """Whether another program makes a connection, or waits to."""
        return not self._connecting and self._connects.is_taken(fcntl.LOCK_SH)

    @contextlib.contextmanager
    def scanning(self) -> Iterator[bool]:
        """Tell others of a scan while the block runs; False: another connects, and none may."""
        file = None if self.others_connect else self._scans.taken(fcntl.LOCK_SH)
        if file is None:
            yield False
            return
        with file:
            yield True

    @contextlib.asynccontextmanager
    async def streaming(self) -> AsyncIterator[None]:
        """Tell others that a link streams while the block runs."""
        with await self._streams.wait(fcntl.LOCK_SH):  # another may just be asking
            self._streaming += 1
            try:
                yield
            finally:
                self._streaming -= 1

    @property
    def others_stream(self) -> bool:
        """Whether a link of another program's streams; of this one's own it is not asked."""
        return not self._streaming and self._streams.is_taken(fcntl.LOCK_EX)
