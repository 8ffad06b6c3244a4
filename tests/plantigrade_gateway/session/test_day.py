"""A day of both insoles with a fault every ten minutes: each byte is stored, or its loss is said.

A day takes a minute or two, since the source does not wait: 20 Hz and 8 frames a packet instead of
100 Hz and 2 (`tests/support/day.py`). The store's pauses (`RETRY_S`, `COMMIT_EVERY_S`) are
shortened as the day is. The gateway is a program of its own, and a kill a real one.
"""

import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from tests.support.day import DAY, DOWN, FEET, Fault, Trouble, World, keep_bodies, troubles
from tests.support.tinydisk import tiny_disk

from plantigrade_gateway.record.entries import INSOLE_OF, SESSION, Batch, Kind, is_lost
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.results import read as results_of
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import find
from plantigrade_gateway.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.long, pytest.mark.timeout(1800)]

ROOT = Path(__file__).resolve().parents[3]
SEED = 11
DISK = "320m"
"""A day is some 150 MB, and its log beside it."""
HEAD = 1
"""Entries of a record before the first that came from an insole: the settings."""
FLAT_BYTES = 24 << 20
"""What memory may grow by in 22 hours. An hour of the insoles' bytes is 4.2 MB, 92 MB in that time;
the results that a session keeps until its end (some 90 events an hour) are less than a megabyte an
hour."""
SAID = {
    Fault.FULL: "the disk is full",
    Fault.LOCKED: "another program keeps it locked",
    Fault.READ_ONLY: "cannot be written",
}


@dataclass
class Life:
    """One life of the gateway: from which packet on, when it was killed, and what it said."""

    first: int
    killed: int | None = None
    lines: list[str] = field(default_factory=list)

    def told(self, what: str) -> list[list[int]]:
        """Return the numbers of each line that says `what` to the test."""
        words = [line.split() for line in self.lines if line.startswith(f"TEST {what} ")]
        return [[int(word) for word in found[2:]] for found in words]


@pytest.fixture(scope="module")
def bodies(tmp_path_factory) -> Path:
    path: Path = tmp_path_factory.mktemp("day") / "bodies.npz"
    keep_bodies(path)
    return path


def day_of(store: Path, bodies: Path, faults: Sequence[Fault]) -> list[Life]:
    """Run the gateway through a day, again after each kill."""
    lives = [Life(0)]
    while True:
        life = lives[-1]
        of_day = (store, bodies, life.first, SEED, *faults)
        command = [sys.executable, "-m", "tests.support.day", *of_day]
        with subprocess.Popen(
            [str(word) for word in command], stdout=subprocess.PIPE, text=True, cwd=ROOT
        ) as process:
            assert process.stdout is not None
            for line in process.stdout:
                life.lines.append(line)
                if line.startswith("TEST KILL"):
                    process.kill()
        if not life.told("KILL"):
            assert process.returncode == 0, life.lines[-5:]
            return lives
        ((life.killed,),) = life.told("KILL")
        lives.append(Life(life.killed + DOWN))


def damaged_in(lives: list[Life], session: Session) -> list[list[int]]:
    """Return piece, first entry and entries of each piece that was damaged in a session."""
    found = [numbers for life in lives for numbers in life.told("DAMAGED")]
    return [rest for number, *rest in found if number == session.number]


def check_record(store: Store, session: Session, world: World, life: Life, damaged) -> Batch:
    """Check that a record is what was sent less what it says is lost; return what it has."""
    stop = DAY if life.killed is None else life.killed + DOWN
    given = Batch.joined([world.begins(life.first), world.heard(life.first, stop)])
    there = np.ones(len(given), np.bool_)
    for _, first_entry, entries in damaged:
        there[first_entry - HEAD : first_entry - HEAD + entries] = False
    stored = Batch.joined(list(store.batches(session.session_id)))
    own = stored.insole != SESSION
    sure = np.concatenate(
        [world.begins(life.first).kind, world.heard(life.first, life.killed or DAY).kind]
    )
    got = int(own.sum())
    assert int(there[: len(sure)].sum()) <= got <= int(there.sum())
    if life.killed is None:
        assert got == int(there.sum())
    expected = np.flatnonzero(there)[:got]
    for name in ("arrival_ns", "insole", "kind", "length"):
        np.testing.assert_array_equal(getattr(stored, name)[own], getattr(given, name)[expected])
    assert payload(stored, own) == payload(given, there)[: int(stored.length[own].sum())]

    marks = [(k, e.data.decode()) for k, e in enumerate(stored) if e.kind is Kind.MARK]
    assert all(is_lost(text) for _, text in marks)
    lost = 0
    for number, ((at, text), (seq, first_entry, entries)) in enumerate(
        zip(marks, damaged, strict=True)
    ):
        assert text.startswith(f"{entries} entries after this one are lost: piece {seq} ")
        assert at - number == first_entry - lost, "it stands where they are lost"
        lost += entries
    return given


def payload(batch: Batch, chosen) -> bytes:
    """Return the data of chosen entries."""
    data: bytes = np.frombuffer(batch.payload, np.uint8)[np.repeat(chosen, batch.length)].tobytes()
    return data


def check_counts(store: Store, session: Session, world: World, life: Life, given, damaged) -> None:
    """Check that the results name what the link and the insoles lost."""
    quality = results_of(store, session.session_id).quality
    assert quality is not None
    stop = DAY if life.killed is None else life.killed
    for foot in FEET:
        sent = world.sent[foot]
        link = getattr(quality, str(foot)).link
        assert link is not None
        missing = sent.made[life.first : stop] & ~sent.heard[life.first : stop]
        lost = int(missing.sum())
        if life.killed is not None:  # its results were made of what is left of it
            for _, first_entry, entries in damaged:
                piece = slice(first_entry - HEAD, first_entry - HEAD + entries)
                lost += int((given.insole[piece] == INSOLE_OF[foot]).sum())
        assert link.lost_packets == lost
        assert link.restarts == int(sent.first[life.first : stop].sum())


def check_said(lives: list[Life], table: tuple[Trouble, ...]) -> None:
    """Check that each refusal of the store was said, once."""
    times = Counter(trouble.fault for trouble in table)
    said = [line for life in lives for line in life.lines if line.startswith("store ")]
    for fault, text in SAID.items():
        assert sum(text in line for line in said) == times[fault] > 0
    assert len(said) == sum(times[fault] for fault in SAID)


def test_every_byte_of_a_day_is_there_or_said_to_be_lost(tmp_path, bodies):
    table = troubles(SEED, Fault)
    assert set(Counter(trouble.fault for trouble in table).values()) == {18}
    world = World(table)
    with tiny_disk(tmp_path, DISK) as disk:
        path = disk / "store.sqlite3"
        lives = day_of(path, bodies, list(Fault))
        assert len(lives) == 1 + 18
        with Store.open(path, create=False) as store:
            sessions = sorted(store.sessions(), key=lambda session: session.number)
            assert len(sessions) == len(lives)
            lost = 0
            for n, (session, life) in enumerate(zip(sessions, lives, strict=True)):
                damaged = damaged_in(lives, session)
                given = check_record(store, session, world, life, damaged)
                check_counts(store, session, world, life, given, damaged)
                lost += len(damaged)
                assert session.state == "ended"
                assert session.end_reason == ("end" if life.killed is None else "restart")
                if n:
                    cut = f"Session {sessions[n - 1].session_id[:8]} was cut off; "
                    assert sum(cut in line for line in life.lines) == 1
            assert lost == 18
            found = verify(store)
            assert len(found) == lost and all("check sum" in text for text in found), found
            assert find(store, "last") == sessions[-1]
            assert sessions[-1].started < sessions[0].started, "the clock was set back"
    check_said(lives, table)


def test_memory_stays_flat_for_a_day(tmp_path, bodies):
    """One life of the gateway: every fault but the kill, which would begin its memory anew."""
    faults = [fault for fault in Fault if fault is not Fault.KILLED]
    with tiny_disk(tmp_path, DISK) as disk:
        (life,) = day_of(disk / "store.sqlite3", bodies, faults)
    resident = {hour: bytes_ for hour, bytes_ in life.told("MEMORY")}
    assert sorted(resident) == list(range(1, 25))
    grown = {hour: resident[hour] - resident[2] for hour in range(3, 25)}
    assert max(grown.values()) < FLAT_BYTES, grown
    check_said([life], troubles(SEED, faults))
