"""A session of another place, taken in piece by piece and byte for byte."""

import pytest
from tests.support.records import packets

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import SESSION as SESSION_ENTRY
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.store import handedover
from plantigrade_gateway.store.handedover import HandedOver
from plantigrade_gateway.store.store import Store

SESSION = "5e" * 16
GIVEN = HandedOver(
    *(SESSION, None, "2026-03-02T09:00:00.000000+00:00", 60),
    *("insoles", "range", "no load"),
)
PIECES = [pack(packets(10, first=10 * k)) for k in range(3)]


def rows(store: Store) -> list[tuple[int, int, int, int, int]]:
    return store.database.read(
        "SELECT seq, first_entry, entries, first_ns, last_ns FROM chunks ORDER BY seq"
    )


def test_it_is_begun_once_and_says_how_much_of_it_is_there(store):
    assert handedover.begin(store, GIVEN) == 0
    handedover.append(store, SESSION, PIECES[:2], 0)
    assert handedover.begin(store, GIVEN) == 2
    session = store.session(SESSION)
    assert (session.source, session.host, session.state) == ("insoles", "range", "open")
    assert session.started.isoformat() == "2026-03-02T10:00:00+01:00"  # as people there saw it
    assert session.analysis_version == 0
    handedover.append(store, SESSION, PIECES[2:], 2)
    handedover.end(store, SESSION)
    session = store.session(SESSION)
    assert (session.state, session.end_reason, session.entries) == ("ended", "no load", 30)
    kept = store.database.read("SELECT data FROM chunks ORDER BY seq")
    assert [data for (data,) in kept] == PIECES
    entries = [entry for batch in store.batches(SESSION) for entry in batch]
    assert entries == [entry for k in range(3) for entry in packets(10, first=10 * k)]
    times = [entry.arrival_ns for entry in entries]
    assert rows(store) == [(k, 10 * k, 10, times[10 * k], times[10 * k + 9]) for k in range(3)]


def test_what_it_begins_with_is_kept_a_second_time(store):
    """The settings of its first piece; another piece's change nothing of that."""
    first, later = (
        Entry(0, SESSION_ENTRY, Kind.SETTINGS, SessionSettings(mass_kg=mass_kg).to_json())
        for mass_kg in (70.0, 80.0)
    )
    pieces = [pack(Batch.of([one, *packets(4)])) for one in (first, later)]
    handedover.begin(store, GIVEN)
    handedover.append(store, SESSION, pieces[:1], 0)
    handedover.append(store, SESSION, pieces[1:], 1)
    kept = store.database.read("SELECT head FROM sessions")
    assert kept == [(pack(Batch.of([first])),)]


def test_a_spoilt_piece_is_kept_and_has_no_entries(store):
    handedover.begin(store, GIVEN)
    handedover.append(store, SESSION, [PIECES[0], b"spoilt", PIECES[1]], 0)
    last_ns = list(packets(10))[-1].arrival_ns
    assert [row[:3] for row in rows(store)] == [(0, 0, 10), (1, 10, 0), (2, 10, 10)]
    assert rows(store)[1][3:] == (last_ns, last_ns)
    kept = store.database.read("SELECT data FROM chunks WHERE seq = 1")
    assert kept == [(b"spoilt",)]


def test_what_somebody_else_added_meanwhile_is_seen(store):
    handedover.begin(store, GIVEN)
    handedover.append(store, SESSION, PIECES[:1], 0)
    with pytest.raises(StoreError, match="another program is bringing it in too"):
        handedover.append(store, SESSION, PIECES[:2], 0)
    assert len(rows(store)) == 1
    handedover.append(store, SESSION, [], 1)
    handedover.append(store, SESSION, PIECES[1:2], 1)
    assert len(rows(store)) == 2


def test_a_long_one_comes_in_several_transactions(store, monkeypatch):
    monkeypatch.setattr(handedover, "_AT_ONCE", 2)
    handedover.begin(store, GIVEN)
    handedover.append(store, SESSION, iter(PIECES), 0)
    assert [row[0] for row in rows(store)] == [0, 1, 2]


def test_it_is_given_to_another_player_or_to_nobody(store):
    player = store.players.create("Ida Invented", "left", 64)
    handedover.begin(store, GIVEN)
    handedover.reassign(store, SESSION, player)
    assert store.session(SESSION).player_id == player
    handedover.reassign(store, SESSION, None)
    assert store.session(SESSION).player_id is None
    with pytest.raises(StoreError):
        handedover.reassign(store, SESSION, "a1" * 16)
