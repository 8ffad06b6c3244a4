"""What a bay tells the roster of its site once a second: made here, and read here by the hub.

As `hardware_notes/mqtt_topics.md` says. A player is told by id and never by name.
"""

import time
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Protocol, Self

from plantigrade.block import Foot
from plantigrade.errors import ForeignError
from plantigrade.events import Event, Swing
from plantigrade.foreign import read_json
from plantigrade_gateway import words
from plantigrade_gateway.config import Config
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sinks import MQTT
from plantigrade_gateway.store.enqueue import source_of
from plantigrade_gateway.store.forwardstate import ForwardState
from plantigrade_gateway.store.status import FootStatus, ServiceStatus

VERSION = 1
TOPIC = "roster"
MOST_BYTES = 4096
"""Of one message: what a pipe takes whole, and more than a bay's four pairs need."""
MOST_PAIRS = 8
MOST_UNSENT = 8
MOST_WORDS = 200
"""Signs of any text in it (ours)."""
_LONGEST_S = 1e10  # three centuries
_MOST_ROWS = 10**12
GONE_AFTER_S = 3.0
"""A pair of which nothing was told for so long is no longer told of (ours)."""


@dataclass(frozen=True, slots=True)
class Insole:
    """One insole, of what `store.status.FootStatus` says.

    Attributes
    ----------
    link : str
    battery_percent : int or None
    lost_share : float or None
        Of the session's packets, 0 to 1.
    silent_s : float or None
        Since data came last.
    """

    link: str
    battery_percent: int | None = None
    lost_share: float | None = None
    silent_s: float | None = None


@dataclass(frozen=True, slots=True)
class LastSwing:
    """The last swing of the session under way.

    Attributes
    ----------
    time : str
        When it was decided, UTC.
    n : int
        Which of the session.
    words : str
        What it was.
    """

    time: str
    n: int
    words: str


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair of insoles at a bay.

    Attributes
    ----------
    name : str or None
        Where a bay has several.
    source : str
        insoles, invented or replay.
    session, player : str or None
        The session under way, and whose it or the next one is: random ids.
    feet : dict of str to Insole
        By "left" and "right".
    swing : LastSwing or None
    """

    name: str | None
    source: str
    session: str | None
    player: str | None
    feet: dict[str, Insole] = field(default_factory=dict)
    swing: LastSwing | None = None


@dataclass(frozen=True, slots=True)
class Unsent:
    """What waits at a bay.

    Attributes
    ----------
    to : str
        For whom: the name of a sink.
    waiting : int
        Rows that were not acknowledged.
    oldest_s : float or None
        Age of the first of them.
    """

    to: str
    waiting: int
    oldest_s: float | None


@dataclass(frozen=True, slots=True)
class BayStatus:
    """A bay, now.

    Attributes
    ----------
    v : int
    time : str
        When it was so, by the bay's clock, UTC.
    pairs : tuple of Pair
    unsent : tuple of Unsent
    """

    v: int
    time: str
    pairs: tuple[Pair, ...]
    unsent: tuple[Unsent, ...]


def read(data: bytes | bytearray | str) -> BayStatus:
    """Read a bay's status, whoever wrote it.

    Raises
    ------
    InputError
        It is none; one sentence.
    """
    try:
        table = read_json(data, "roster", MOST_BYTES)
        found = made(BayStatus, table)
    except ForeignError as error:
        raise InputError(str(error)) from None
    except ValueError as error:
        raise InputError(f"roster: {error}") from None
    if found.v != VERSION:
        raise InputError(f"roster: v is {found.v}, expected {VERSION}")
    if len(found.pairs) > MOST_PAIRS or len(found.unsent) > MOST_UNSENT:
        raise InputError(f"roster: expected at most {MOST_PAIRS} pairs and {MOST_UNSENT} unsent")
    if any(set(pair.feet) - set(Foot) for pair in found.pairs):
        raise InputError("roster: feet has another than left and right")
    for name, value, most in _numbers(found):
        if value is not None and not 0.0 <= value <= most:
            raise InputError(f"roster: {name} is {value:g}, expected 0 to {most:g}")
    return found


def _numbers(found: BayStatus) -> Iterator[tuple[str, float | None, float]]:
    """Give each number with its name and the most it may be; NaN is within no bounds."""
    for pair in found.pairs:
        for one in pair.feet.values():
            yield "battery_percent", one.battery_percent, 100
            yield "lost_share", one.lost_share, 1
            yield "silent_s", one.silent_s, _LONGEST_S
        if pair.swing is not None:
            yield "n", pair.swing.n, _MOST_ROWS
    for wait in found.unsent:
        yield "waiting", wait.waiting, _MOST_ROWS
        yield "oldest_s", wait.oldest_s, _LONGEST_S


def of_nobody(message: Mapping[str, Any], who: Collection[str] | None = None) -> dict[str, Any]:
    """Return a status as it is told, without session, player and swing.

    Parameters
    ----------
    message : mapping
    who : collection of str, optional
        Only where the player is one of these.
    """
    bare = {"session": None, "player": None, "swing": None}
    pairs = [
        {**pair, **bare} if who is None or pair["player"] in who else pair
        for pair in message["pairs"]
    ]
    return {**message, "pairs": pairs}


def status(pairs: Iterable[Pair], forward: ForwardState | None) -> BayStatus:
    """Return a bay's status now, given what its forwarding says."""
    waits = () if forward is None else forward.sinks
    unsent = tuple(Unsent(sink.sink, sink.unsent, sink.oldest_s) for sink in waits if sink.active)
    return BayStatus(VERSION, _now(), tuple(pairs)[:MOST_PAIRS], unsent[:MOST_UNSENT])


class Told(Protocol):
    """Whoever takes messages to the broker (`launch.Forwarder`)."""

    def tell(self, message: dict[str, Any]) -> None:
        """Take a message; return at once."""


class Teller:
    """Tells the roster how the pairs of this gateway are.

    Parameters
    ----------
    told : Told
    """

    def __init__(self, told: Told) -> None:
        self._told = told
        self._pairs: dict[str | None, tuple[Pair, float]] = {}

    @classmethod
    def of(cls, told: Told | None, config: Config | None) -> Self | None:
        """Return one as the settings say; None where nobody is to be told."""
        if told is None or config is None or MQTT not in config.sinks():
            return None
        return cls(told)

    def tell(self, pair: Pair, forward: ForwardState | None) -> None:
        """Take how a pair is now, and tell it with the others."""
        now_s = time.monotonic()
        self._pairs[pair.name] = pair, now_s
        for name, (_, told_s) in list(self._pairs.items()):
            if now_s - told_s > GONE_AFTER_S:
                del self._pairs[name]
        pairs = [one for one, _ in self._pairs.values()]
        self._told.tell({"type": TOPIC, **plain(status(pairs, forward))})


class PairSoFar:
    """What of one pair's session the roster is told.

    Parameters
    ----------
    teller : Teller or None
        None: nobody is told.
    source : str
        As the source calls itself.
    name : str, optional
        Which pair, where there are several.
    """

    def __init__(self, teller: Teller | None, source: str, name: str | None = None) -> None:
        self._teller = teller
        self._pair = Pair(name, source_of(source) or "", None, None)

    def begin(self) -> None:
        """Begin a session: its last swing is to come."""
        self._pair = replace(self._pair, swing=None)

    def take(self, events: Iterable[Event], rate_hz: float | None) -> None:
        """Take events as they are decided."""
        if self._teller is None:
            return
        for event in events:
            if isinstance(event, Swing):
                before = self._pair.swing
                said = words.swing(event, rate_hz)[:MOST_WORDS]
                swing = LastSwing(_now(), 1 + (before.n if before else 0), said)
                self._pair = replace(self._pair, swing=swing)

    def tell(self, now: ServiceStatus, player_id: str | None, forward: ForwardState | None) -> None:
        """Tell how the pair is."""
        if self._teller is None:
            return
        self._pair = replace(
            self._pair, session=now.session_id, player=player_id, feet=_feet(now.feet)
        )
        self._teller.tell(self._pair, forward)


def _feet(links: Mapping[str, FootStatus]) -> dict[str, Insole]:
    return {
        foot: Insole(link.state, link.battery_percent, _lost(link), link.silent_s)
        for foot, link in links.items()
    }


def _lost(link: FootStatus) -> float | None:
    share = link.lost_share
    return None if share is None else round(share, 6)


def utc(time_ms: int) -> str:
    """Return a time, ms since 1970, as ISO text with milliseconds."""
    when = datetime.fromtimestamp(time_ms / 1e3, UTC)
    return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _now() -> str:
    return utc(time.time_ns() // 1_000_000)
