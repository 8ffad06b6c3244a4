"""A damaged piece costs itself alone: all others are read, analysed and exported as before."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from tests.support.damage import drop_pieces, flip_piece, spoil_page_of
from tests.support.records import packets
from tests.support.sqlite import connected
from tests.support.standing import pair, push_all

from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.frames import frames_of
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.store import results
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.store import Store

START_NS = 5_000_000_000
PIECES = 12


def record(store: Store, session: str) -> list[Entry]:
    return [entry for batch in store.batches(session) for entry in batch]


@pytest.fixture(scope="module")
def stood(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one session of a player of 61 kg who stands, twelve pieces of a second."""
    path = tmp_path_factory.mktemp("stood") / "store.sqlite3"
    with Store.open(path) as store:
        visit = SessionManager(
            SessionSettings(mass_kg=61.0),
            lambda: LiveSession(store, "test", Silence(), print),
            lambda live, found: None,
        )
        push_all(visit, pair(1.0, START_NS, PIECES - 0.2))
        visit.close("stop")
    return path


@pytest.fixture
def copy(stood: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(stood, tmp_path / "store.sqlite3"))


@pytest.fixture
def whole(stood: Path) -> Iterator[tuple[str, list[Entry], list[int]]]:
    """The session, its entries, and where each piece's begin."""
    with Store.open(stood) as store:
        (session,) = store.sessions()
        firsts = store.database.read("SELECT first_entry FROM chunks ORDER BY seq")
        entries = record(store, session.session_id)
        yield session.session_id, entries, [*(n for (n,) in firsts), len(entries)]


@pytest.mark.dear
@pytest.mark.parametrize("seq", range(PIECES))
def test_one_byte_in_one_piece(copy, whole, seq):
    session, entries, firsts = whole
    assert len(firsts) == PIECES + 1
    flip_piece(copy, seq)
    lost = firsts[seq + 1] - firsts[seq]
    with Store.open(copy) as store:
        got = record(store, session)
        mark = next(e for e in got if e.kind is Kind.MARK)
        at = got.index(mark)
        twice = (Kind.SETTINGS, Kind.CONNECTED)
        head = [e for e in entries[:lost] if seq == 0 and e.kind in twice]
        assert got[:at] == (entries[: firsts[seq]] if seq else head)
        assert got[at + 1 :] == entries[firsts[seq + 1] :]
        assert mark.data.decode() == (
            f"{lost} entries after this one are lost: piece {seq} cannot be read "
            "(its check sum does not match; it is damaged)"
        )
        times = [e.arrival_ns for e in got]
        assert times == sorted(times)
        (found,) = verify(store)
        assert session in found and f"piece {seq}, " in found
        result, _ = results.reanalyse(store, session)
        assert result.quality is not None
        assert any(f"piece {seq} cannot be read" in note for note in result.quality.notes)
        assert result.quality.mass_kg == 61.0, "also where the settings' own piece is lost"
        kept = results.read(store, session)
        assert kept.quality == result.quality
        _, blocks = frames_of(store.batches(session))
        rows = list(blocks)
        left = np.concatenate([block.left for block in rows])
        seconds = np.concatenate([block.t_s for block in rows])
        missing = seconds[np.isnan(left).any(axis=1) & (seconds < PIECES - 1.0)]
        if 0 < seq < PIECES - 1:
            assert 0.8 < missing[-1] - missing[0] < 1.2, "the second of the piece, and no other"
            assert seq - 0.2 < missing[0] < missing[-1] < seq + 1.2
        else:
            assert (missing < 1.05).all(), "no rows before the first sample or after the last"


def test_the_first_piece_of_an_old_store_takes_its_settings_along_and_says_so(copy, whole):
    session, entries, firsts = whole
    flip_piece(copy, 0)
    with Store.open(copy) as store:
        with store.database.writing() as db:
            db.execute("UPDATE sessions SET head = NULL")
        got = record(store, session)
        assert got[0].kind is Kind.MARK and b"entries before this one are lost" in got[0].data
        assert got[1:] == entries[firsts[1] :]


def test_damaged_pieces_that_follow_each_other_are_one_gap(copy, whole):
    session, entries, firsts = whole
    for seq in (3, 4, 5, 8):
        flip_piece(copy, seq)
    drop_pieces(copy, [6])
    with Store.open(copy) as store:
        got = record(store, session)
        marks = [e.data.decode() for e in got if e.kind is Kind.MARK]
        assert [m.split(" cannot")[0] for m in marks] == [
            f"{firsts[7] - firsts[3]} entries after this one are lost: pieces 3 to 6",
            f"{firsts[9] - firsts[8]} entries after this one are lost: piece 8",
        ]
        assert [e for e in got if e.kind is not Kind.MARK] == [
            *entries[: firsts[3]],
            *entries[firsts[7] : firsts[8]],
            *entries[firsts[9] :],
        ]
        assert len(verify(store)) == 2
        stretches = list(store.stretches(session))
        assert stretches[-1].upto_entry == len(entries)


@pytest.mark.parametrize("gone", [[0], [4], [0, 1, 2], list(range(1, 12))])
def test_missing_pieces_are_gaps_too(copy, whole, gone):
    session, entries, firsts = whole
    drop_pieces(copy, gone)
    with Store.open(copy) as store:
        got = [e for e in record(store, session) if e.kind is Kind.NOTIFICATION]
        kept = [
            e for k in range(PIECES) if k not in gone for e in entries[firsts[k] : firsts[k + 1]]
        ]
        assert got == [e for e in kept if e.kind is Kind.NOTIFICATION]
        (row,) = store.sessions()
        assert (row.first_ns, row.last_ns) == (kept[0].arrival_ns, kept[-1].arrival_ns)
        results.reanalyse(store, session)


def test_a_spoiled_page_costs_its_pieces_alone(tmp_path):
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        good = store.create_session("good", analysis_version=1)
        bad = store.create_session("bad", analysis_version=1)
        for k in range(100):
            store.append(bad, packets(20, first=20 * k))
        store.append(good, packets(10))
    spoil_page_of(path, 50, session_no=2)
    with Store.open(path) as store:
        assert {s.session_id for s in store.sessions()} == {good, bad}
        got = [e for e in record(store, bad) if e.kind is Kind.NOTIFICATION]
        assert 1700 < len(got) < 2000
        arrivals = [e.arrival_ns // 10_000_000 for e in got]
        assert arrivals == sorted(arrivals) and arrivals[0] == 0 and arrivals[-1] == 1999
        assert [b.arrival_ns.tolist() for b in store.batches(good)] == [
            packets(10).arrival_ns.tolist()
        ]
        found = verify(store)
        assert any(f"session {bad}, piece" in text for text in found)
        assert not any(f"session {good}" in text for text in found)


def test_recording_goes_on_after_a_damaged_piece(store, session):
    for k in range(3):
        store.append(session, packets(10, first=10 * k))
    flip_piece(store.path, 1)
    with Recorder(store, session) as recorder:
        assert recorder.put(packets(10, first=30)) == 40
    got = [
        e.arrival_ns // 10_000_000 for e in record(store, session) if e.kind is Kind.NOTIFICATION
    ]
    assert got == [*range(10), *range(20, 40)]


@pytest.mark.parametrize(
    ("spoilt", "reason"),
    [
        ("data = 5", "something else stands in its row where its bytes were written"),
        ("data = 'text'", "something else stands in its row where its bytes were written"),
        ("data = CAST(x'ff' AS text)", "its page of the file is damaged"),
    ],
)
def test_what_is_no_piece_in_a_row_is_a_gap(copy, whole, spoilt, reason):
    """SQLite keeps anything in any column, and a bit that turns makes one thing of another."""
    session, entries, firsts = whole
    with connected(copy) as db:
        db.execute(f"UPDATE chunks SET {spoilt} WHERE seq = 5")
    db.close()
    with Store.open(copy) as store:
        got = record(store, session)
        (mark,) = (e for e in got if e.kind is Kind.MARK)
        lost = firsts[6] - firsts[5]
        assert mark.data.decode() == (
            f"{lost} entries after this one are lost: piece 5 cannot be read ({reason})"
        )
        assert [e for e in got if e is not mark] == entries[: firsts[5]] + entries[firsts[6] :]
        assert store.session(session).entries == len(entries)


@pytest.mark.parametrize("spoilt", ["first_entry = x'ff'", "entries = 9e999"])
def test_numbers_of_the_last_piece_that_are_none_cost_that_piece_alone(copy, whole, spoilt):
    session, entries, firsts = whole
    with connected(copy) as db:
        db.execute(f"UPDATE chunks SET {spoilt} WHERE seq = {PIECES - 1}")
    db.close()
    with Store.open(copy) as store:
        got = record(store, session)
        assert got[:-1] == entries[: firsts[PIECES - 1]]
        assert got[-1].data.decode() == (
            f"entries after this one are lost: piece {PIECES - 1} cannot be read "
            "(something else stands in its row where a number was written)"
        )


@pytest.mark.parametrize("seq", ["-1", "x'ff'", "'text'", "5000000000", "9223372036854775807"])
def test_a_piece_whose_place_was_spoilt_is_a_gap_and_takes_no_time(copy, whole, seq):
    """Pieces by the thousand million are not counted one by one."""
    session, _, firsts = whole
    with connected(copy) as db:
        db.execute(f"UPDATE chunks SET seq = {seq} WHERE seq = 5")
    db.close()
    with Store.open(copy) as store:
        marks = [e.data.decode() for e in record(store, session) if e.kind is Kind.MARK]
        assert len(marks) == 2, "where it is missing, and where it stands now"
        assert marks[0] == (
            f"{firsts[6] - firsts[5]} entries after this one are lost: "
            "piece 5 cannot be read (it is missing)"
        )
        assert "entries after this one are lost" in marks[1] and " 12 " in marks[1]
        assert len(verify(store)) >= 2
