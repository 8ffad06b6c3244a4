"""What a hub takes of sessions, and refuses: without routes, its objects in memory."""

import hashlib
import json
from collections.abc import Callable
from typing import Any

import pytest
import sqlalchemy as sa
from obstore.store import MemoryStore

from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.uploads import (
    Differs,
    Gone,
    OutOfPlace,
    Spoilt,
    Unfit,
    Unknown,
    Uploads,
)
from plantigrade_gateway.people.hubtables import PIECE, SESSION
from plantigrade_gateway.record.entries import SESSION as OF_SESSION
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.messages import Received, SessionEnd, SessionHead

ID = "0123456789abcdef" * 2
DATA = [pack(Batch.of([Entry(k * 10**9, OF_SESSION, Kind.MARK, b"m%d" % k)])) for k in range(12)]
HEAD = SessionHead(ID, None, "2026-03-01T09:30:00.250+00:00", 60, {"source": "demo"})


def pieces(first: int, stop: int) -> list[Piece]:
    return [Piece.of(n, DATA[n]) for n in range(first, stop)]


def had(count: int, *, is_whole: bool = False) -> Received:
    return Received(count, is_whole, is_deleted=False, together=64)


def end_of(count: int, player_id: str | None = None) -> SessionEnd:
    sums = b"".join(hashlib.sha256(each).digest() for each in DATA[:count])
    return SessionEnd(count, hashlib.sha256(sums).hexdigest(), player_id)


@pytest.fixture
def objects() -> Objects:
    return Objects(MemoryStore(), None)


@pytest.fixture
def hub(engine, objects) -> Uploads:
    return Uploads(engine, objects)


def begun(hub: Uploads, count: int = 0, *, ends: bool = False) -> Uploads:
    assert hub.begin("one", HEAD) == had(0)
    if count:
        assert hub.take("one", ID, pieces(0, count)) == had(count)
    if ends:
        assert hub.end("one", ID, end_of(count)) == had(count, is_whole=True)
    return hub


def there(objects: Objects) -> list[str]:
    return sorted([*objects.names("pieces"), *objects.names("sessions")])


def test_a_head_begins_a_session_and_is_changed_by_the_next(hub):
    begun(hub, 2)
    changed = SessionHead(ID, "f" * 32, HEAD.started_utc, -90, {"b": 1, "a": 2})
    assert hub.begin("one", changed) == had(2)
    (row,) = hub.rows()
    assert (row.bay, row.player_id, row.utc_offset_min) == ("one", "f" * 32, -90)
    assert row.started_utc == "2026-03-01T09:30:00.250000+00:00"
    assert row.about == '{"a": 2, "b": 1}'


def test_another_bays_session_is_as_one_that_is_not_there(hub):
    begun(hub, 1)
    all_asked: list[Callable[[], Any]] = [
        lambda: hub.begin("two", HEAD),
        lambda: hub.received("two", ID),
        lambda: hub.take("two", ID, pieces(1, 2)),
        lambda: hub.end("two", ID, end_of(1)),
        lambda: hub.received("one", "f" * 32),
    ]
    for asked in all_asked:
        with pytest.raises(Unknown, match=r"^there is no such session of this bay$"):
            asked()
    assert hub.received("one", ID) == had(1)


@pytest.mark.parametrize(
    ("started", "offset_min"),
    [
        ("1970-01-01T00:00:00+00:00", 1080),
        ("9999-01-01T00:00:00.000+00:00", -1080),
        ("2026-03-01T09:30:00Z", 0),
    ],
)
def test_a_head_may_be_of_any_time_that_a_wall_clock_shows(hub, started, offset_min):
    assert hub.begin("one", SessionHead(ID, None, started, offset_min)) == had(0)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (SessionHead("x", None, HEAD.started_utc, 0), "session 'x': expected 32 hexadecimal"),
        (SessionHead(ID, "A" * 32, HEAD.started_utc, 0), "player 'A{32}': expected 32 hexa"),
        (SessionHead(ID, None, "1969-12-31T23:59:59.999+00:00", 0), "^started_utc .*: expected a"),
        (SessionHead(ID, None, "9999-01-01T00:00:00.001+00:00", 0), "^started_utc"),
        (SessionHead(ID, None, "2026-03-01T09:30:00+00:01", 0), "^started_utc"),
        (SessionHead(ID, None, "2026-03-01T09:30:00", 0), "time in UTC, ISO 8601$"),
        (SessionHead(ID, None, "now", 0), "^started_utc 'now'"),
        (SessionHead(ID, None, HEAD.started_utc, 1081), "^utc_offset_min 1081: expected at most"),
        (SessionHead(ID, None, HEAD.started_utc, -1081), "^utc_offset_min -1081: .* 1080$"),
    ],
)
def test_a_head_that_cannot_be_is_refused_in_a_sentence(hub, head, said):
    with pytest.raises(Unfit, match=said):
        hub.begin("one", head)
    assert hub.rows() == []


def test_pieces_again_change_nothing_before_and_after_the_end(hub, objects):
    begun(hub, 3)
    assert hub.take("one", ID, pieces(1, 2)) == had(3)
    assert hub.take("one", ID, pieces(0, 3)) == had(3)
    assert len(there(objects)) == 3
    assert hub.end("one", ID, end_of(3)) == had(3, is_whole=True)
    assert there(objects) == [f"sessions/{ID}/3.pgr", f"sessions/{ID}/head.json"]
    assert hub.take("one", ID, pieces(0, 3)) == had(3, is_whole=True)
    assert hub.end("one", ID, end_of(3)) == had(3, is_whole=True)
    assert hub.take("one", ID, pieces(2, 5)) == had(5)  # one that is there, and two that follow
    assert hub.take("one", ID, pieces(2, 5)) == had(5)
    assert hub.end("one", ID, end_of(5)) == had(5, is_whole=True)
    assert there(objects) == [f"sessions/{ID}/5.pgr", f"sessions/{ID}/head.json"]


def test_a_replay_file_has_every_piece_after_its_length(hub, objects):
    """Ten bytes of head and four of end (hardware_notes/replay_file.md); nine are read in two."""
    begun(hub, 9, ends=True)
    data = objects.get(f"sessions/{ID}/9.pgr")
    framed = b"".join(len(each).to_bytes(4, "little") + each for each in DATA[:9])
    assert data is not None and data[10:] == framed + bytes(4)


@pytest.mark.parametrize("ends", [False, True])
def test_other_bytes_at_a_number_are_refused(hub, objects, ends):
    begun(hub, 2, ends=ends)
    before = there(objects)
    for given in ([Piece.of(1, DATA[3])], [*pieces(0, 1), Piece.of(1, DATA[3]), *pieces(2, 3)]):
        with pytest.raises(Differs, match=r"^piece 1: other bytes are here under it$"):
            hub.take("one", ID, given)
    assert hub.received("one", ID) == had(2, is_whole=ends) and there(objects) == before


def test_a_number_beyond_the_next_is_told_which_is_wanted(hub, objects):
    begun(hub, 1)
    with pytest.raises(OutOfPlace, match=r"^piece 2: number 1 is the next one$") as raised:
        hub.take("one", ID, pieces(2, 4))
    assert raised.value.received == had(1) and len(there(objects)) == 1
    last = Piece.of(999_999, DATA[0])  # the highest that there may be
    with pytest.raises(OutOfPlace):
        hub.take("one", ID, [last])


@pytest.mark.parametrize(
    ("piece", "said"),
    [
        (Piece(0, b"x", "0" * 64), "^piece 0: its bytes have another sum than it was sent with$"),
        (Piece.of(0, b""), "^piece: is empty, or its number is none$"),
        (Piece.of(-1, b"x"), "^piece: is empty, or its number is none$"),
        (Piece.of(1_000_000, b"x"), "^piece: is empty, or its number is none$"),
    ],
)
def test_a_piece_that_is_none_is_refused(hub, objects, piece, said):
    begun(hub)
    with pytest.raises(Unfit, match=said):
        hub.take("one", ID, [piece])
    assert there(objects) == [] and hub.received("one", ID) == had(0)


def test_an_end_of_another_number_or_of_other_pieces_is_refused(hub):
    begun(hub, 2)
    for count in (1, 3):
        with pytest.raises(OutOfPlace, match=f"ends after {count} pieces, 2 are here$") as raised:
            hub.end("one", ID, end_of(count))
        assert raised.value.received == had(2)
    with pytest.raises(Differs, match=f"^session {ID}: other pieces than it ends with$"):
        hub.end("one", ID, SessionEnd(2, end_of(3).sha256, None))
    with pytest.raises(Unfit, match="player 'x': expected 32 hexadecimal digits"):
        hub.end("one", ID, SessionEnd(2, end_of(2).sha256, "x"))
    assert hub.received("one", ID) == had(2)
    hub.end("one", ID, end_of(2))
    with pytest.raises(Differs):
        hub.end("one", ID, SessionEnd(2, end_of(3).sha256, None))


def head_in(objects: Objects) -> dict[str, Any]:
    data = objects.get(f"sessions/{ID}/head.json")
    assert data is not None
    head: dict[str, Any] = json.loads(data)
    return head


def test_the_head_beside_a_whole_session_says_whose_it_is_by_now(hub, objects):
    begun(hub, 1)
    assert objects.get(f"sessions/{ID}/head.json") is None
    hub.end("one", ID, end_of(1))
    hub.take("one", ID, pieces(1, 2))
    said: list[tuple[str, Callable[[], Any]]] = [
        ("a" * 32, lambda: hub.begin("one", SessionHead(ID, "a" * 32, HEAD.started_utc, 60))),
        ("b" * 32, lambda: hub.reassign(ID, "b" * 32)),
        ("c" * 32, lambda: hub.end("one", ID, end_of(2, "c" * 32))),
    ]
    for player, say in said:
        say()
        head = head_in(objects)
        assert head["player_id"] == player and head["is_whole"] is True
        assert head["pieces"] == head["in_replay"] == (2 if player[0] == "c" else 1)
        assert hub.rows()[0].player_id == player


def test_of_a_deleted_session_nothing_is_kept_but_that_it_was(hub, objects, engine):
    begun(hub, 2, ends=True)
    hub.take("one", ID, pieces(2, 3))
    hub.delete(ID)
    assert there(objects) == []
    (row,) = hub.rows()
    assert (row.is_deleted, row.player_id, row.started_utc, row.about) == (True, None, "", "{}")
    with engine.connect() as db:
        assert db.execute(sa.select(PIECE)).all() == []
    assert hub.received("one", ID).is_deleted is True
    all_asked: list[Callable[[], Any]] = [
        lambda: hub.begin("one", HEAD),
        lambda: hub.take("one", ID, pieces(0, 1)),
        lambda: hub.take("one", ID, pieces(3, 4)),
        lambda: hub.end("one", ID, end_of(3)),
    ]
    for asked in all_asked:
        with pytest.raises(Gone, match=f"^session {ID}: was deleted$"):
            asked()
    assert there(objects) == []


@pytest.mark.parametrize("meanwhile", ["another's bytes", "the same", "deleted"])
def test_who_is_slower_leaves_no_object_behind(hub, objects, monkeypatch, meanwhile):
    """What is put before its row is looked at again under the lock."""
    begun(hub, 1)
    whole, quick = objects.put_all, Uploads(hub._engine, Objects(objects._store, None))

    def put_all(given: Any) -> None:
        whole(given)
        if meanwhile == "deleted":
            quick.delete(ID)
            whole(given)
        else:
            other = DATA[5] if meanwhile == "another's bytes" else DATA[1]
            quick.take("one", ID, [Piece.of(1, other)])

    monkeypatch.setattr(objects, "put_all", put_all)
    if meanwhile == "the same":
        assert hub.take("one", ID, pieces(1, 3)) == had(3)
        assert len(there(objects)) == 3
    elif meanwhile == "deleted":
        with pytest.raises(Gone):
            hub.take("one", ID, pieces(1, 2))
        assert there(objects) == []
    else:
        with pytest.raises(Differs, match=r"^piece 1: other"):
            hub.take("one", ID, pieces(1, 2))
        assert len(there(objects)) == 2 and hub.received("one", ID) == had(2)


def test_lost_rows_are_made_again_of_the_objects(hub, engine):
    begun(hub, 2, ends=True)
    (before,) = hub.rows()
    with engine.begin() as db:
        db.execute(SESSION.delete())
    assert hub.restore() == (1, {})
    assert hub.rows() == [before]
    assert hub.restore() == (0, {})
    hub.check(before)


@pytest.mark.parametrize("spoilt", [b"{", b"[]", None])
def test_a_spoilt_head_is_said_and_made_again_of_its_row(hub, objects, engine, spoilt):
    begun(hub, 2, ends=True)
    name, head = f"sessions/{ID}/head.json", head_in(objects)
    other = json.dumps({**head, "session_id": "f" * 32}).encode()
    for data in (spoilt, other, json.dumps({**head, "in_replay": 1_000_001}).encode()):
        if data is None:
            objects.delete([name])
        else:
            objects.put(name, data)
        made, why = hub.restore()
        assert made == 0 and list(why) == [ID]
        is_said = "is not there" if data is None else "is not what was put there"
        assert why[ID].startswith(f"object {name}: {is_said}")
        assert why[ID].endswith("; it was made again of its row") and head_in(objects) == head
    with engine.begin() as db:
        db.execute(SESSION.delete())
    objects.put(name, b"{")
    made, why = hub.restore()
    assert made == 0 and "made again" not in why[ID] and hub.rows() == []
    most = json.dumps({**head, "in_replay": 1_000_000}).encode()
    objects.put(name, most)
    assert hub.restore() == (1, {})


def test_a_lost_or_other_piece_makes_no_whole_session(hub, objects):
    begun(hub, 3)
    (name,) = (each for each in there(objects) if each.startswith(f"pieces/{ID}/1."))
    objects.put(name, b"other")
    for _ in range(2):
        with pytest.raises(Spoilt, match=f"^object {name}: is not what was put there$"):
            hub.end("one", ID, end_of(3))
        objects.delete([name])
    assert hub.received("one", ID) == had(3)


def test_a_replay_file_with_other_or_fewer_pieces_is_spoilt(hub, objects):
    begun(hub, 2, ends=True)
    (row,) = hub.rows()
    name = f"sessions/{ID}/2.pgr"
    whole = objects.get(name)
    assert whole is not None
    first = len(DATA[0]) + 4
    objects.put(name, whole[: 10 + first] + bytes(4))
    with pytest.raises(Spoilt, match=f"^object {name}: has 1 of 2 pieces$"):
        hub.check(row)
    with pytest.raises(Spoilt):
        hub.take("one", ID, pieces(1, 2))
    objects.put(name, b"none of ours")
    with pytest.raises(Spoilt, match=f"^object {name}: (?!has )"):  # why it cannot be read
        hub.check(row)
    objects.put(name, whole[:10] + whole[10 + first : -4] + whole[10 : 10 + first] + bytes(4))
    with pytest.raises(Spoilt, match=f"^object {name}: is not what was put there$"):
        hub.check(row)


def test_what_lies_about_is_tidied_and_what_may_be_wanted_stays(hub, objects):
    begun(hub, 2, ends=True)
    hub.take("one", ID, pieces(2, 3))
    sums = [hashlib.sha256(each).hexdigest() for each in DATA]
    stays = [
        f"pieces/{ID}/2.{sums[2]}",  # with a row
        f"pieces/{ID}/3.{sums[3]}",  # on its way
        f"sessions/{ID}/2.pgr",
        f"sessions/{ID}/head.json",
        f"sessions/{'e' * 32}/4.pgr",  # of a session whose row is lost
    ]
    goes = [
        f"pieces/{ID}/1.{sums[1]}",  # in the replay file
        f"pieces/{ID}/2.{sums[3]}",  # another's bytes
        f"sessions/{ID}/1.pgr",
        f"pieces/{'e' * 32}/0.{sums[0]}",  # put before any row
    ]
    for name in (stays[1], stays[4], *goes):
        objects.put(name, b"x")
    hub.tidy()
    assert there(objects) == sorted(stays)
