"""What the store gives back: players, sessions, packed pieces of the record. Pure data."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, Self

import numpy as np

from plantigrade.errors import shown
from plantigrade_gateway.analysis.eventrow import EventRow
from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.record import packing
from plantigrade_gateway.record.entries import Batch

_CHUNK_NS = 1_000_000_000
SESSIONS_SQL = """
    SELECT session_id, player_id, started_utc, utc_offset_min, source, host, state, end_reason,
        analysis_version, coalesce(tail.first_entry + tail.entries, 0), head.first_ns, tail.last_ns,
        sessions.session_no, pair
    FROM sessions LEFT JOIN players USING (player_no)
    LEFT JOIN chunks AS head ON head.session_no = sessions.session_no 
        AND head.seq = (SELECT min(seq) FROM chunks WHERE session_no = sessions.session_no)
    LEFT JOIN chunks AS tail ON tail.session_no = sessions.session_no
        AND tail.seq = (SELECT max(seq) FROM chunks WHERE session_no = sessions.session_no)
"""
"""Sessions with what is known of their pieces."""

BARE_SESSIONS_SQL = """
    SELECT session_id, player_id, started_utc, utc_offset_min, source, host, state, end_reason,
        analysis_version, 0, NULL, NULL, sessions.session_no, pair
    FROM sessions LEFT JOIN players USING (player_no)
"""
"""The same without, where the pieces' own pages are damaged."""

EVENTS_SQL = "SELECT event_id, kind, foot, t_s, first_index, body, upto_entry FROM events"
"""Events, as `kept_event` takes them."""


def utc_text(when: datetime) -> str:
    """Return a time as text that sorts in the order of time."""
    return when.astimezone(UTC).isoformat(timespec="microseconds")


def at_place(text: str, offset_min: int) -> datetime:
    """Return a time that is kept as text, with the offset that people there were shown.

    Raises
    ------
    DamageError
        As `kept_time`, or there is no such offset.
    """
    when = kept_time(text)
    try:
        return when.astimezone(timezone(timedelta(minutes=offset_min)))
    except (ValueError, TypeError, OverflowError) as error:
        raise _spoilt("an offset to UTC", offset_min) from error


def kept_time(text: str) -> datetime:
    """Return a time that is kept as text.

    Raises
    ------
    DamageError
        It is none: a page of the file was spoilt, or another program wrote it.
    """
    try:
        return datetime.fromisoformat(text)
    except (ValueError, TypeError) as error:
        raise _spoilt("a time", text) from error


def kept_text(value: Any) -> str:  # noqa: ANN401 - of a row
    """Return what is kept as text: SQLite keeps bytes in a column of text, too.

    Raises
    ------
    DamageError
        As `kept_time`.
    """
    if isinstance(value, str):
        return value
    raise _spoilt("text", value)


_MOST = 2**62  # more than any count, time in ns or stamp; the sum of two fits the store


def kept_number(value: Any) -> int:  # noqa: ANN401 - of a row
    """Return what is kept as a whole number: SQLite keeps anything in a column of numbers, too.

    Raises
    ------
    DamageError
        As `kept_time`.
    """
    if isinstance(value, int) and abs(value) <= _MOST:
        return value
    raise _spoilt("a whole number", value)


def kept_json(text: str) -> Any:  # noqa: ANN401 - what was kept
    """Return what is kept as JSON.

    Raises
    ------
    DamageError
        As `kept_time`.
    """
    try:
        return json.loads(text)
    except (ValueError, TypeError, RecursionError) as error:
        raise _spoilt("JSON", text) from error


def kept_event(row: tuple[Any, ...]) -> EventRow:
    """Return an event of its row.

    Raises
    ------
    DamageError
        As `kept_time`.
    """
    event_id, kind, foot, t_s, first_index, body, upto_entry = row
    for text in (event_id, kind, foot):
        kept_text(text)
    for number in (first_index, upto_entry):
        kept_number(number)
    return EventRow(event_id, kind, foot, t_s, first_index, kept_json(body), upto_entry)


def _spoilt(what: str, value: object) -> DamageError:
    return DamageError(
        f"store: is damaged: {shown(value)} stands in it where {what} was written; restore a backup"
    )


@dataclass(frozen=True, slots=True)
class Player:
    """A player, as registered.

    Attributes
    ----------
    player_id : str
        Random; stands for the player wherever the name must not appear.
    name : str
    handedness : str
        ``"right"`` or ``"left"``.
    mass_kg : float or None
    created : datetime
        UTC.
    """

    player_id: str
    name: str
    handedness: str
    mass_kg: float | None
    created: datetime


@dataclass(frozen=True, slots=True)
class Session:
    """One visit of one player, as the store knows it.

    Attributes
    ----------
    session_id : str
        Random.
    player_id : str or None
        None where no player was registered (the demo, a file that was analysed).
    started : datetime
        Host time at the start, with the offset people there were shown.
    source : str
        Where the bytes came from.
    host : str
        The computer's name.
    state : str
        ``"open"`` while it is recorded, then ``"ended"``.
    end_reason : str or None
        Why it ended: ``"restart"`` where the program was killed.
    analysis_version : int
        Of the program that made the events.
    entries : int
        Entries of its record that are stored.
    first_ns, last_ns : int or None
        Monotonic arrival of the first and last of them, ns.
    number : int
        Rises in the order of recording.
    pair : str
        Which of several pairs of insoles it is of; empty: the usual one, or none.
    """

    session_id: str
    player_id: str | None
    started: datetime
    source: str
    host: str
    state: str
    end_reason: str | None
    analysis_version: int
    entries: int
    first_ns: int | None
    last_ns: int | None
    number: int
    pair: str = ""

    @property
    def source_said(self) -> str:
        """Where the bytes came from, and of which pair where there are several."""
        return f"{self.source}, pair {self.pair}" if self.pair else self.source

    @property
    def duration_s(self) -> float:
        """From the first stored entry to the last, s, by the monotonic clock."""
        if self.first_ns is None or self.last_ns is None:
            return 0.0
        return (self.last_ns - self.first_ns) / 1e9

    @classmethod
    def of(cls, row: tuple[Any, ...]) -> Self:
        """Make one of a row of `SESSIONS_SQL`."""
        session_id, player_id, started, offset_min, *rest = row
        source, host, state, reason, version, entries, first_ns, last_ns, _, pair = rest
        for text in (session_id, source, host, state, pair, player_id, reason):
            kept_text("" if text is None else text)
        for number in (version, entries, first_ns, last_ns):
            kept_number(0 if number is None else number)
        return cls(session_id, player_id, at_place(started, offset_min), *rest)


@dataclass(frozen=True, slots=True)
class NewSession:
    """What a session begins with.

    Attributes
    ----------
    source : str
    analysis_version : int
        Of the program that will make its events.
    player_id : str or None
    started : datetime
        Host time with its offset to UTC.
    pair : str
        As of `Session`.
    """

    source: str
    analysis_version: int
    player_id: str | None
    started: datetime
    pair: str = ""

    @classmethod
    def now(
        cls,
        source: str,
        analysis_version: int,
        player_id: str | None = None,
        started: datetime | None = None,
        pair: str = "",
    ) -> Self:
        """Make one that begins at this moment, unless another is given."""
        when = datetime.now().astimezone() if started is None else started
        return cls(source, analysis_version, player_id, when, pair)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Consecutive entries, packed and ready to be stored."""

    entries: int
    first_ns: int
    last_ns: int
    data: bytes

    @classmethod
    def of(cls, batch: Batch) -> "Chunk":
        """Pack a batch of at least one entry."""
        return cls(
            len(batch), int(batch.arrival_ns[0]), int(batch.arrival_ns[-1]), packing.pack(batch)
        )

    @classmethod
    def cut(cls, batch: Batch) -> list["Chunk"]:
        """Pack a batch in pieces of at most a second each; none of no entries."""
        if not len(batch):
            return []
        second = (batch.arrival_ns - batch.arrival_ns[0]) // _CHUNK_NS
        cuts = (np.flatnonzero(np.diff(second)) + 1).tolist()
        return [
            cls.of(batch.slice(start, stop))
            for start, stop in zip([0, *cuts], [*cuts, len(batch)], strict=True)
        ]
