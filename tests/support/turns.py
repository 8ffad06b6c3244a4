"""Turns of the event loop, counted: a wait that no clock ends and that ends all the same."""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

MOST = 20_000


async def turns_until(is_so: Callable[[], object]) -> None:
    """Let others have their turns until something is so."""
    for _ in range(MOST):
        if is_so():
            return
        await asyncio.sleep(0)
    raise AssertionError(f"is not so after {MOST} turns")


def limits_over_at_once(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Note each limit that `asyncio.timeout` sets, s, and let it be over at once."""
    set_s: list[float] = []
    whole = asyncio.timeout

    def timeout(seconds: float) -> Any:
        set_s.append(seconds)
        return whole(0.0)

    monkeypatch.setattr(asyncio, "timeout", timeout)
    return set_s
