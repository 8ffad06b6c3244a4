"""Who may do what on the pages."""

from enum import StrEnum
from typing import Protocol

from starlette.requests import HTTPConnection


class Rights(StrEnum):
    """What a visitor of the pages may do."""

    COACH = "coach"
    """Everything."""
    PLAYER = "player"
    """See the live page of one session, and ask for the last outcome."""


class Access(Protocol):
    """Decides who a visitor is."""

    async def rights(self, connection: HTTPConnection) -> Rights | None:
        """Return what a visitor may do; None for somebody who has to sign in first."""
        ...


class OwnMachine:
    """Everybody who reaches the page is the coach: for a page that only this machine can reach."""

    async def rights(self, connection: HTTPConnection) -> Rights | None:
        """Return what a visitor may do."""
        return Rights.COACH
