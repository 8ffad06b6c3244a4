"""A player deleted for good: what is left in the bytes of a real store's files. All invented."""

import random
import sqlite3
import threading
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from tests.support.damage import everything
from tests.support.records import packets, step
from tests.support.sqlite import connected

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people import restore as restoring
from plantigrade_gateway.people.backup import take
from plantigrade_gateway.people.deletion import (
    ELSEWHERE,
    Receipt,
    SentOn,
    delete_player,
    due,
    is_there,
    kept,
    settled,
)
from plantigrade_gateway.people.log import DELETED
from plantigrade_gateway.people.players import PLAYER, SESSION, Register
from plantigrade_gateway.people.restore import restore
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store


def recorded(store: Store, player: str, first: int, pieces: int = 20) -> str:
    session = store.create_session(f"source-{first}", analysis_version=1, player_id=player)
    for k in range(pieces):
        store.append(session, packets(50, first=first + 50 * k))
    store.put_events(session, [event_row(session, step(first), 1)])
    store.put_quality(session, {f"quality-of-{session}": 1})
    store.end_session(session, "stop")
    return session


def traces_of(path: Path, session_id: str) -> list[bytes]:
    """What of a session could be found in the file: its id, and the middle of each chunk."""
    with connected(path) as db:
        rows = db.execute(
            "SELECT data FROM chunks JOIN sessions USING (session_no) WHERE session_id = ?",
            (session_id,),
        ).fetchall()
    db.close()
    return [session_id.encode(), *(data[len(data) // 2 :][:24] for (data,) in rows)]


@pytest.mark.sqlite
def test_nothing_of_a_deleted_player_is_in_the_bytes(store, register):
    gone = register.add(
        name="Vera Vanishing", handedness="left", shoe="Shoe-of-Vera", is_minor=True, guardian="Gus"
    )
    stays = register.add(name="Otto Other", handedness="right")
    register.edit(gone, name="Vera Renamed")
    register.grant(gone, "speed", "guardian")
    register.note_finding(gone, "hips", "limit", "Finding-of-Vera")
    sessions = [recorded(store, gone, 0), recorded(store, gone, 5000)]
    kept = recorded(store, stays, 9000)
    visits = Visits(register)
    visits.set_conditions(sessions[0], footbed="Footbed-of-Vera", club="Club-of-Vera")
    visits.note(sessions[1], 1.0, "Note-on-Vera")
    visits.answer(kept, "player")
    # What any row repeats, such as a kind of event, tells nothing of a player; ids of sessions
    # stay, in the tombstones and the receipt alone.
    pieces = [trace for s in sessions for trace in traces_of(store.path, s)[1:]]
    traces = [b"Vera", b"Gus", *pieces]
    before = everything(store.path)
    assert len(traces) == 2 + 2 * 20 and all(trace in before for trace in traces)

    receipt = delete_player(register, gone)
    after = everything(store.path)
    assert [trace for trace in traces if trace in after] == []
    assert all(trace in after for trace in traces_of(store.path, kept))
    assert [c.field for c in register.changes(gone)] == [DELETED]
    for session in sessions:
        assert [c.field for c in visits.changes(session)] == [DELETED]
        assert after.count(session.encode()) == 4  # tombstone, index, receipt in file and log
    assert [c.field for c in visits.changes(kept)] == ["questions"]
    assert list(register.profiles()) == [stays]
    assert [s.session_id for s in store.sessions()] == [kept]
    assert store.integrity() == []

    assert (receipt.player, receipt.sessions, receipt.traces) == (gone, tuple(sessions), None)
    # Six fields given, one changed, a consent and a finding, three said of sessions; per session
    # 20 chunks, one event, one fact of quality.
    assert receipt.changes == 5 + 1 + 1 + 1 + 3
    assert receipt.rows == {"players": 1, "sessions": 2, "chunks": 40, "events": 2, "quality": 2}
    text = "\n".join(receipt.lines())
    assert gone in text and ELSEWHERE in text and all(session in text for session in sessions)
    assert "Vera" not in text and "Vera" not in repr(receipt.json())
    with pytest.raises(StoreError, match=f"player {gone}: not in the store"):
        delete_player(register, gone)


@pytest.mark.sqlite
def test_a_session_that_became_theirs_meanwhile_has_a_tombstone_and_a_receipt_too(
    store, register, monkeypatch
):
    """Another program gives it to the player when the deletion has looked at their sessions."""
    gone = register.add(name="Vera Vanishing", handedness="left")
    first, second = (
        recorded(store, gone, 0, 2),
        recorded(store, register.add(name="Otto Other", handedness="right"), 500, 2),
    )
    scrub = register.log.scrub

    def assigned() -> None:
        scrub()
        with store.database.writing() as db:
            db.execute(
                "UPDATE sessions SET player_no = (SELECT player_no FROM players WHERE"
                " player_id = ?) WHERE session_id = ?",
                (gone, second),
            )
        monkeypatch.undo()

    monkeypatch.setattr(register.log, "scrub", assigned)
    receipt = delete_player(register, gone)
    assert set(receipt.sessions) == {first, second} == register.log.deleted(SESSION)
    assert receipt.rows == {"players": 1, "sessions": 2, "chunks": 4, "events": 2, "quality": 2}
    assert store.sessions() == []
    assert kept(store, gone) == (receipt, True)


@pytest.mark.sqlite
@pytest.mark.dear
@pytest.mark.slow
def test_names_leave_no_byte_whatever_lay_beside_them(store, register):
    """Rows move from page to page as their neighbours go: no copy may be left behind."""
    rng = random.Random(5)
    names = {}
    for k in range(60):
        name = f"Nobody{k:03d}" + rng.randrange(70) * "x"
        names[register.add(name=name, handedness="right", shoe=rng.randrange(99) * "s")] = name[:9]
    for key in rng.sample(sorted(names), 60):
        register.edit(key, footbed=f"{names[key]}'s" + rng.randrange(90) * "f")
    gone: list[str] = []
    for key in rng.sample(sorted(names), 50):
        delete_player(register, key)
        gone.append(names[key])
        after = everything(store.path)
        assert [name for name in gone if name.encode() in after] == []
    left = [name for name in names.values() if name not in gone]
    assert len(left) == 10 and all(name.encode() in after for name in left)


@pytest.mark.sqlite
def test_a_copy_that_a_restore_kept_is_named_by_every_receipt(store, register):
    """It is the one file beside the store that this program makes and a deletion leaves alone."""
    gone = register.add(name="Vera Vanishing", handedness="left")
    backup = store.path.with_name("b.tar")
    take(store.path, backup)
    copy = restore(backup, store.path, replace=True).kept
    assert copy is not None and b"Vera" in copy.read_bytes()
    receipt = delete_player(register, gone)
    assert b"Vera" not in store.path.read_bytes() and b"Vera" in copy.read_bytes()
    assert receipt.copies == (copy.name,) and kept(store, gone) == (receipt, True)
    (line,) = [line for line in receipt.lines() if line.startswith(copy.name)]
    assert line.endswith("may have all of the player; delete it yourself")
    copy.unlink()
    other = register.add(name="Vera Vanishing", handedness="left")
    assert delete_player(register, other).copies == ()


@pytest.mark.sqlite
def test_what_a_killed_restore_left_beside_the_store_goes_too(store, register):
    gone = register.add(name="Vera Vanishing", handedness="left")
    name = store.path.name
    ends = [f"-restoring{end}" for end in ("", "-wal", "-shm", "-journal", "-recording", ".part")]
    left = [store.path.with_name(f"{name}{end}") for end in (*ends, "-before-restore-1.part")]
    others = [store.path.with_name(f"{name}{end}") for end in ("-restoring-notes", "-before-it")]
    for path in (*left, *others):
        path.write_bytes(b"Vera Vanishing")
    delete_player(register, gone)
    assert not any(path.exists() for path in left)
    assert all(path.exists() for path in others)
    left[0].mkdir()
    other = register.add(name="Otto Other", handedness="right")
    with pytest.raises(StoreError, match=r"-restoring: is left of a restore and cannot be removed"):
        delete_player(register, other)
    assert register.names() == {other: "Otto Other"}


@pytest.mark.sqlite
def test_a_deletion_waits_for_a_restore_that_has_read_the_player_before(
    store, register, monkeypatch
):
    gone = register.add(name="Vera Vanishing", handedness="left")
    backup = store.path.with_name("b.tar")
    take(store.path, backup)

    def delete() -> None:
        with Store.open(store.path) as another, Register(another) as its:
            delete_player(its, gone)

    deleting = threading.Thread(target=delete)
    put_in_place = restoring._put_in_place

    def meanwhile(*given: Any) -> Path | None:
        deleting.start()
        deleting.join(1.0)  # without waiting it is done by then
        return put_in_place(*given)

    monkeypatch.setattr(restoring, "_put_in_place", meanwhile)
    copy = restore(backup, store.path, replace=True).kept
    deleting.join()
    assert gone not in register.profiles() and register.log.deleted(PLAYER) == {gone}
    assert b"Vera" not in store.path.read_bytes()
    receipt = kept(store, gone)
    assert copy is not None and receipt is not None and receipt[0].copies == (copy.name,)


def test_a_name_that_an_old_store_holds_goes_too(store, register):
    old = store.players.create("Olga Old", "left", 58.0)
    recorded(store, old, 0, pieces=1)
    assert b"Olga" in everything(store.path)
    receipt = delete_player(register, old)
    assert b"Olga" not in everything(store.path)
    assert receipt.changes == 0 and register.profiles() == {}


def test_the_receipt_says_what_a_sink_may_have(store, register):
    Outbox(store.database).configure([TSDB, MQTT, LOADS])
    key = register.add(name="Ada", handedness="right")
    recorded(store, key, 0, pieces=1)
    box = Outbox(store.database)
    items = box.waiting(TSDB, 0, 100)
    assert [item.kind for item in items] == ["session", "step", "session"]
    box.done(TSDB, items[0].seq, 1)
    box.add_dead_letter(MQTT, items[1], "refused")
    box.done(MQTT, items[1].seq, 1)
    receipt = delete_player(register, key)
    # TSDB: the step and the session's end wait. MQTT: the step was refused, the end waits.
    assert set(receipt.sent_on) == {SentOn(TSDB, 2, 1), SentOn(MQTT, 2, 0), SentOn(LOADS, 0, 1)}
    said = list(receipt.lines())
    assert (
        f"tsdb: may have 1 result of player={key}, delete them there; "
        + ("2 rows that waited here are deleted")
        in said
    )
    assert "mqtt: may have 0 results; 2 rows that waited here are deleted" in said
    assert box.waiting(TSDB, 0, 100) == [] and box.dead_letters() == []


def test_what_a_killed_program_left_open_is_not_being_recorded(store, register):
    """Nobody could stop it, nor delete the player until a gateway was started again."""
    key, other = (register.add(name=name, handedness="right") for name in ("Ann A", "Ben B"))
    with Store.open(store.path) as killed:  # and closed: the system lets go of its lock
        left, others = (
            killed.create_session("test", analysis_version=1, player_id=player)
            for player in (key, other)
        )
        killed.append(left, packets(3))
    assert delete_player(register, key).sessions == (left,)
    (session,) = store.sessions()
    assert (session.session_id, session.state) == (others, "open"), "the start's to end and analyse"


def test_what_is_being_recorded_is_not_deleted(store, register):
    key = register.add(name="Ada", handedness="right")
    store.create_session("test", analysis_version=1, player_id=key)
    with pytest.raises(StoreError, match="still being recorded; stop it first"):
        delete_player(register, key)
    assert register.names() == {key: "Ada"} and len(store.sessions()) == 1


def test_a_deletion_that_was_cut_off_is_completed(store, register):
    key = register.add(name="Ada", handedness="right")
    session = recorded(store, key, 0)
    register.log.delete([(PLAYER, key)], "coach")  # and there the power failed
    assert register.profiles() == {} and is_there(register, key)
    assert delete_player(register, key).sessions == (session,)
    assert not is_there(register, key) and store.sessions() == []


def test_the_receipt_of_a_deletion_that_is_cut_off_says_that_it_is_not_done(
    store, register, monkeypatch
):
    key = register.add(name="Ada", handedness="right")
    session = recorded(store, key, 0, pieces=1)

    def fails(*_: object) -> None:
        raise StoreError("here the power failed")

    with monkeypatch.context() as patch:
        patch.setattr(register.log, "delete", fails)
        with pytest.raises(StoreError, match="the power failed"):
            delete_player(register, key)
    before = kept(store, key)
    assert before is not None and not before[1] and before[0].sessions == (session,)
    delete_player(register, key)
    after = kept(store, key)
    assert after is not None and after[1] and after[0].traces is None


def test_one_deleted_elsewhere_is_settled_when_the_files_could_be_cut(store, register, monkeypatch):
    """Of whom nothing was here; while another program reads the store nothing is settled."""
    gone = "ab" * 16

    def read() -> None:
        raise StoreError("another program still reads")

    with monkeypatch.context() as patch:
        patch.setattr(store.database, "wipe", read)
        assert settled(register, [gone]) == set() and kept(store, gone) is None
    assert settled(register, [gone]) == {gone}
    found = kept(store, gone)
    assert found is not None and found[1]
    nothing = Receipt(gone, found[0].deleted_utc, (), {}, 0, 0, (), None)
    assert found[0] == nothing
    with monkeypatch.context() as patch:
        patch.setattr(store.database, "wipe", read)
        assert settled(register, [gone, "cd" * 16]) == {gone}  # it was done before


def test_whose_time_is_over_is_told_the_longest_first(store, register):
    """Thirty days after the last visit are not yet over; nobody knows since when an old one is."""
    ada, bo = (register.add(name=name, handedness="right") for name in ("Ada", "Bo"))
    store.players.create("Olga Old", "left", 58.0)
    for player, day in ((ada, date(2026, 3, 1)), (ada, date(2026, 3, 10)), (bo, date(2026, 3, 9))):
        noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
        session = store.create_session("test", analysis_version=1, player_id=player, started=noon)
        store.end_session(session, "stop")
    assert due(register, 30, date(2026, 4, 8)) == []
    (first,) = due(register, 30, date(2026, 4, 9))
    assert (first.player_id, first.name) == (bo, "Bo")
    assert (first.last, first.since) == (date(2026, 3, 9), date(2026, 4, 9))
    found = due(register, 30, date(2026, 4, 10))
    assert [one.player_id for one in found] == [bo, ada]
    unseen = register.add(name="Cy", handedness="left")  # no visit: from what was last said on
    today = datetime.now(UTC).date()
    assert unseen in [one.player_id for one in due(register, 30, today + timedelta(days=32))]
    assert unseen not in [one.player_id for one in due(register, 30, today + timedelta(days=29))]


@pytest.mark.sqlite
def test_a_player_without_an_anchor_is_deleted(store, register):
    register.log.say(PLAYER, "ab" * 16, {"name": "Ada Nowhere", "handedness": "left"}, "coach")
    assert b"Nowhere" in everything(store.path)
    assert delete_player(register, "ab" * 16).rows == {"players": 0, "sessions": 0}
    assert register.profiles() == {} and b"Nowhere" not in everything(store.path)


@pytest.mark.sqlite
def test_another_program_that_reads_is_told_of(tmp_path, tables, monkeypatch):
    monkeypatch.setattr(schema, "BUSY_S", 0.05)
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        key = register.add(name="Vera Vanishing", handedness="left")
        reader = sqlite3.connect(store.path, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM people_change").fetchone()
        receipt = delete_player(register, key)
        reader.close()
        assert receipt.traces is not None and "another program still reads" in receipt.traces
        assert receipt.traces in list(receipt.lines())
        assert register.profiles() == {}
