"""An application that is made when it is first asked: what makes it takes seconds to import."""

import asyncio
from collections.abc import Callable

from fastapi import FastAPI
from starlette.types import Receive, Scope, Send


class Lazy:
    """An ASGI application in place of one that is not made yet.

    Parameters
    ----------
    make : callable
        Returns the application; runs in a thread, and again where it failed. What the application
        keeps as ``state.reads`` is closed with it.
    """

    def __init__(self, make: Callable[[], FastAPI]) -> None:
        self._make = make
        self._made: asyncio.Task[FastAPI] | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if self._made is None or _has_failed(self._made):
            self._made = asyncio.create_task(asyncio.to_thread(self._make))
        await (await asyncio.shield(self._made))(scope, receive, send)

    def close(self) -> None:
        """Close the store, where it was opened."""
        made = self._made
        if made is not None and made.done() and not made.cancelled() and not _has_failed(made):
            made.result().state.reads.close()


def _has_failed(task: asyncio.Task[FastAPI]) -> bool:
    """Whether a task has ended with an error; the next request tries again."""
    return task.done() and not task.cancelled() and task.exception() is not None
