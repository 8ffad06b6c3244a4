"""Everything that waits handed over once, by hand, while no gateway runs."""

from dataclasses import dataclass
from pathlib import Path

from plantigrade_gateway.child import Alone, AtWork
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.formats import plural
from plantigrade_gateway.store.schema import is_there
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.process import SyncProcess


@dataclass(frozen=True, slots=True)
class HandedOver:
    """What came of it.

    Attributes
    ----------
    url : str
    problems : tuple of str
        Why it did not get to its end, and what the hub would not take, a line each.
    sessions : int
        Of which the hub now has all, and had not before.
    pieces, changes, deletions : int
        Which the hub has taken.
    fetched : int
        Changes of others, which are new here.
    waiting_sessions, waiting_pieces : int
        Which it is still to be given.
    not_ended : int
        Sessions that are being recorded, or were cut off; the hub has only pieces of them.
    """

    url: str
    problems: tuple[str, ...]
    sessions: int
    pieces: int
    changes: int
    deletions: int
    fetched: int
    waiting_sessions: int
    waiting_pieces: int
    not_ended: int

    @property
    def well(self) -> bool:
        """Whether the hub has all that it can be given."""
        return not self.problems

    def lines(self) -> list[str]:
        """Return it in words, a line for each fact."""
        given = [
            plural(self.sessions, "whole session"),
            plural(self.pieces, "piece"),
            plural(self.changes, "change"),
            plural(self.deletions, "deletion"),
        ]
        found = [
            f"Handed over to {self.url}: {', '.join(given)}. "
            f"Fetched: {plural(self.fetched, 'change')}."
        ]
        found += self.problems
        if not self.well:
            found.append(
                f"Still waiting: {plural(self.waiting_sessions, 'session')}, "
                f"{plural(self.waiting_pieces, 'piece')}."
            )
        if self.not_ended:
            found.append(
                f"Not ended: {plural(self.not_ended, 'session')}. What is cut off is ended when "
                "the gateway next runs, and its end handed over then."
            )
        return found


async def hand_over(path: Path, config: Config, *, create: bool = False) -> HandedOver | None:
    """Hand over what waits; None where a gateway runs at the store, which does it by itself.

    Parameters
    ----------
    path : Path
        The store.
    config : Config
    create : bool
        Make the store where there is none, once it is known that there is a hub.

    Raises
    ------
    InputError
        No hub is set, the credential or the certificate's file cannot be used, or there is no
        store.
    StoreError
        The store refuses.
    """
    is_new = create and not is_there(path)
    if not is_new:  # what is wrong with it is said before what is of a hub
        Store.open(path, create=False).close()
    if config.text("hub.url") is None:
        raise InputError("hub.url: is not set, so this bay is alone; see plantigrade settings")
    if is_new:
        Store.open(path).close()
    try:
        with Alone(path, "sync", waits=False):
            return await _once(SyncProcess(path, config, _no_one))
    except AtWork:
        return None


async def _once(work: SyncProcess) -> HandedOver:
    try:
        problems = await work.once()
        waiting, records = work.records.waiting(), work.records
        return HandedOver(
            work.hub.url,
            (*problems, *records.problems()),
            records.ended,
            records.given,
            work.exchange.given,
            work.deletions.told,
            work.exchange.taken,
            waiting.sessions,
            waiting.pieces,
            waiting.under_way,
        )
    finally:
        work.close()


def _no_one(_: str) -> None:
    """Say nothing: what happens is told at the end."""
