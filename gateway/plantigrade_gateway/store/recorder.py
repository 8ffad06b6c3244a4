"""The recorder: a session's raw entries into the store while they come in, at most a second behind.

Entries are given to it before anything is computed from them. A thread with a connection of its own
commits what has gathered every `COMMIT_EVERY_S`; events are committed together with or after the
entries they were decided from. Policy of its queue, which is bounded by `HELD_BYTES`:

- while the store takes data, a full queue makes `put` wait: nothing recorded is dropped (a live
  session would have to be hours behind for that; a replay as fast as it goes is held back);
- while the store refuses (disk full, disk error), everything is kept and tried again every
  `RETRY_S`; `put` never waits then. Once the bound is reached, new entries are lost: this is said,
  counted, and marked in the record at the place of the hole. Events decided from lost entries are
  withheld, since their raw bytes will never be there; ``reanalyse`` makes what can be made.

The session's beginning and its end are written by the same thread in the same way, so a store that
refuses at either is waited for too. Where its player is deleted before it begins, nothing of it is
stored, and that is said. What was committed before stays whole through all of it.
"""

import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from types import TracebackType
from typing import Self

from plantigrade.events import Event, Phase
from plantigrade_gateway.analysis.eventrow import EventRow, event_row
from plantigrade_gateway.errors import NobodyError, StoreError
from plantigrade_gateway.record.entries import (
    MAX_DATA_BYTES,
    SESSION,
    Batch,
    Entry,
    Kind,
    lost_text,
)
from plantigrade_gateway.store.enqueue import Loads, Point
from plantigrade_gateway.store.rows import Chunk, NewSession
from plantigrade_gateway.store.store import Store

COMMIT_EVERY_S = 0.7
"""From an entry's arrival to the commit that takes it, s: leaves 0.3 s of the second to write."""

RETRY_S = 2.0
"""Between two tries to write while the store refuses, s (ours)."""

END_WAIT_S = 3.0
"""How long the end of a session that others follow is waited for, s (ours)."""

HELD_BYTES = 64 << 20
"""Data kept in memory at most, bytes: some four hours of two feet at 100 Hz, packed (ours)."""

_log = logging.getLogger(__name__)
_CHUNKS_PER_COMMIT = 64  # so that a store with little room takes at least some of a backlog


def _ignore(error: StoreError) -> None:
    pass


class Recorder:
    """Writes one session's record and events.

    Parameters
    ----------
    store : Store
        Where the session is; the recorder opens the same file once more for itself.
    session_id : str
    on_problem : callable, optional
        Told, from the recorder's thread, each thing that goes wrong once, as a `StoreError` whose
        text is for the user: that the store refuses, that entries begin to be lost, and, when it
        takes data again, what was lost. It must return at once.
    held_bytes : int
        Instead of `HELD_BYTES`.
    begin : NewSession, optional
        The session is still to be made, as this says. A store that refuses is told to `on_problem`
        and tried again, like everything later; `flush` waits for it.

    Raises
    ------
    StoreError
        There is no such session, where none is to be made.
    """

    def __init__(
        self,
        store: Store,
        session_id: str,
        *,
        on_problem: Callable[[StoreError], None] = _ignore,
        held_bytes: int = HELD_BYTES,
        begin: NewSession | None = None,
    ) -> None:
        self._session = session_id
        self._on_problem = on_problem
        self._held_bytes = held_bytes
        already = store.session(session_id).entries if begin is None else 0
        self._path = store.path
        self._opened: Store | None = None
        with suppress(StoreError):  # the thread tries again
            self._opened = Store.open(self._path, create=False)

        self._changed = threading.Condition()  # guards all below
        self._pending: list[Batch] = []
        self._packed: list[Chunk] = []
        self._rows: list[EventRow | Point | Loads] = []
        self._bytes = 0  # of the pending and the packed
        self._oldest_s: float | None = None  # when the oldest of what waits was given
        self._given = already
        self._kept = already  # what of it was not lost, and the marks that stand for the lost
        self._committed = already
        self._lost = 0
        self._lost_unmarked = 0
        self._whole_upto: int | None = None  # entries before the first lost one
        self._withheld = 0
        self._problem: StoreError | None = None
        self._news: list[StoreError] = []
        self._set_switch_interval = False
        self._begin = begin
        self._is_nobodys = False  # the player was deleted before it began
        self._closing = False
        self._end_reason = ""
        self._facts: Mapping[str, object] = {}
        self._refused_end = False
        self._given_up = False
        self._ended = False
        if begin is not None:
            self._oldest_s = time.monotonic() - COMMIT_EVERY_S  # at once

        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # A keyboard interrupt and a cancelled task are a stop, and no subclass of Exception.
        self.close("error" if kind is not None and issubclass(kind, Exception) else "stop")

    @property
    def committed(self) -> int:
        """Entries of the session that are on the disk."""
        return self._committed

    @property
    def lost(self) -> int:
        """Entries given that were not kept, since the store refused for too long."""
        return self._lost

    @property
    def problem(self) -> StoreError | None:
        """Why the store refuses data at this moment; None while it takes them."""
        return self._problem

    def put(self, batch: Batch) -> int:
        """Take over entries; they are on the disk within a second.

        Returns
        -------
        int
            How many entries the session's record has been given so far: the `upto_entry` of the
            events that the pipeline makes of them.

        Raises
        ------
        StoreError
            An entry is too long for the store, or the recorder was closed. (A refusing store is
            told to `on_problem` instead: entries are taken meanwhile.)
        """
        if len(batch) and int(batch.length.max()) > MAX_DATA_BYTES:
            raise StoreError(
                f"record entry of {int(batch.length.max())} bytes, expected at most "
                f"{MAX_DATA_BYTES}"
            )
        with self._changed:
            while self._is_full() and self._problem is None and not self._closing:
                self._set_switch_interval = True
                self._changed.notify_all()
                self._changed.wait()
            if self._closing:
                raise StoreError(f"session {self._session}: its recorder is closed")
            if self._is_full():
                self._lose(batch)
            elif len(batch):
                self._keep(batch)
            self._given += len(batch)
            return self._given

    def put_events(self, events: Iterable[Event], upto_entry: int) -> None:
        """Take over events; provisional phases are left out.

        Parameters
        ----------
        events : iterable of Step, Stand, Swing or Phase
        upto_entry : int
            What `put` returned for the last entries they were decided from; they are committed
            with those or after.

        Raises
        ------
        StoreError
            `upto_entry` is more than was put, or an event has no place in the store.
        """
        lasting = [event for event in events if not isinstance(event, Phase)]
        rows = [event_row(self._session, event, upto_entry) for event in lasting]
        self._put_rows(rows, upto_entry)

    def put_points(self, points: Iterable[Point | Loads], upto_entry: int) -> None:
        """Take over what is sent on but no event: cues, sets, regional loads.

        As `put_events`. Regional loads are not held while the store refuses: the record is.
        """
        held = [point for point in points if self._problem is None or isinstance(point, Point)]
        self._put_rows([replace(point, upto_entry=upto_entry) for point in held], upto_entry)

    def _put_rows(self, rows: Sequence[EventRow | Point | Loads], upto_entry: int) -> None:
        with self._changed:
            if upto_entry > self._given:
                raise StoreError(
                    f"session {self._session}: events of {upto_entry} entries, "
                    f"of which {self._given} were recorded"
                )
            if self._whole_upto is not None and upto_entry > self._whole_upto:
                self._withheld += len(rows)
            elif rows:
                self._rows += rows
                self._due()

    def flush(self) -> None:
        """Wait until everything given is on the disk.

        Raises
        ------
        StoreError
            The store refuses; what was given is still kept and tried again.
        """
        with self._changed:
            goal = self._kept
            while self._problem is None and (
                self._committed < goal or self._rows or self._begin is not None
            ):
                if self._closing:
                    return
                self._set_switch_interval = True
                self._changed.notify_all()
                self._changed.wait()
            if self._problem is not None:
                raise self._problem

    def close(
        self,
        reason: str = "stop",
        facts: Mapping[str, object] | None = None,
        *,
        linger: bool = False,
    ) -> None:
        """Write what waits, end the session and stop; closing again changes nothing.

        Parameters
        ----------
        reason : str
            Why the session ended, kept with it.
        facts : mapping, optional
            What is kept beside its events (`Store.put_quality`).
        linger : bool
            Where the store refuses, or takes longer than `END_WAIT_S`, leave what waits to the
            thread, which goes on trying until `give_up`.

        Raises
        ------
        StoreError
            The store refuses the last of it: says how many entries are lost, or with `linger` that
            they wait. In the first case the session stays open and is ended by `Store.recover`.
        """
        with self._changed:
            if self._closing:
                return
            self._end_reason, self._facts = reason, facts or {}
            self._closing = True
            self._given_up = not linger
            self._changed.notify_all()
            settled = not linger or self._changed.wait_for(
                lambda: self._ended or self._refused_end, END_WAIT_S
            )
            if linger and not self._ended:
                why = self._problem if settled else f"store {self._path}: does not answer"
                raise StoreError(
                    f"{why}; the end of session {self._session[:8]} waits in memory and is stored "
                    "as soon as the store takes it"
                )
        self.give_up()

    @property
    def lingers(self) -> bool:
        """Whether it is closed, and the store has not taken the end of the session yet."""
        return self._closing and self._thread.is_alive()

    def give_up(self) -> None:
        """Stop trying to store a closed session's end; where it is stored, nothing is left to do.

        Raises
        ------
        StoreError
            As `close` without `linger`.
        """
        with self._changed:
            self._given_up = True
            self._changed.notify_all()
        self._thread.join()
        if self._ended:
            return
        # once: the session's owner was told
        self._ended = True
        raise StoreError(
            f"{self._problem}; the session's last {self._kept - self._committed} entries "
            f"and {len(self._rows)} events are lost, all before them are stored"
        )

    # Called with `_changed` held

    def _is_full(self) -> bool:
        return self._bytes >= self._held_bytes

    def _due(self) -> None:
        """Have what was just given committed within `COMMIT_EVERY_S`."""
        if self._oldest_s is None:
            self._oldest_s = time.monotonic()
            self._changed.notify_all()

    def _keep(self, batch: Batch) -> None:
        if self._lost_unmarked:
            text = lost_text(self._lost_unmarked, "before", "no room to store them")
            mark = Entry(int(batch.arrival_ns[0]), SESSION, Kind.MARK, text.encode())
            batch = Batch.joined([Batch.of([mark]), batch])
            self._lost_unmarked = 0
        self._pending.append(batch)
        self._bytes += _held(batch)
        self._kept += len(batch)
        self._due()

    def _lose(self, batch: Batch) -> None:
        if not self._lost_unmarked:
            self._news.append(
                StoreError(
                    f"{self._problem}; {self._held_bytes >> 20} MB wait in memory, "
                    "and from now on entries are lost"
                )
            )
        if self._whole_upto is None:
            self._whole_upto = self._given
        self._lost += len(batch)
        self._lost_unmarked += len(batch)

    # The recorder's thread

    def _run(self) -> None:
        try:
            while not self._ended:
                closing = self._wait()
                try:
                    self._commit()
                    if closing:
                        self._finish()
                except Exception as error:  # whatever it is, what was given is kept, tried again
                    self._refused(error, closing)
                    if closing and self._given_up:
                        break
                self._tell()
        finally:
            if self._opened is not None:
                self._opened.close()

    def _wait(self) -> bool:
        """Wait until something is due; return whether the recorder is being closed."""
        with self._changed:
            while not (self._set_switch_interval and self._problem is None):
                if self._given_up or (self._closing and not self._refused_end):
                    break
                if self._oldest_s is None:
                    self._changed.wait()
                    continue
                pause = COMMIT_EVERY_S if self._problem is None else RETRY_S
                rest = self._oldest_s + pause - time.monotonic()
                if rest <= 0:
                    break
                self._changed.wait(rest)
            self._set_switch_interval = False
            return self._closing

    @property
    def _store(self) -> Store:
        """The recorder's own connection, opened where it could not be before."""
        if self._opened is None:
            self._opened = Store.open(self._path, create=False)
        return self._opened

    def _finish(self) -> None:
        """End the session; called when all of it is stored."""
        facts = dict(self._facts)
        if self._lost:
            facts |= {"entries_lost": self._lost, "events_withheld": self._withheld}
        if not self._is_nobodys:
            self._store.put_quality(self._session, facts)
            self._store.end_session(self._session, self._end_reason)
        with self._changed:
            if self._refused_end and not self._is_nobodys:
                self._news.append(
                    StoreError(
                        f"store {self._path}: takes data again; session {self._session[:8]} is "
                        "stored to its end"
                    )
                )
            self._ended = True
            self._changed.notify_all()

    def _commit(self) -> None:
        with self._changed:
            taken, self._pending = Batch.joined(self._pending), []
            self._oldest_s = None
        chunks = Chunk.cut(taken)
        with self._changed:
            self._packed += chunks
            self._bytes += sum(len(c.data) for c in chunks) - _held(taken)
        if self._begin is not None:
            try:
                self._store.begin_session(self._session, self._begin)
            except NobodyError as error:  # never again: it would be tried until the gateway ends
                self._store.database.unmark_recording(self._session)
                said = f"{error}; session {self._session[:8]} is not stored"
                self._news.append(StoreError(said))
                self._is_nobodys = True
            with self._changed:
                self._begin = None
                self._took()
                self._changed.notify_all()
        if self._is_nobodys:  # nothing of what was given is left
            with self._changed:
                self._committed, self._packed, self._rows = self._kept, [], []
                self._bytes = sum(map(_held, self._pending))
                self._changed.notify_all()
        while self._packed or self._rows:
            with self._changed:
                piece = self._packed[:_CHUNKS_PER_COMMIT]
                upto = self._committed + sum(c.entries for c in piece)
                ready = [row for row in self._rows if row.upto_entry <= upto]
            if not piece and not ready:
                return  # events whose entries are pending
            committed = self._store.write(self._session, piece, ready)
            with self._changed:
                self._committed = committed
                del self._packed[: len(piece)]
                self._bytes -= sum(len(c.data) for c in piece)
                # By identity: put_events may have added others meanwhile.
                done = set(map(id, ready))
                self._rows = [row for row in self._rows if id(row) not in done]
                self._took()
                self._changed.notify_all()

    def _took(self) -> None:
        """Note that the store took data; called with `_changed` held."""
        if self._problem is not None and self._lost:
            self._news.append(
                StoreError(
                    f"store {self._path}: takes data again; {self._lost} entries of the "
                    f"session are lost, run plantigrade reanalyse {self._session} when it has ended"
                )
            )
        self._problem = None

    def _refused(self, error: Exception, closing: bool) -> None:
        with self._changed:
            if self._problem is None:
                said = StoreError(f"recorder: {error!r}")
                self._problem = error if isinstance(error, StoreError) else said
                self._news.append(self._problem)
            self._oldest_s = time.monotonic()  # from here to the next try
            self._refused_end |= closing
            self._changed.notify_all()

    def _tell(self) -> None:
        with self._changed:
            news, self._news = self._news, []
        for item in news:
            try:
                self._on_problem(item)
            except (Exception, SystemExit):  # a listener's fault must not end the recording,
                # nor must a terminal that has gone, at which rich exits
                _log.exception("on_problem failed")


def _held(batch: Batch) -> int:
    """Return about how much memory a batch takes, bytes."""
    return len(batch.payload) + 18 * len(batch)
