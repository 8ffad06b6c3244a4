"""What gives a session its entries: insoles, a recording, or what somebody adds.

A new source is one module with one class that has these members.
"""

from collections.abc import AsyncIterator, Mapping
from types import TracebackType
from typing import Protocol, Self

from plantigrade.block import Foot
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.sources.reconnect import LinkInfo

STOP_LIMIT_S = 8.0
"""For ending the links in good order; what takes longer is left (ours)."""


class Source(Protocol):
    """Gives entries in order of arrival: opened by ``async with``, read by ``async for``.

    The iteration ends when nothing more comes, or after `stop` with all that has come by then; one
    that can begin again does so when it is iterated once more.
    """

    @property
    def name(self) -> str:
        """What its sessions are called."""

    @property
    def is_live(self) -> bool:
        """Whether entries arrive now, by this machine's monotonic clock; else they did once."""

    @property
    def links(self) -> Mapping[Foot, LinkInfo]:
        """How the insoles' links are; empty where there are none."""

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def __aiter__(self) -> AsyncIterator[Batch]: ...

    async def stop(self) -> None:
        """Give nothing more but what has come; return within `STOP_LIMIT_S`."""
