"""Turns of the event loop, counted: a wait that no clock ends and that ends all the same."""

import asyncio
from collections.abc import Callable

MOST = 20_000


async def turns_until(is_so: Callable[[], object]) -> None:
    """Let others have their turns until something is so."""
    for _ in range(MOST):
        if is_so():
            return
        await asyncio.sleep(0)
    raise AssertionError(f"is not so after {MOST} turns")
