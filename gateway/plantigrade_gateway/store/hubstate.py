"""How a bay's way to the hub stands: written by its process once a second, read by who shows it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from plantigrade_gateway.converter import plain
from plantigrade_gateway.formats import plural
from plantigrade_gateway.store.forwardstate import duration
from plantigrade_gateway.store.status import is_just_now, read_json, replace_json


@dataclass(frozen=True, slots=True)
class HubState:
    """All of it.

    Attributes
    ----------
    written : datetime
    url : str
    problem : str or None
        Why the hub takes nothing now.
    last_contact : datetime or None
        When it last answered as a hub does; None: not since this process began.
    sessions, pieces : int
        Which the hub is still to be given, those under way among them.
    changes : int or None
        Of the log, which it has not seen; None: not known, since it has not said what it has.
    deletions : int
        Which are not carried out here, or whose receipt it has not confirmed.
    refused : tuple of str
        What it would not take, a line each.
    per_s : float
        Pieces a second, of late.
    """

    written: datetime
    url: str
    problem: str | None
    last_contact: datetime | None
    sessions: int
    pieces: int
    changes: int | None
    deletions: int
    refused: tuple[str, ...]
    per_s: float

    @property
    def is_fresh(self) -> bool:
        """Whether it is of a process that runs."""
        return is_just_now(self.written)


def path_for(store: Path) -> Path:
    """Return where the state of a store's way to the hub lies."""
    return store.with_name(store.name + "-hub.json")


def write(path: Path, state: HubState) -> None:
    """Replace the file; a disk that refuses costs nothing but the state."""
    replace_json(path, plain(state))


def read(path: Path) -> HubState | None:
    """Read the file; None where there is none.

    Raises
    ------
    InputError
        It is not readable.
    """
    return read_json(HubState, path, "state")


def lines(state: HubState, now: datetime | None = None) -> list[str]:
    """Return the state in words, a line for each fact."""
    now = datetime.now(UTC) if now is None else now
    waits = [
        plural(state.sessions, "session"),
        plural(state.pieces, "piece"),
        "changes not known" if state.changes is None else plural(state.changes, "change"),
    ]
    if state.deletions:
        waits.append(plural(state.deletions, "deletion"))
    first = f"{state.url}: {', '.join(waits)} waiting"
    if state.problem:
        first += f"; {state.problem}"
    if state.last_contact is None:
        first += "; has not answered yet"
    else:
        ago_s = max(0.0, (now - state.last_contact).total_seconds())
        first += f"; answered {duration(ago_s)} ago"
    return [first, *state.refused]
