"""The forwarding process's state: written by it once a second, read by whatever shows it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from plantigrade_gateway import formats
from plantigrade_gateway.converter import plain
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sinks import display_name
from plantigrade_gateway.store.outbox import Depth
from plantigrade_gateway.store.status import is_just_now, read_json, replace_json


@dataclass(frozen=True, slots=True)
class SinkState:
    """One sink's state.

    Attributes
    ----------
    sink : str
    active : bool
        It is configured.
    problem : str or None
        Why it takes nothing now.
    waiting : int
        Rows not there for good.
    held : int
        Of those, acknowledged and held for a while.
    oldest_s : float or None
        Age of the oldest that is not acknowledged, s.
    sent, aside, dropped : int
        As `outbox.Depth`.
    resent : int
        Sent again after a restart or a broken link; harmless.
    per_s : float
        Acknowledged a second, of late.
    """

    sink: str
    active: bool
    problem: str | None
    waiting: int
    held: int
    oldest_s: float | None
    sent: int
    aside: int
    dropped: int
    resent: int
    per_s: float

    @property
    def unsent(self) -> int:
        """Rows that were not acknowledged.

        Of those that were, a deletion or the end of a consent takes some away while they are held.
        """
        return max(0, self.waiting - self.held)


@dataclass(frozen=True, slots=True)
class ForwardState:
    """All of it."""

    written: datetime
    sinks: tuple[SinkState, ...]
    warnings: tuple[str, ...] = ()

    @property
    def is_fresh(self) -> bool:
        """Whether it is of a process that runs."""
        return is_just_now(self.written)


def path_for(store: Path) -> Path:
    """Return where the state of a store's forwarding lies."""
    return store.with_name(store.name + "-forward.json")


def write(path: Path, state: ForwardState) -> None:
    """Replace the file; a disk that refuses costs nothing but the state."""
    replace_json(path, plain(state))


def read(path: Path) -> ForwardState | None:
    """Read the file; None where there is none.

    Raises
    ------
    InputError
        It is not readable.
    """
    return read_json(ForwardState, path, "state")


def latest(store: Path) -> ForwardState | None:
    """Return the state of a store's forwarding while its process runs, None otherwise."""
    try:
        found = read(path_for(store))
    except InputError:
        return None
    return found if found is not None and found.is_fresh else None


def held(store: Path, depths: Sequence[Depth]) -> dict[str, int]:
    """Return how many of each sink's rows that wait were acknowledged, and are held for a while.

    Of a gateway that has ended they stay held until the next one sends them again; of another
    store in this one's place (restored, say) nothing is known.
    """
    try:
        found = read(path_for(store))
    except InputError:
        found = None
    known = {depth.sink: 0 for depth in depths}
    if found is not None:
        states = {state.sink: state for state in found.sinks}
        for depth in depths:
            state = states.get(depth.sink)
            if state is not None and (found.is_fresh or state.sent == depth.sent):
                known[depth.sink] = min(state.held, depth.waiting)
    return known


def lines(state: ForwardState) -> list[str]:
    """Return the state in words, a line for each fact."""
    return [sink_line(sink) for sink in state.sinks] + list(state.warnings)


def sink_line(sink: SinkState) -> str:
    """Return one sink's state in words."""
    parts = [f"{sink.unsent:,} waiting".replace(",", " ")]
    if sink.oldest_s is not None:
        parts.append(f"the oldest for {duration(sink.oldest_s)}")
    parts.append(f"{sink.sent + sink.held:,} sent".replace(",", " "))
    if sink.resent:
        parts.append(f"{sink.resent} sent again")
    if sink.aside:
        parts.append(f"{formats.plural(sink.aside, 'row')} set aside (plantigrade outbox)")
    if sink.dropped:
        parts.append(f"{formats.plural(sink.dropped, 'second')} dropped for room")
    if not sink.active:
        parts.append("no longer configured")
    elif sink.problem:
        parts.append(sink.problem)
    return f"{display_name(sink.sink)}: {', '.join(parts)}"


def duration(seconds: float) -> str:
    """Return a duration as people say it."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
