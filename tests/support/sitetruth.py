"""What the bays of a site's chaos were told to record and to say: the truth that it is held to.

A session's bytes are a function of seed, bay and number: a stretch of the invented practice
session, begun with a mark that no other session has. Its events are what the analysis makes of that
input; nothing here was written, packed or sent by the program. What a bay has done it says, line by
line, in a journal that outlives a kill.
"""

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from plantigrade.events import Event, Phase, Stand, Step, Swing
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.sources.replay import demo_file, read_replay

SOURCE = "practice (invented)"
STRETCHES = ((36.0, 43.0), (171.0, 179.0))
"""Of the practice session, s: it walks there, and swings."""
TICK_NS = 400_000_000
"""What comes at once of a bay's insoles."""
MOST = 4
FEW = 2
"""So many players are not deleted."""
FIELDS: dict[str, dict[str, tuple[str, ...]]] = {
    "step": {"t": ("strike_s",), "foot": ("foot",), "told": ("stance_s", "peak1_n")},
    "stand": {"t": ("start_s",), "foot": (), "told": ("left_share", "end_s")},
    "swing": {"t": ("start_s", "address_s"), "foot": ("lead",), "told": ("load_tempo", "shift_s")},
}
"""Of each kind what is looked at, by the names of `hardware_notes/analysis_json.md`."""
_KINDS = {Step: "step", Stand: "stand", Swing: "swing"}


@dataclass(frozen=True, slots=True)
class Told:
    """One event, as any place may tell it.

    Attributes
    ----------
    kind, foot : str
        The foot of a swing is its lead foot; of a stand ``""``.
    first_index : int
        Its identity within its session, with kind and foot.
    t_s : float
        When it was, session time.
    values : tuple of float or None
        Of `FIELDS`.
    """

    kind: str
    foot: str
    first_index: int
    t_s: float
    values: tuple[float | None, ...]

    @property
    def key(self) -> tuple[str, str, int]:
        return self.kind, self.foot, self.first_index

    @classmethod
    def of(cls, kind: str, values: Any) -> "Told":
        """Make one of an event or of its JSON."""

        def get(name: str) -> Any:
            return values.get(name) if isinstance(values, dict) else getattr(values, name)

        names = FIELDS[kind]
        t_s = next(t for name in names["t"] if (t := get(name)) is not None)
        foot = str(get(names["foot"][0])) if names["foot"] else ""
        return cls(kind, foot, get("first_index"), t_s, tuple(map(get, names["told"])))


@dataclass(frozen=True, slots=True)
class Input:
    """What a bay is told to record as one session."""

    seed: int
    bay: str
    number: int

    @property
    def session_id(self) -> str:
        return hashlib.sha256(self._text.encode()).hexdigest()[:32]

    @property
    def _text(self) -> str:
        return f"chaos (invented) {self.seed}, bay {self.bay}, session {self.number}"

    @property
    def entries(self) -> list[Entry]:
        stretch = _stretch(self._which)
        mark = Entry(stretch[0].arrival_ns, SESSION, Kind.MARK, self._text.encode())
        return [mark, *stretch]

    def ticks(self) -> Iterator[tuple[Batch, list[Event]]]:
        """Give what comes at once, and the events that are decided then; last of all the rest."""
        entries, at = self.entries, 0
        for size, events in _decided(self._which):
            yield Batch.of(entries[at : at + size]), events
            at += size

    def told(self, entries: int) -> list[Told]:
        """Return the events of the first so many entries, when no more come."""
        return _told(self._which, entries)

    @property
    def _which(self) -> int:
        return self.number % len(STRETCHES)


@cache
def _practice() -> list[Entry]:
    return [entry for batch in read_replay(demo_file()) for entry in batch]


@cache
def _stretch(which: int) -> tuple[Entry, ...]:
    """Return a stretch, after what an insole says of itself at the beginning."""
    first_ns = _practice()[0].arrival_ns
    from_ns, to_ns = (first_ns + round(1e9 * s) for s in STRETCHES[which])
    about = (Kind.SETTINGS, Kind.CALIBRATION, Kind.CONNECTED)
    head = [replace(e, arrival_ns=from_ns) for e in _practice() if e.kind in about]
    body = [e for e in _practice() if e.kind is Kind.NOTIFICATION]
    return (*head, *(e for e in body if from_ns <= e.arrival_ns < to_ns))


@cache
def _decided(which: int) -> tuple[tuple[int, list[Event]], ...]:
    """Return for each tick how many entries come in it, and the events decided then."""
    entries = Input(0, "", which).entries
    analysis, start, first_ns = RecordAnalysis(SOURCE), 0, entries[0].arrival_ns
    ticks: list[tuple[int, list[Event]]] = []
    while start < len(entries):
        end_ns = first_ns + (len(ticks) + 1) * TICK_NS
        stop = next((n for n, e in enumerate(entries) if e.arrival_ns >= end_ns), len(entries))
        ticks.append((stop - start, _lasting(analysis.push(Batch.of(entries[start:stop])).events)))
        start = stop
    return (*ticks, (0, _lasting(analysis.flush().events)))


@cache
def _told(which: int, entries: int) -> list[Told]:
    analysis = RecordAnalysis(SOURCE)
    events = analysis.push(Batch.of(Input(0, "", which).entries[:entries])).events
    events += analysis.flush().events
    return [Told.of(_KINDS[type(event)], event) for event in _lasting(events)]


def _lasting(events: Sequence[Event]) -> list[Event]:
    return [event for event in events if not isinstance(event, Phase)]


@dataclass(frozen=True, slots=True)
class Order:
    """What the bays of a process are to do.

    Attributes
    ----------
    seed : int
    bays : list of str
    folder : str
        With a folder of each bay, its settings in it.
    journals : str
        The folder of their journals.
    sessions, words : int
        How many each bay records, and says of players, at least; it goes on until it is `enough`,
        for at most `MOST` times as many.
    tick_s, pause_s, word_s : float
        From tick to tick, from session to session, from word to word, about.
    """

    seed: int
    bays: list[str]
    folder: str
    journals: str
    sessions: int
    words: int
    tick_s: float
    pause_s: float
    word_s: float

    @property
    def enough(self) -> Path:
        """A file that is there when bays are to come to an end."""
        return Path(self.journals) / "enough"

    def goes_on(self, done: int, least: int) -> bool:
        """Whether a bay that has done so many of something does another."""
        return done < (least if self.enough.exists() else MOST * least)


class Journal:
    """What a bay has done, a line of JSON each: whoever is killed has said it."""

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def say(self, **what: Any) -> None:
        os.write(self._file, (json.dumps(what) + "\n").encode())


@dataclass
class Begun:
    """A session of a journal.

    Attributes
    ----------
    input : Input
    player_id : str or None
    safe, safe_events : int
        Entries and events that the recorder has said to be on the disk.
    has_ended : bool
        Its end, too.
    """

    input: Input
    player_id: str | None
    safe: int = 0
    safe_events: int = 0
    has_ended: bool = False


@dataclass
class Done:
    """All of a journal.

    Attributes
    ----------
    sessions : dict
        By id.
    said : dict of str to str or None
        What was said of players, each text once, and of whom if that was taken.
    deleted : dict of str to bool
        Players whose deletion was begun here, and whether that was done.
    is_done : bool
        Whether the bay has done all that it was to do.
    """

    sessions: dict[str, Begun] = field(default_factory=dict)
    said: dict[str, str | None] = field(default_factory=dict)
    deleted: dict[str, bool] = field(default_factory=dict)
    is_done: bool = False


def read_journal(path: Path, seed: int, bay: str) -> Done:
    """Read what a bay has done."""
    done = Done()
    for text in path.read_text("utf-8").splitlines() if path.exists() else ():
        row = json.loads(text)
        if (number := row.get("begin")) is not None:
            told = Input(seed, bay, number)
            done.sessions[told.session_id] = Begun(told, row["player"])
        elif (session_id := row.get("safe")) is not None:
            one = done.sessions[session_id]
            one.safe, one.safe_events = row["entries"], row["events"]
            one.has_ended = row["ended"]
        elif (said := row.get("saying") or row.get("said")) is not None:
            done.said[said] = row.get("player")
        elif (gone := row.get("deleting") or row.get("deleted")) is not None:
            done.deleted[gone] = done.deleted.get(gone, False) or "deleted" in row
        done.is_done = done.is_done or "done" in row
    return done
