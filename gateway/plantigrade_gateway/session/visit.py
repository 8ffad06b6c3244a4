"""When a session begins and ends: with a recording, and while insoles come and go."""

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

import numpy as np

from plantigrade.load import total_load
from plantigrade_gateway.analysis.pipeline import Pipeline, Tap
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.cutoff import Cutoff
from plantigrade_gateway.session.session import LiveSession, StepResult

IDLE_NS = 15 * 60 * 1_000_000_000
"""Without load for so long, a session is over (design: a session is one visit)."""
BEFORE_NS = 10_000_000_000
"""A session that begins with a load takes the time before it along (ours): a baseline needs it."""
SOON_NS = 350_000_000
"""What was held back for longer before a session begins is shown, and not heard any more: a sound
belongs to the swing before it, and is asked for within .35 s of the lead peak (design §5)."""
LOADED_BW = 0.15
"""A foot that carries more, × body weight, is stood on: more than a laced shoe presses (ours)."""


class Manager(Protocol):
    """Turns what comes into sessions."""

    @property
    def live(self) -> LiveSession | None:
        """The session under way."""

    @property
    def pipeline(self) -> Pipeline | None:
        """What analyses now; None where nothing does."""

    @property
    def is_done(self) -> bool:
        """Whether it wants nothing more."""

    def push(self, batch: Batch) -> StepResult:
        """Take entries that came; return what they came to."""

    def tick(self, now_ns: int) -> None:
        """End what is due to end by this machine's clock."""

    def stop(self, now_ns: int) -> None:
        """End the session, and begin no other until `record`."""

    def record(self) -> StepResult:
        """Begin a session again, if none is under way; return what was held back came to."""

    def change(self, settings: SessionSettings, now_ns: int) -> None:
        """End the session; the next one has other settings, and nothing that came before this."""

    def recalibrate(self, calibrations: Mapping[int, bytes]) -> None:
        """Begin later sessions with other calibrations, by insole."""

    def settle(self, settings: SessionSettings) -> None:
        """Begin later sessions, and one that is just opened, with other settings."""

    def close(self, reason: str) -> None:
        """End the session under way, if there is one."""


class WholeRecording:
    """Makes one session of all that comes: a recording holds its own settings and its end.

    Parameters
    ----------
    open_session : callable
        Makes the `LiveSession` when one begins.
    ended : callable
        Told each session that ended, and its results.
    """

    def __init__(
        self,
        open_session: Callable[[], LiveSession],
        ended: Callable[[LiveSession, Analysis], None],
    ) -> None:
        self.live: LiveSession | None = None
        self.is_done = False
        self._open = open_session
        self._ended = ended

    @property
    def pipeline(self) -> Pipeline | None:
        """What analyses now."""
        return None if self.live is None else self.live.analysis.pipeline

    def push(self, batch: Batch) -> StepResult:
        """Take entries that came; return what they came to."""
        if self.live is None:
            self.live = self._open()
        return self.live.push(batch)

    def recalibrate(self, calibrations: Mapping[int, bytes]) -> None:
        """Do nothing: a recording holds its own."""

    def settle(self, settings: SessionSettings) -> None:
        """Do nothing: a recording's settings are its own."""

    def tick(self, now_ns: int) -> None:
        """Do nothing: a recording's times are its own."""

    def stop(self, now_ns: int) -> None:
        """End the session, and want no more of the recording."""
        self.is_done = True
        self.close("stop")

    def record(self) -> StepResult:
        """Want a recording again; nothing of it has come yet."""
        if self.live is None:
            self.is_done = False
        return StepResult()

    def change(self, settings: SessionSettings, now_ns: int) -> None:
        """Do nothing: a recording is one session, and its settings are its own."""

    def close(self, reason: str) -> None:
        """End the session under way, if there is one."""
        live, self.live = self.live, None
        if live is not None:
            self._ended(live, live.close(reason))


class SessionManager:
    """Turns what the insoles send into sessions.

    A session begins with the first data, and ends on a stop or after 15 minutes without load. After
    that the next one begins with the next load; its record holds the seconds before it as well.

    Parameters
    ----------
    settings : SessionSettings
    open_session : callable
        Makes the `LiveSession` when one begins.
    ended : callable
        Told each session that ended, and its results.
    tap : callable, optional
        As for `Pipeline`, between sessions.
    calibrations : mapping of int to bytes, optional
        Each insole's, as its record's CALIBRATION entry holds it: every session begins with them.
    """

    is_done = False

    def __init__(
        self,
        settings: SessionSettings,
        open_session: Callable[[], LiveSession],
        ended: Callable[[LiveSession, Analysis], None],
        tap: Tap | None = None,
        calibrations: Mapping[int, bytes] | None = None,
    ) -> None:
        self.live: LiveSession | None = None
        self._settings = settings
        self._open = open_session
        self._ended = ended
        self._tap = tap
        self._calibrations = calibrations or {}
        self._held = False
        self._links: dict[int, bytes] = {}  # who is connected, by what it said of itself
        self._watch: Pipeline | None = None  # between sessions
        self._before: deque[Entry] = deque()
        self._loaded_ns: int | None = None
        self._cutoff = Cutoff()
        self._lingering: list[LiveSession] = []  # ended, and waiting for the store

    @property
    def pipeline(self) -> Pipeline | None:
        """What analyses now: the session's, or that which looks on between sessions."""
        return self._watch if self.live is None else self.live.analysis.pipeline

    def push(self, batch: Batch) -> StepResult:
        """Take entries that came; return what they came to."""
        entries = self._cutoff.take(list(batch))
        if len(entries) < len(batch):
            batch = Batch.of(entries)
        for entry in entries:
            if entry.kind is Kind.CONNECTED:
                self._links[entry.insole] = entry.data
            elif entry.kind is Kind.DISCONNECTED:
                self._links.pop(entry.insole, None)
        if self.live is None and self._watch is None:
            self._before.extend(entries)
            is_data = any(entry.kind is Kind.NOTIFICATION for entry in entries)
            return self._resume() if is_data else StepResult()
        if self.live is None:
            return self._look(entries)
        moment = self.live.push(batch)
        self._note_load(moment.output, self.live.analysis.pipeline.origin_ns)
        return moment

    def tick(self, now_ns: int) -> None:
        """End a session that has been without load for too long."""
        if self._watch is not None:
            self._forget(now_ns)
        if self.live is None or self._loaded_ns is None or now_ns - self._loaded_ns <= IDLE_NS:
            return
        self._end("no load", now_ns)

    def recalibrate(self, calibrations: Mapping[int, bytes]) -> None:
        """Begin later sessions with other calibrations, by insole."""
        self._calibrations = {**self._calibrations, **calibrations}

    def settle(self, settings: SessionSettings) -> None:
        """Begin later sessions, and one that is just opened, with other settings."""
        self._settings = settings

    def stop(self, now_ns: int) -> None:
        """End the session, and begin no other until `record`."""
        self._held = True
        self._end("stop", now_ns)

    def record(self) -> StepResult:
        """Begin a session now, if none is under way; with the next data, if none come now.

        What the seconds before it came to is returned.
        """
        self._held = False
        if any(entry.kind is Kind.NOTIFICATION for entry in self._before):
            return self._resume()
        self._watch = None
        return StepResult()

    def change(self, settings: SessionSettings, now_ns: int) -> None:
        """End the session; the next one has other settings, and nothing sampled before this.

        After a session under way it begins with the next data; else as it would have begun.
        """
        self._settings = settings
        self._before.clear()  # whoever stood there was not the next player
        self._cutoff.cut(now_ns)
        if self.live is None:
            return
        try:
            self._end("change", now_ns)
        finally:
            self._watch = None

    def _end(self, reason: str, now_ns: int) -> None:
        """End the session and look on, even where the store refuses the last of it."""
        live, self.live = self.live, None
        try:
            if live is not None:
                self._lingering = [one for one in self._lingering if one.lingers]
                self._ended(live, live.close(reason, linger=True))
        finally:
            if live is not None and live.lingers:
                self._lingering.append(live)
            if self._watch is None:
                self._watch = Pipeline(tap=self._tap)
                self._watch.push(Batch.of(self._head(now_ns)))

    def close(self, reason: str) -> None:
        """End the session under way, if there is one, and wait no longer for a store that refuses.

        Raises
        ------
        StoreError
            What is lost of the last session.
        """
        live, self.live = self.live, None
        lingering, self._lingering = self._lingering, []
        try:
            if live is not None:
                self._ended(live, live.close(reason))
        finally:
            for one in lingering:
                one.give_up()

    def _forget(self, now_ns: int) -> None:
        """Forget what lies too long before a session that might begin now."""
        while self._before and now_ns - self._before[0].arrival_ns > BEFORE_NS:
            self._before.popleft()

    def _begin(
        self, entries: list[Entry], links: Iterable[tuple[int, bytes]]
    ) -> tuple[LiveSession, StepResult]:
        """Begin a session, and return what its first entries came to: a chosen drill's score."""
        first_ns = entries[0].arrival_ns
        live = self.live = self._open()
        self._watch = None
        self._before.clear()
        self._loaded_ns = entries[-1].arrival_ns
        head = self._head(first_ns)
        head += [Entry(first_ns, insole, Kind.CONNECTED, data) for insole, data in links]
        return live, live.push(Batch.of(head))

    def _look(self, entries: list[Entry]) -> StepResult:
        """Between sessions: begin one when a foot is loaded."""
        assert self._watch is not None
        self._before.extend(entries)
        self._forget(entries[-1].arrival_ns)
        seen = self._watch.push(Batch.of(entries))
        if self._held or self._loaded_s(seen) is None:
            return StepResult(Output(rows=seen.rows, net=seen.net))
        return self._resume()

    def _resume(self) -> StepResult:
        """Begin a session with the seconds before it; of those only the last are heard."""
        before = list(self._before)
        known = {e.insole for e in before if e.kind is Kind.CONNECTED}
        links = [(k, v) for k, v in self._links.items() if k not in known]
        live, moment = self._begin(before, links)
        soon_ns = before[-1].arrival_ns - SOON_NS
        old = [entry for entry in before if entry.arrival_ns < soon_ns]
        moment = moment.then(live.push(Batch.of(old), heard=False))
        moment = moment.then(live.push(Batch.of(before[len(old) :])))
        self._note_load(moment.output, live.analysis.pipeline.origin_ns)
        return moment

    def _head(self, now_ns: int) -> list[Entry]:
        """Return what a record begins with: settings, and what is known of the insoles."""
        settings = Entry(now_ns, SESSION, Kind.SETTINGS, self._settings.to_json())
        known = self._calibrations.items()
        return [settings, *(Entry(now_ns, k, Kind.CALIBRATION, data) for k, data in known)]

    def _note_load(self, output: Output, origin_ns: int | None) -> None:
        loaded_s = self._loaded_s(output)
        if loaded_s is not None and origin_ns is not None:
            self._loaded_ns = origin_ns + round(1e9 * loaded_s)

    def _loaded_s(self, output: Output) -> float | None:
        """Return when a foot was loaded last, session time: rows may come long after it."""
        limit_n = LOADED_BW * self._settings.body_weight_n
        last_s = None
        for rows in output.rows:
            load_n = np.fmax(total_load(rows.left), total_load(rows.right))
            loaded = np.flatnonzero(load_n > limit_n)  # NaN is no load
            if len(loaded):
                last_s = float(rows.t_s[loaded[-1]])
        return last_s
