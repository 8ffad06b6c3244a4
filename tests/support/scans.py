"""Scans of the commands that end when all are heard, however long a busy machine takes."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway.sources import bluetooth
from plantigrade_gateway.sources.bluetooth import Radio, Sighting


@contextmanager
def scans_until(least: int) -> Iterator[None]:
    """Have each scan of a command repeated until it heard so many insoles."""
    whole = bluetooth.scan

    async def scan(radio: Radio, seconds: float) -> list[Sighting]:
        async with asyncio.timeout(HANG_S):
            while len(found := await whole(radio, seconds)) < least:
                pass
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bluetooth, "scan", scan)
        yield
