"""The roster of a site: what its bays say of themselves over the broker, aged and in words.

`Roster` keeps what came and makes rows of it; it touches no network. `listen` fills it.
"""

import asyncio
import logging
import re
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from secrets import token_hex

from plantigrade.block import Foot
from plantigrade.errors import ForeignError
from plantigrade.foreign import read_json
from plantigrade_gateway import formats
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import roster as status
from plantigrade_gateway.forward.courier import SinkUnavailable
from plantigrade_gateway.forward.mqtt import Broker, Heard
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sinks import display_name
from plantigrade_gateway.store.forwardstate import duration
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.upkeep import Backoff

TOPICS = ("+/state", "+/" + status.TOPIC)
MOST_BAYS = 1000
"""Of one site. One that speaks takes the place of one that was never heard; messages of more are
counted and left out (ours)."""
SILENT_S = 5.0
"""A bay that tells its status is silent after so long without one (ours: five are missing)."""
SILENT_STATE_S = 25.0
"""The same of one that only says every 10 s that it is there: two of those are missing (ours)."""
LOW_PERCENT = 20
"""A battery to look after before the next player (ours)."""
LOST_SHARE = 0.02
"""Loss to look after (ours)."""
OLD_S = 60.0
"""What waits for longer than this to be sent is to be looked after (ours)."""
MOST_STATE_BYTES = 512
AGAIN_S, AGAIN_MOST_S = 0.5, 10.0
_BAY = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")  # as the setting of that name
_GOOD_LINKS = ("streaming", "replayed")
_log = logging.getLogger(__name__)


class Life(StrEnum):
    """Whether a bay is there."""

    ALIVE = "alive"
    UNHEARD = "not heard yet"
    """The broker holds its last words, and it has not spoken since this side listens."""
    SILENT = "silent"
    STOPPED = "stopped"
    AWAY = "away"


@dataclass(frozen=True, slots=True)
class Row:
    """One pair of a bay, or a bay that has told of none, as it is shown.

    Attributes
    ----------
    key : str
        The bay's name, with the pair's where it has one.
    life : Life
    said : str
        The same, and since when.
    who, left, right, swing, unsent : str
        In words; `formats.NONE` for what is not known.
    look : tuple of str
        Which of the others a person should look after.
    """

    key: str
    life: Life
    said: str
    who: str
    left: str
    right: str
    swing: str
    unsent: str
    look: tuple[str, ...] = ()


@dataclass(slots=True)
class _Bay:
    """What is known of one bay.

    Attributes
    ----------
    word : str
        The state it was in last: online, stopped or away.
    last : BayStatus or None
    told_ms : int or None
        When it spoke last by its own clock, ms since 1970.
    heard_s : float or None
        When it spoke last by this side's monotonic clock; None: not since it listens.
    seen_s : float
        When this side first knew of it.
    """

    seen_s: float
    word: str = "online"
    last: status.BayStatus | None = None
    told_ms: int | None = None
    heard_s: float | None = None


class Roster:
    """The bays of a site.

    Parameters
    ----------
    clock, wall : callable
        Monotonic time, s; UTC now.

    Attributes
    ----------
    problem : str or None
        Why nothing is heard, a sentence.
    refused : int
        Messages that are none of ours, or of more bays than are kept.
    """

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.problem: str | None = "The message broker has not answered yet."
        self.refused = 0
        self._clock, self._wall = clock, wall
        self._bays: dict[str, _Bay] = {}

    def begin(self) -> None:
        """Note that the broker is heard from now on; what it holds comes first."""
        self.problem = None
        for bay in self._bays.values():
            bay.heard_s, bay.seen_s = None, self._clock()

    def end(self, problem: str) -> None:
        """Note that nothing is heard any more."""
        self.problem = problem

    def take(self, heard: Heard) -> None:
        """Take a message, whoever wrote it."""
        name, _, kind = heard.topic.partition("/")
        if not _BAY.fullmatch(name):
            self.refused += 1
            return
        try:
            if not heard.data:
                self._forget(name, kind)
            elif kind == status.TOPIC:
                self._take_status(name, status.read(heard.data), heard.is_retained)
            elif kind == "state":
                self._take_state(name, *_state(heard.data), heard.is_retained)
        except InputError as error:
            if not self.refused % 1000:
                _log.warning("bay %s: %s", name, str(error))
            self.refused += 1

    def rows(self, names: Mapping[str, str] | None = None) -> list[Row]:
        """Return the bays as they are now, in the order of their names.

        Parameters
        ----------
        names : mapping of str to str, optional
            Of players by id, for those who may see them; else the id is shown, cut.
        """
        found: list[Row] = []
        for name in sorted(self._bays, key=_in_order):
            found += self._rows_of(name, self._bays[name], names or {})
        return found

    def _forget(self, name: str, kind: str) -> None:
        bay = self._bays.get(name)
        if bay is None:
            return
        if kind == status.TOPIC:
            bay.last = None
        if kind == "state" or bay.told_ms is None:
            del self._bays[name]

    def _bay(self, name: str, is_retained: bool) -> _Bay:
        bay = self._bays.get(name)
        if bay is None:
            if len(self._bays) >= MOST_BAYS:
                self._make_room(is_retained)
            bay = self._bays[name] = _Bay(self._clock())
        return bay

    def _make_room(self, is_retained: bool) -> None:
        """Forget a bay that has not spoken: anybody's retained messages keep nobody out."""
        unheard = next((name for name, bay in self._bays.items() if bay.heard_s is None), None)
        if is_retained or unheard is None:
            raise InputError(f"more than {MOST_BAYS} bays")
        del self._bays[unheard]

    def _take_status(self, name: str, now: status.BayStatus, is_retained: bool) -> None:
        told_ms = _ms(now.time)
        if told_ms is None:
            raise InputError("roster: time is no time")
        bay = self._bay(name, is_retained)
        bay.last = now
        if not is_retained:
            bay.word, bay.heard_s = "online", self._clock()
            bay.told_ms = told_ms
        else:
            bay.told_ms = max(told_ms, bay.told_ms or 0)

    def _take_state(self, name: str, word: str, told: str | None, is_retained: bool) -> None:
        bay = self._bay(name, is_retained)
        bay.word = word
        told_ms = None if told is None else _ms(told)
        if told_ms is not None:  # a will has no time: the last words before it have
            bay.told_ms = max(told_ms, bay.told_ms or 0)
        if not is_retained and word == "online":
            bay.heard_s = self._clock()

    def _life(self, bay: _Bay) -> Life:
        if bay.word != "online":
            return Life(bay.word)
        limit_s = SILENT_S if bay.last is not None else SILENT_STATE_S
        if bay.heard_s is None or self.problem is not None:
            waits = self.problem is not None or self._clock() - bay.seen_s <= limit_s
            return Life.UNHEARD if waits else Life.SILENT
        return Life.ALIVE if self._clock() - bay.heard_s <= limit_s else Life.SILENT

    def _rows_of(self, name: str, bay: _Bay, names: Mapping[str, str]) -> Iterator[Row]:
        life = self._life(bay)
        said = str(life) if life is Life.ALIVE else f"{life}{self._since(bay)}"
        pairs = bay.last.pairs if bay.last is not None else ()
        unsent, is_old = _unsent(bay.last.unsent if bay.last is not None else ())
        none = formats.NONE
        bare = Row(name, life, said, none, none, none, none, unsent)
        look = {"said"} if life in (Life.SILENT, Life.AWAY) else set()
        look |= {"unsent"} if is_old else set()
        if not pairs:
            yield replace(bare, look=tuple(sorted(look)))
        for pair in pairs:
            yield self._row(bare, look, pair, names)

    def _row(self, bare: Row, look: set[str], pair: status.Pair, names: Mapping[str, str]) -> Row:
        key = bare.key if pair.name is None else f"{bare.key} {formats.printable(pair.name)}"
        feet = {foot: _foot(pair.feet.get(foot)) for foot in Foot}
        if bare.life is Life.ALIVE:
            look = look | {str(foot) for foot, (_, is_bad) in feet.items() if is_bad}
        return replace(
            bare,
            key=key,
            who=_who(pair, names),
            left=feet[Foot.LEFT][0],
            right=feet[Foot.RIGHT][0],
            swing=self._swing(pair.swing),
            look=tuple(sorted(look)),
        )

    def _since(self, bay: _Bay) -> str:
        if bay.told_ms is None:
            return ""
        now_ms = round(self._wall().timestamp() * 1e3)
        return f" since {self._at(min(bay.told_ms, now_ms))}"  # a clock there may be ahead

    def _swing(self, swing: status.LastSwing | None) -> str:
        if swing is None:
            return formats.NONE
        when = _ms(swing.time)
        at = "" if when is None else f" at {self._at(when)}"
        return f"swing {swing.n}{at}: {formats.printable(swing.words)}"

    def _at(self, time_ms: int) -> str:
        """Return a time as the clock on the wall shows it, with the day where it is another."""
        when = datetime.fromtimestamp(time_ms / 1e3, UTC).astimezone()
        today = self._wall().astimezone().date()
        return f"{when:%H:%M:%S}" if when.date() == today else f"{when:%Y-%m-%d %H:%M}"


COLUMNS = (
    ("said", "state"),
    ("who", "player"),
    ("left", "left insole"),
    ("right", "right insole"),
    ("swing", "last swing"),
    ("unsent", "oldest unsent"),
)
"""The fields of a row that are shown, and what their columns are called."""


def summary(rows: list[Row]) -> str:
    """Return how many bays are alive, and which are not: one sentence or two."""
    lives = {row.key.split(" ")[0]: row.life for row in rows}
    if not lives:
        return "No bay has been heard of."
    alive = sum(life is Life.ALIVE for life in lives.values())
    said = f"{alive} of {formats.plural(len(lives), 'bay')} alive."
    rest = [f"{name} {life}" for name, life in lives.items() if life is not Life.ALIVE]
    more = f" and {len(rest) - _NAMED} more" if len(rest) > _NAMED else ""
    return said + (f" Not: {', '.join(rest[:_NAMED])}{more}." if rest else "")


_NAMED = 8


def names_of(store_path: Path) -> dict[str, str]:
    """Return the players of a store by id; raises `GatewayError` where it cannot be read."""
    with Store.open(store_path, read_only=True) as store, Register(store) as register:
        return register.names()


async def listen(config: Config, roster: Roster) -> None:
    """Keep a roster filled from the broker of the settings, until cancelled."""
    backoff = Backoff(AGAIN_S, AGAIN_MOST_S)
    name = f"hub-{config.word('site')}-{token_hex(4)}"  # each hub of a site hears everything
    while True:
        backoff.begin()
        try:
            async with Broker(config).listening(name, TOPICS) as messages:
                roster.begin()
                async for heard in messages:
                    roster.take(heard)
        except SinkUnavailable as away:
            text = str(away)
            if text != roster.problem:
                _log.warning("%s", text)
            roster.end(text)
        await asyncio.sleep(backoff.end())


def _state(data: bytes | str) -> tuple[str, str | None]:
    try:
        table = read_json(data, "state", MOST_STATE_BYTES)
    except ForeignError as error:
        raise InputError(str(error)) from None
    word = table.get("state") if isinstance(table, dict) else None
    told = table.get("time") if isinstance(table, dict) else None
    if word not in ("online", "stopped", "away") or not isinstance(told, str | None):
        raise InputError("state: expected online, stopped or away, and a time or null")
    return word, told


def _ms(text: str) -> int | None:
    """Return a time that is told as UTC, ms since 1970; None where it is none of our days."""
    with suppress(ValueError, OverflowError):
        when = datetime.fromisoformat(text)
        if when.tzinfo is not None and 2000 <= when.year < 2200:
            return round(when.timestamp() * 1e3)
    return None


def _in_order(name: str) -> list[tuple[int, int, str]]:
    """Return what sorts b2 before b10."""
    parts = re.findall(r"\d+|\D+", name)
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts]


def _who(pair: status.Pair, names: Mapping[str, str]) -> str:
    if pair.player is None:
        who = "nobody registered"
    else:
        who = names.get(pair.player) or f"player {formats.printable(pair.player)[:8]}"
    doing = "" if pair.session is not None else ", no session"
    return f"{who}{doing}" + (", invented data" if pair.source == "invented" else "")


def _foot(foot: status.Insole | None) -> tuple[str, bool]:
    """Return an insole in words, and whether somebody should look after it."""
    if foot is None:
        return formats.NONE, False
    parts, is_bad = [], foot.link not in _GOOD_LINKS
    if is_bad:
        parts.append(formats.printable(foot.link)[:32])
    if foot.battery_percent is not None:
        is_low = foot.battery_percent <= LOW_PERCENT
        parts.append(f"{foot.battery_percent} %{' low' if is_low else ''}")
        is_bad = is_bad or is_low
    if foot.lost_share is not None:
        parts.append(f"{formats.percent(foot.lost_share, 1)} lost")
        is_bad = is_bad or foot.lost_share > LOST_SHARE
    return ", ".join(parts) or formats.NONE, is_bad


def _unsent(waits: tuple[status.Unsent, ...]) -> tuple[str, bool]:
    """Return the oldest that waits in words, and whether it is old."""
    there = [(one.oldest_s, one) for one in waits if one.oldest_s is not None]
    if not waits:
        return formats.NONE, False
    if not there:
        return "nothing", False
    oldest_s, one = max(there, key=lambda pair: pair[0])
    if oldest_s <= OLD_S:
        return duration(oldest_s), False
    return f"{duration(oldest_s)}, for the {display_name(one.to)}", True
