"""Of a damaged store everything that can be read is in the new one, and the rest is named."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.damage import drop_pieces, flip_piece, spoil_page_of
from tests.support.practice import store_practice
from tests.support.records import packets, step
from tests.support.sqlite import connected

from plantigrade.block import Foot
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.tables import make_beside
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.store import results
from plantigrade_gateway.store.insoles import known, remember
from plantigrade_gateway.store.repair import copied, verify
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole


def record(store: Store, session: str) -> list[Entry]:
    return [entry for batch in store.batches(session) for entry in batch]


def quiet(text: str) -> None:
    """Take what is told of the progress."""


def pieces_of(n: int, path: Path) -> str:
    """A store with a session of n pieces of a second, with an event each; its id."""
    with Store.open(path) as store:
        player = store.players.create("Ida Invented", "left", 64)
        session = store.create_session("insoles", analysis_version=1, player_id=player)
        for k in range(n):
            upto = store.append(session, packets(100, first=100 * k))
            store.put_events(session, [event_row(session, step(100 * k), upto)])
        store.put_quality(session, {"entries_lost": 0})
        store.end_session(session, "stop")
        remember(store, KnownInsole(7, Foot.LEFT, "blue", "00:00", 270))
    return session


def test_a_whole_store_is_copied_whole(tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    with Store.open(path) as store:
        session = store_practice(store, until_ns=60_000_000_000)
    before = path.read_bytes()
    assert copied(path, new, quiet, make_beside) == (1, [])
    assert path.read_bytes() == before
    with Store.open(path) as old, Store.open(new) as copy:
        assert copy.sessions() == old.sessions()
        assert record(copy, session) == record(old, session)
        assert list(copy.events(session)) == list(old.events(session))
        assert results.read(copy, session) == results.read(old, session)
        assert verify(copy) == []


def test_what_was_said_of_players_is_copied_with_its_order(tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        player = register.add(name="Ina Vented", handedness="left", mass_kg=61.5)
        register.edit(player, shoe="blue")
        register.grant(player, "record", "player")
        register.note_finding(player, "hips", "limit", "left turns less")
        said = register.changes(player)
    assert copied(path, new, quiet, make_beside) == (0, [])
    with Store.open(new) as store, Register(store) as register:
        assert register.changes(player) == said and len(said) >= 5
        assert register.profile(player).name == "Ina Vented"
        register.edit(player, shoe="red")  # the place and its numbers go on
        assert register.changes(player)[-1].site == said[-1].site
        assert register.changes(player)[-1].seq == said[-1].seq + 1


def test_a_copy_that_fails_leaves_no_file(tmp_path, monkeypatch):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    pieces_of(2, path)

    def fail(*given: object) -> None:
        raise StoreError("its schema cannot be read")

    monkeypatch.setattr("plantigrade_gateway.store.repair._Copy.run", fail)
    with pytest.raises(StoreError, match="its schema cannot be read"):
        copied(path, new, quiet, make_beside)
    assert not [p.name for p in tmp_path.iterdir() if p.name.startswith("new")]


@pytest.mark.parametrize("bad", [0, 6, 11])
def test_a_damaged_piece_is_a_mark_in_the_new_store(tmp_path, bad):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    session = pieces_of(12, path)
    flip_piece(path, bad)
    number, lost = copied(path, new, quiet, make_beside)
    when = {0: "the beginning to 0:01.0", 6: "0:06.0 to 0:07.0", 11: "0:11.0 to the end"}[bad]
    assert (number, lost) == (
        1,
        [
            f"session {session}, piece {bad}, {when}, 100 entries: "
            "its check sum does not match; it is damaged"
        ],
    )
    with Store.open(new) as copy:
        got = record(copy, session)
        data = [e.arrival_ns // 10_000_000 for e in got if e.kind is Kind.NOTIFICATION]
        assert data == [k for k in range(1200) if k // 100 != bad]
        (mark,) = [e.data.decode() for e in got if e.kind is Kind.MARK]
        assert f"100 entries {'after' if bad else 'before'} this one are lost: piece {bad}" in mark
        assert verify(copy) == [], "the gap is a part of the record now"
        assert len(list(copy.events(session))) == 12, "what was heard of the lost second too"
        assert [p.name for p in copy.players.all()] == ["Ida Invented"]
        assert [k.serial for k in known(copy)] == [7]
        assert copy.quality(session) == {"entries_lost": 0}


def test_a_spoiled_page_costs_what_lies_on_it(tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    session = pieces_of(100, path)
    spoil_page_of(path, 50)
    number, lost = copied(path, new, quiet, make_beside)
    assert number == 1 and len(lost) >= 1
    assert all(session in text or text.startswith("some rows of") for text in lost)
    with Store.open(new) as copy:
        got = record(copy, session)
        data = [e.arrival_ns // 10_000_000 for e in got if e.kind is Kind.NOTIFICATION]
        assert 9000 < len(data) < 10_000 and data == sorted(set(data))
        assert verify(copy) == []


def test_a_record_whose_session_is_lost_is_kept(tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    session = pieces_of(3, path)
    with connected(path) as db:
        db.execute("DELETE FROM sessions")  # foreign keys are not looked after here
    db.close()
    number, lost = copied(path, new, quiet, make_beside)
    assert number == 1 and "session number 1" in lost[0]
    with Store.open(new) as copy:
        (made,) = copy.sessions()
        assert made.session_id != session and made.session_id in lost[0]
        assert len(record(copy, made.session_id)) == 300
        assert len(list(copy.events(made.session_id))) == 3


def test_the_command_says_what_is_lost_and_makes_nothing_twice(tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    session = pieces_of(6, path)
    drop_pieces(path, [2, 3])
    done = CliRunner().invoke(main, ["repair", str(path), "--to", str(new)])
    assert done.exit_code == 1
    assert done.stdout.splitlines() == [
        f"Lost: session {session}, pieces 2 to 3, 0:02.0 to 0:04.0, 200 entries: it is missing",
        f"{new}: 1 session copied, 1 thing lost.",
    ]
    assert f"Copying session {session[:8]}." in done.stderr
    again = CliRunner().invoke(main, ["repair", str(path), "--to", str(new), "--json"])
    assert again.exit_code == 2 and "is there already" in again.stderr
    healed = tmp_path / "healed.sqlite3"
    well = CliRunner().invoke(main, ["repair", str(new), "--to", str(healed), "--json"])
    assert well.exit_code == 0
    assert json.loads(well.stdout) == {"store": str(healed), "sessions": 1, "lost": []}


def test_what_is_no_store_or_not_there_makes_no_file(tmp_path):
    new = tmp_path / "new.sqlite3"
    with pytest.raises(StoreError, match="not found"):
        copied(tmp_path / "gone.sqlite3", new, quiet, make_beside)
    (tmp_path / "notes.txt").write_text("dear diary\n" * 300)
    with pytest.raises(StoreError, match="not a Plantigrade store"):
        copied(tmp_path / "notes.txt", new, quiet, make_beside)
    assert not new.exists()
    new.write_text("mine")
    with pytest.raises(InputError, match="is there already"):
        copied(tmp_path / "gone.sqlite3", new, quiet, make_beside)
    assert new.read_text() == "mine"
