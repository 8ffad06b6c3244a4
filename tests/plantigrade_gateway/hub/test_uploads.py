"""What bays hand over, and everything that is not taken: over the routes, as a bay asks."""

import hashlib
import os
from pathlib import Path
from typing import Any

import obstore
import pytest
from tests.support import objects as s3
from tests.support.hub import (
    Site,
    end_of,
    handed_over,
    head_of,
    pieces_of,
    put_piece,
    recorded,
    site,
)

from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.sources.replay import read_replay
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear
ID = "0123456789abcdef" * 2
URL = f"/bay/v1/sessions/{ID}"
PIECES = [pack(Batch.of([Entry(k * 10**9, SESSION, Kind.MARK, b"m%d" % k)])) for k in range(4)]


@pytest.fixture
def hub(tmp_path):
    with site(tmp_path / "hub") as made:
        yield made


def begun(hub: Site, pieces: int = 0, bay: str = "one"):
    client = hub.client(bay)
    assert client.put(URL, json=head_of(ID)).json() == received(0)
    for number in range(pieces):
        assert put_piece(client, ID, number, PIECES[number]).json() == received(number + 1)
    return client


def received(pieces: int, is_whole: bool = False):
    return {"pieces": pieces, "is_whole": is_whole, "is_deleted": False, "together": 64}


@pytest.mark.slow
def test_a_whole_session_is_one_replay_file_of_its_pieces(hub, tmp_path):
    """Byte for byte: the file's format (hardware_notes/replay_file.md) has the pieces as they are,
    each after its length, between ten bytes of head and four of end."""
    with Store.open(tmp_path / "bay.sqlite3") as bay:
        session = recorded(bay)
        pieces = pieces_of(bay, session)
        entries = [entry for batch in bay.batches(session) for entry in batch]
    assert handed_over(hub.client(), session, pieces).json() == received(len(pieces), True)
    path = Path(hub.place) / "sessions" / session / f"{len(pieces)}.pgr"
    framed = b"".join(len(piece).to_bytes(4, "little") + piece for piece in pieces)
    assert path.read_bytes()[10:] == framed + bytes(4)
    assert [entry for batch in read_replay(path) for entry in batch] == entries
    assert not any((Path(hub.place) / "pieces").rglob("*.*"))


def test_what_is_sent_again_changes_nothing(hub):
    client = begun(hub, 3)
    assert put_piece(client, ID, 1, PIECES[1]).json() == received(3)
    assert client.put(URL, json=head_of(ID)).json() == received(3)
    for _ in range(2):
        end = client.post(f"{URL}/end", json=end_of(PIECES[:3]))
        assert (end.status_code, end.json()) == (200, received(3, True))
    assert put_piece(client, ID, 2, PIECES[2]).json() == received(3, True)


def test_other_bytes_at_a_number_are_refused_before_and_after_the_end(hub):
    client = begun(hub, 2)
    for _ in range(2):
        answer = put_piece(client, ID, 1, PIECES[3])
        assert answer.status_code == 409 and list(answer.json()) == ["error"]
        client.post(f"{URL}/end", json=end_of(PIECES[:2]))


def test_a_number_beyond_the_next_is_told_which_is_wanted(hub):
    answer = put_piece(begun(hub, 1), ID, 2, PIECES[2])
    assert answer.status_code == 409
    assert received(1).items() <= answer.json().items()


def test_an_end_of_more_or_of_other_pieces_is_refused(hub):
    client = begun(hub, 2)
    beyond = client.post(f"{URL}/end", json=end_of(PIECES[:3]))
    assert beyond.status_code == 409 and beyond.json()["pieces"] == 2
    other = client.post(f"{URL}/end", json=end_of([PIECES[1], PIECES[0]]))
    assert other.status_code == 409 and "pieces" not in other.json()
    assert client.get(URL).json() == received(2)


def test_a_whole_session_may_go_on(hub):
    """Pages of an insole's log are read when the session has long ended."""
    client = begun(hub, 2)
    assert client.post(f"{URL}/end", json=end_of(PIECES[:2])).json() == received(2, True)
    for number in (2, 3):
        assert put_piece(client, ID, number, PIECES[number]).json() == received(number + 1)
    assert put_piece(client, ID, 0, PIECES[0]).json() == received(4)
    assert client.post(f"{URL}/end", json=end_of(PIECES)).json() == received(4, True)
    files = sorted(p.name for p in (Path(hub.place) / "sessions" / ID).iterdir())
    assert files == ["4.pgr", "head.json"]
    whole = read_replay(Path(hub.place) / "sessions" / ID / "4.pgr")
    assert [e.data for batch in whole for e in batch] == [b"m0", b"m1", b"m2", b"m3"]


def test_a_session_without_a_piece_can_end(hub):
    assert begun(hub).post(f"{URL}/end", json=end_of([])).json() == received(0, True)


@pytest.mark.parametrize("sha256", ["", "0" * 64, "A" * 64, "0" * 63, "../" + "0" * 61])
def test_a_wrong_sum_is_refused_and_nothing_kept(hub, sha256):
    client = begun(hub)
    assert put_piece(client, ID, 0, PIECES[0], sha256).status_code == 422
    assert client.get(URL).json() == received(0)
    assert list(Objects.of(hub.place).names("pieces")) == []


def body_of(first: int, pieces: list[bytes], **wrong: bytes) -> bytes:
    """Several pieces as one body, by hand (hardware_notes/hub.md)."""
    return b"".join(
        n.to_bytes(4, "little")
        + len(piece).to_bytes(4, "little")
        + wrong.get(f"n{n}", hashlib.sha256(piece).digest())
        + piece
        for n, piece in enumerate(pieces, first)
    )


def test_several_pieces_in_one_request_are_each_acknowledged(hub):
    client = begun(hub, 1)
    for first in (1, 1, 0):  # again, and with one that is there
        several = PIECES[first:4]
        answer = client.post(f"{URL}/pieces", content=body_of(first, several))
        taken = [[n, hashlib.sha256(PIECES[n]).hexdigest()] for n in range(first, 4)]
        assert (answer.status_code, answer.json()) == (200, {**received(4), "taken": taken})
    assert client.post(f"{URL}/end", json=end_of(PIECES)).json() == received(4, True)
    whole = read_replay(Path(hub.place) / "sessions" / ID / "4.pgr")
    assert [e.data for batch in whole for e in batch] == [b"m0", b"m1", b"m2", b"m3"]
    again = client.post(f"{URL}/pieces", content=body_of(2, PIECES[2:4]))
    assert again.status_code == 200 and again.json()["pieces"] == 4


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 422),
        (body_of(1, PIECES[1:3])[:-1], 422),
        (body_of(1, PIECES[1:3]) + b"x", 422),
        (body_of(1, PIECES[1:3], n2=bytes(32)), 422),
        (body_of(1, [PIECES[1], b""]), 422),
        (body_of(1, PIECES[1:2]) + body_of(3, PIECES[3:4]), 422),
        (body_of(1, PIECES[1:2]) * 2, 422),
        (body_of(2**32 - 1, PIECES[1:2]), 422),
        (body_of(1, [b"x"] * 65), 422),
        (body_of(1, [b"x" * (1 << 22)]), 413),
        (body_of(2, PIECES[2:4]), 409),
        (body_of(0, [PIECES[3], PIECES[1]]), 409),  # other bytes at the first of them
    ],
)
def test_several_pieces_are_taken_all_or_none(hub, body, status):
    client = begun(hub, 1)
    answer = client.post(f"{URL}/pieces", content=body)
    assert answer.status_code == status and "error" in answer.json()
    assert client.get(URL).json() == received(1)
    other = hub.client("two").post(f"{URL}/pieces", content=body_of(1, PIECES[1:3]))
    assert other.status_code == 404


def test_of_several_pieces_none_counts_where_the_store_refuses_one(hub, monkeypatch):
    client = begun(hub, 1)
    whole = obstore.put

    def put(store: Any, name: str, *more: Any, **options: Any) -> Any:
        if f"pieces/{ID}/2." in name:
            raise OSError(28, "No space left on device")
        return whole(store, name, *more, **options)

    monkeypatch.setattr(obstore, "put", put)
    answer = client.post(f"{URL}/pieces", content=body_of(1, PIECES[1:4]))
    assert answer.status_code == 503
    assert client.get(URL).json() == received(1)
    monkeypatch.setattr(obstore, "put", whole)
    assert client.post(f"{URL}/pieces", content=body_of(1, PIECES[1:4])).json()["pieces"] == 4
    assert client.post(f"{URL}/end", json=end_of(PIECES)).json() == received(4, True)


def test_a_huge_piece_is_refused_before_it_is_taken(hub):
    client = begun(hub)
    assert put_piece(client, ID, 0, bytes((1 << 24) + 1)).status_code == 413
    said = client.put(
        f"{URL}/pieces/0",
        content=iter([bytes(1 << 20)] * 18),  # without a length, as chunks
        headers={"Piece-SHA256": "0" * 64},
    )
    assert said.status_code == 413
    assert client.put(URL, json=head_of(ID, x="y" * (1 << 18))).status_code == 413


@pytest.mark.parametrize(
    "path",
    [
        "..%2f..%2fetc%2fpasswd",
        "%2e%2e",
        ID.upper(),
        ID + "0",
        ID[:-1],
        ID[:-1] + "g",
        ID + "%00",
        "%ff" * 32,
        "٠" * 32,
    ],
)
def test_an_id_is_thirty_two_digits_and_nothing_else(hub, path):
    client = hub.client()
    answers = [
        client.put(f"/bay/v1/sessions/{path}", json=head_of(path)),
        client.get(f"/bay/v1/sessions/{path}"),
        put_piece(client, path, 0, PIECES[0]),
        client.post(f"/bay/v1/sessions/{path}/end", json=end_of([])),
        client.put(f"/bay/v1/deleted/{path}", json={"receipt": {}}),
    ]
    assert {answer.status_code for answer in answers} <= {404, 405, 422}
    assert all(list(answer.json()) == ["error"] for answer in answers)
    assert list(Objects.of(hub.place).names("sessions")) == []


@pytest.mark.parametrize("number", ["-1", "1.0", "", "0x0", "٣", "9" * 30, "1e3", "%2e%2e"])
def test_a_number_is_a_number(hub, number):
    assert put_piece(begun(hub), ID, number, PIECES[0]).status_code in (404, 422)


@pytest.mark.parametrize(
    "more",
    [
        {"session_id": "f" * 32},
        {"player_id": "../x"},
        {"player_id": 7},
        {"started_utc": "yesterday"},
        {"started_utc": "2026-03-01T09:30:00"},
        {"started_utc": "2026-03-01T09:30:00+02:00"},
        {"started_utc": "0001-01-01T00:00:00+00:00"},  # no zone behind UTC can show it
        {"started_utc": "9999-12-31T23:59:59+00:00"},
        {"utc_offset_min": 10**9},
        {"utc_offset_min": 2**80},
        {"about": []},
    ],
)
def test_a_head_that_cannot_be_is_refused(hub, more):
    client = hub.client()
    assert client.put(URL, json={**head_of(ID), **more}).status_code == 422
    assert client.get(URL).status_code == 404


def test_a_body_that_is_no_json_is_refused(hub):
    for body in (b"", b"{", b"[" * 5000, b"\xff", b'{"session_id": NaN}', b"null"):
        assert hub.client().put(URL, content=body).status_code == 422


def test_another_bays_session_is_like_one_that_is_not_there(hub):
    begun(hub, 1)
    other, absent = hub.client("two"), "f" * 32
    answers = [
        (other.get(u), put_piece(other, k, 1, PIECES[1]), other.post(f"{u}/end", json=end_of([])))
        for k, u in ((ID, URL), (absent, f"/bay/v1/sessions/{absent}"))
    ]
    for mine, none in zip(*answers, strict=True):
        assert (mine.status_code, mine.json()) == (none.status_code, none.json())
        assert mine.status_code == 404
    assert other.put(URL, json=head_of(ID)).status_code == 404
    assert hub.client().get(URL).json() == received(1)


def test_a_wrong_a_missing_and_a_withdrawn_credential_are_answered_alike(hub):
    client = begun(hub, 1)
    Bays(hub.engine).withdraw("one")
    name, _, secret = hub.token("two").partition(".")
    wrong = ["", "Bearer", f"Bearer {name}.", f"Bearer {secret}", f"Bearer {name}.{secret}x"]
    wrong += [f"Basic {name}.{secret}", f"Bearer one.{secret}", f"Bearer nobody.{secret}"]
    answers = [client.get(URL)]  # at once
    nobody = hub.client(None)
    answers += [nobody.get(URL, headers={"Authorization": each}) for each in wrong]
    answers += [nobody.get(URL), nobody.put(URL, json=head_of(ID))]
    answers += [nobody.post("/bay/v1/changes", json={}), nobody.get("/bay/v1/elsewhere")][:1]
    assert {answer.status_code for answer in answers} == {401}
    assert len({answer.text for answer in answers}) == 1
    assert hub.client("two").get(URL).status_code == 404


def test_a_bay_that_is_added_again_goes_on_with_its_sessions(hub):
    begun(hub, 1)
    Bays(hub.engine).withdraw("one")
    hub.tokens.pop("one")
    assert hub.client().get(URL).json() == received(1)


def test_only_the_hash_of_a_secret_is_kept(hub):
    name, _, secret = hub.token().partition(".")
    assert name == "one" and len(secret) >= 43  # 256 bits in base 64
    hub.store.database.read("PRAGMA wal_checkpoint(TRUNCATE)")
    for path in hub.data.rglob("*"):
        assert path.is_dir() or secret.encode() not in path.read_bytes()


def test_a_store_that_refuses_is_no_fault_and_takes_later(hub, monkeypatch):
    client = begun(hub, 1)
    folder = Path(hub.place) / "pieces" / ID
    os.rename(folder, f"{folder}-away")
    folder.write_bytes(b"")  # no folder any more: even root cannot write into it
    answer = put_piece(client, ID, 1, PIECES[1])
    assert answer.status_code == 503 and answer.headers["retry-after"]
    folder.unlink()
    os.rename(f"{folder}-away", folder)
    assert put_piece(client, ID, 1, PIECES[1]).json() == received(2)


def test_an_archive_that_lost_a_piece_makes_no_whole_session(hub):
    client = begun(hub, 2)
    (found,) = (Path(hub.place) / "pieces" / ID).glob("1.*")
    found.write_bytes(b"other")
    answer = client.post(f"{URL}/end", json=end_of(PIECES[:2]))
    # No 503, for which a bay would leave the hub alone with all its other sessions.
    assert answer.status_code == 409 and list(answer.json()) == ["error"]
    assert f"pieces/{ID}/1." in answer.json()["error"]
    assert client.get(URL).json() == received(2)


def test_an_archive_whose_replay_file_is_spoilt_says_so(hub):
    client = begun(hub, 2)
    assert client.post(f"{URL}/end", json=end_of(PIECES[:2])).json() == received(2, True)
    (Path(hub.place) / "sessions" / ID / "2.pgr").write_bytes(b"other")
    again = put_piece(client, ID, 1, PIECES[1])
    assert again.status_code == 409 and f"sessions/{ID}/2.pgr" in again.json()["error"]
    assert put_piece(client, ID, 2, PIECES[2]).json() == received(3)
    end = client.post(f"{URL}/end", json=end_of(PIECES[:3]))
    assert end.status_code == 409 and f"sessions/{ID}/2.pgr" in end.json()["error"]


@pytest.mark.slow
def test_an_s3_store_keeps_the_same(tmp_path, monkeypatch):
    with s3.s3_place(monkeypatch) as place, site(tmp_path / "hub", place) as hub:
        client = begun(hub, 3)
        assert any(name.startswith(f"site/pieces/{ID}/2.") for name in s3.names(place))
        assert client.post(f"{URL}/end", json=end_of(PIECES[:3])).json() == received(3, True)
        folder = f"site/sessions/{ID}"
        assert sorted(s3.names(place)) == [f"{folder}/3.pgr", f"{folder}/head.json"]
        data = Objects.of(place).get(f"sessions/{ID}/3.pgr")
        assert data is not None
        (tmp_path / "a.pgr").write_bytes(data)
        assert len([e for b in read_replay(tmp_path / "a.pgr") for e in b]) == 3
