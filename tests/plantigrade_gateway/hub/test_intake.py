"""A hub's working store: brought in, gone on with, given over, made again; two hubs of one site."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from tests.support.hub import (
    STARTED,
    Site,
    end_of,
    handed_over,
    head_of,
    pieces_of,
    put_piece,
    recorded,
    site,
)

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.store import handedover, results
from plantigrade_gateway.store.handedover import HandedOver
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


@pytest.fixture
def hub(tmp_path):
    with site(tmp_path / "hub") as made:
        yield made


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    """The invented practice session's stand, walk and first swings as a bay has them.

    Its id, its pieces, its results.
    """
    with Store.open(tmp_path_factory.mktemp("bay") / "bay.sqlite3") as bay:
        session = recorded(bay, pieces=5)
        results.reanalyse(bay, session)
        events = list(bay.events(session))
        return session, pieces_of(bay, session), events


def looked(hub: Site, name: str = "here", folder: Path | None = None) -> list[str]:
    said: list[str] = []
    with hub.intake(name, folder) as intake:
        intake.look(said.append)
    return said


@pytest.mark.slow
def test_a_whole_session_is_brought_in_byte_for_byte_with_its_results(hub, practice):
    session, pieces, events = practice
    handed_over(hub.client(), session, pieces)
    assert len(looked(hub)) == 1
    found = hub.store.session(session)
    assert pieces_of(hub.store, session) == pieces
    assert found.started == datetime(2026, 3, 1, 9, 30, 0, 250_000, UTC)
    assert found.started.utcoffset().total_seconds() == 3600
    assert (found.source, found.host, found.state) == ("bay one", "one", "ended")
    assert (found.player_id, found.end_reason) == (None, "stop")
    assert found.analysis_version == ANALYSIS_VERSION
    assert list(hub.store.events(session)) == events
    assert looked(hub) == []


def test_what_is_not_whole_is_not_brought_in(hub, practice):
    session, pieces, _ = practice
    client = hub.client()
    client.put(f"/bay/v1/sessions/{session}", json=head_of(session))
    put_piece(client, session, 0, pieces[0])
    assert looked(hub) == [] and hub.store.sessions() == []


@pytest.mark.slow
def test_what_was_cut_off_while_it_was_brought_in_goes_on(hub, practice, monkeypatch):
    session, pieces, events = practice
    assert len(pieces) > 100
    handed_over(hub.client(), session, pieces)
    whole = handedover.append

    def cut(store, session_id, rest, first):
        whole(store, session_id, [piece for _, piece in zip(range(70), rest, strict=False)], first)
        raise KeyboardInterrupt

    monkeypatch.setattr(handedover, "append", cut)
    with pytest.raises(KeyboardInterrupt):
        looked(hub)
    assert hub.store.session(session).state == "open"
    monkeypatch.setattr(handedover, "append", whole)
    looked(hub)
    assert pieces_of(hub.store, session) == pieces
    assert list(hub.store.events(session)) == events


def test_what_another_program_has_brought_in_is_not_brought_in_twice(hub):
    pieces = [pack(Batch.of([Entry(k, SESSION, Kind.MARK, b"m")])) for k in range(150)]
    handed = HandedOver("ab" * 16, None, STARTED, 60, "bay one", "one", "stop")
    assert handedover.begin(hub.store, handed) == handedover.begin(hub.store, handed) == 0
    handedover.append(hub.store, handed.session_id, pieces[:70], 0)
    with pytest.raises(StoreError, match="another program is bringing it in too"):
        handedover.append(hub.store, handed.session_id, pieces, 0)
    handedover.append(hub.store, handed.session_id, pieces[70:], 70)
    assert pieces_of(hub.store, handed.session_id) == pieces


@pytest.mark.slow
def test_a_session_that_goes_on_is_gone_on_with(hub, practice):
    session, pieces, events = practice
    client = hub.client()
    handed_over(client, session, pieces[:100])
    looked(hub)
    assert list(hub.store.events(session)) != events
    handed_over_rest(client, session, pieces, 100)
    looked(hub)
    assert pieces_of(hub.store, session) == pieces
    assert list(hub.store.events(session)) == events


def handed_over_rest(client: TestClient, session: str, pieces: list[bytes], at: int) -> None:
    for number in range(at, len(pieces)):
        assert put_piece(client, session, number, pieces[number]).status_code == 200
    answer = client.post(f"/bay/v1/sessions/{session}/end", json=end_of(pieces))
    assert answer.json()["is_whole"]


def test_a_damaged_piece_is_kept_as_it_is_and_read_as_a_gap(hub, practice):
    session, pieces, _ = practice
    spoilt = [*pieces[:3], b"\x01" + bytes(20), *pieces[4:8]]
    handed_over(hub.client(), session, spoilt)
    looked(hub)
    assert pieces_of(hub.store, session) == spoilt
    gaps = [gap for stretch in hub.store.stretches(session) for gap in stretch.gaps]
    assert [(gap.first, gap.last) for gap in gaps] == [(3, 3)]


def test_a_session_goes_to_the_player_that_a_bay_or_the_desk_says(hub, practice):
    session, pieces, _ = practice
    with Register(hub.store) as register:
        one, two, three = (
            register.add(name=name, handedness="right") for name in ("Ann", "Bea", "Cyd")
        )
        client = hub.client()
        handed_over(client, session, pieces[:20], one)
        looked(hub)
        assert hub.store.session(session).player_id == one
        url = f"/bay/v1/sessions/{session}"
        assert client.put(url, json=head_of(session, two)).status_code == 200
        looked(hub)
        assert hub.store.session(session).player_id == two
        assign(register, session, three, move=True)
        looked(hub)
        looked(hub)
        assert hub.store.session(session).player_id == three
        with hub.intake() as intake:
            intake.rebuild()
        assert hub.store.session(session).player_id == three


def test_a_player_of_whom_nothing_was_heard_yet_comes_to_the_session_later(hub, practice):
    session, pieces, _ = practice
    player = "ab" * 16
    handed_over(hub.client(), session, pieces[:20], player)
    looked(hub)
    assert hub.store.session(session).player_id is None
    with Register(hub.store) as register:
        register.log.say("player", player, {"name": "Ann", "handedness": "left"}, "coach")
    looked(hub)
    assert hub.store.session(session).player_id == player


@pytest.mark.slow
def test_the_working_store_is_made_again_of_the_objects(hub, practice):
    session, pieces, events = practice
    handed_over(hub.client(), session, pieces)
    looked(hub)
    with hub.store.database.writing() as db:
        db.execute("UPDATE chunks SET data = x'00' WHERE seq = 3")
    looked(hub)
    assert pieces_of(hub.store, session) != pieces, "a look is no rebuild"
    with hub.intake() as intake:
        intake.rebuild()
    assert pieces_of(hub.store, session) == pieces
    assert list(hub.store.events(session)) == events


@pytest.mark.slow
def test_tables_that_are_lost_are_made_again_of_the_objects(hub, practice, tmp_path):
    session, pieces, events = practice
    handed_over(hub.client(), session, pieces)
    with site(tmp_path / "other", hub.place) as fresh:
        with fresh.intake() as intake:
            intake.rebuild()
        assert pieces_of(fresh.store, session) == pieces
        found = fresh.store.session(session)
        assert (found.started, found.source) == (
            datetime(2026, 3, 1, 9, 30, 0, 250_000, UTC),
            "bay one",
        )
        assert list(fresh.store.events(session)) == events


def test_what_lies_about_is_tidied_up(hub, practice):
    session, pieces, _ = practice
    client = hub.client()
    handed_over(client, session, pieces[:3])
    under_way = "cd" * 16
    client.put(f"/bay/v1/sessions/{under_way}", json=head_of(under_way))
    put_piece(client, under_way, 0, pieces[0])
    with hub.intake() as intake:
        for name in (f"pieces/{session}/1.{'0' * 64}", f"pieces/{'ef' * 16}/0.{'0' * 64}"):
            intake._objects.put(name, b"killed between object and row")
        intake.tidy()
        left = sorted(intake._objects.names("pieces"))
        assert len(left) == 1 and left[0].startswith(f"pieces/{under_way}/0.")
        assert sorted(intake._objects.names("sessions"))[0].endswith("3.pgr")


@pytest.mark.slow
def test_a_session_that_fails_holds_up_no_other_and_is_tried_again(hub, practice, monkeypatch):
    """Whatever is in it; and an object store that refuses for a minute is no reason for ever."""
    session, pieces, events = practice
    other = "cd" * 16
    handed_over(hub.client(), session, pieces)
    handed_over(hub.client("two"), other, pieces[:3])
    now_s = [100.0]
    monkeypatch.setattr("plantigrade_gateway.hub.intake.time.monotonic", lambda: now_s[0])
    whole = results.reanalyse

    def fail(store, session_id, *more):
        if session_id == session:
            raise TypeError("argument after ** must be a mapping")
        return whole(store, session_id, *more)

    with hub.intake() as intake:
        said: list[str] = []
        monkeypatch.setattr(results, "reanalyse", fail)
        intake.look(said.append)
        assert {one.partition(": ")[2] for one in said} == {"TypeError", "brought in"}
        monkeypatch.setattr(results, "reanalyse", whole)
        intake.look(said.append)
        assert len(said) == 2, "it waits"
        now_s[0] += 11.0
        intake.look(said.append)
        assert said[2:] == [f"Session {session[:8]} of bay one: brought in"]
    assert list(hub.store.events(session)) == events


def spoil(hub: Site, session: str, how: str) -> None:
    """Damage an object of a session as a disk or somebody may."""
    head = Path(hub.place) / "sessions" / session / "head.json"
    (replay,) = head.parent.glob("*.pgr")
    whole = replay.read_bytes()
    match how:
        case "head of other JSON":
            head.write_text('{"session_id": 7}')
        case "head of another":
            head.write_bytes(head.read_bytes().replace(session.encode(), b"0" * 32))
        case "no head":
            head.unlink()
        case "head is a folder":
            head.unlink()
            head.mkdir()
        case "record lost":
            replay.unlink()
        case "record cut":
            replay.write_bytes(whole[:-200])
        case "record flipped":
            replay.write_bytes(whole[:300] + b"?" + whole[301:])
        case "record is nothing":
            replay.write_bytes(b"")


SPOILT = ["head of other JSON", "head of another", "no head", "head is a folder"]
SPOILT += ["record lost", "record cut", "record flipped", "record is nothing"]


@pytest.mark.parametrize("how", SPOILT)
@pytest.mark.slow
def test_one_spoilt_object_costs_its_own_session_alone(hub, practice, tmp_path, how):
    """With the tables, and without them; it is named, once, and what was brought in stays."""
    _, pieces, _ = practice
    keys = [f"{n}" * 32 for n in "abc"]
    for key in keys:
        handed_over(hub.client(), key, pieces[:5])
    looked(hub)
    spoil(hub, keys[1], how)
    for foreign in ("sessions/README", f"pieces/{keys[1]}/a/b", "sessions/x/a\nb", "pieces/x"):
        path = Path(hub.place) / foreign
        path.parent.mkdir(exist_ok=True, parents=True)
        path.write_bytes(b"somebody else's")
    for data in (tmp_path / "other", hub.data):
        with site(data, hub.place) as asked:
            said: list[str] = []
            with asked.intake() as intake:
                assert intake.rebuild(said.append) == 1
                intake.tidy()
            spoilt = [one for one in said if one.startswith(f"Session {keys[1][:8]}")]
            assert len(spoilt) >= 1 and all("\n" not in one for one in spoilt), said
            assert f"object sessions/{keys[1]}" in spoilt[0]
            for key in (keys[0], keys[2]):
                assert pieces_of(asked.store, key) == pieces[:5]
    assert pieces_of(hub.store, keys[1]) == pieces[:5], "what was here stays"


def test_a_head_that_is_spoilt_is_made_again_of_its_row(hub, practice):
    session, pieces, _ = practice
    handed_over(hub.client(), session, pieces[:5])
    head = Path(hub.place) / "sessions" / session / "head.json"
    before = head.read_bytes()
    head.write_bytes(b"{}")
    with hub.intake() as intake:
        assert intake.rebuild() == 1
        assert intake.rebuild() == 0
    assert head.read_bytes() == before


def test_a_session_that_cannot_be_deleted_holds_up_no_other_and_is_not_confirmed(
    hub, practice, monkeypatch
):
    _, pieces, _ = practice
    stuck, other = "a" * 32, "b" * 32
    with Register(hub.store) as register:
        one, two = (register.add(name=name, handedness="left") for name in ("Ann", "Bea"))
        handed_over(hub.client(), stuck, pieces[:3], one)
        handed_over(hub.client(), other, pieces[:3], two)
        for player in (one, two):
            register.log.delete([("player", player)], "coach")
        whole = Objects.delete
        refusing = [f"sessions/{stuck}"]

        def delete(self: Objects, names: Iterable[str]) -> None:
            for name in names:
                if any(name.startswith(each) for each in refusing):
                    raise StoreError(f"object {name}: the object store refuses (no reason)")
                whole(self, [name])

        monkeypatch.setattr(Objects, "delete", delete)
        said: list[str] = []
        with hub.intake() as intake:
            intake.look(said.append)
            assert any(f"object sessions/{stuck}" in one for one in said)
            assert list(intake._objects.names(f"sessions/{other}")) == []
            archive = {
                c.player_id: c.confirmed
                for c in Deletions(hub.engine).all()
                if c.place == "archive"
            }
            assert archive[one] is None and archive[two] is not None
            refusing.clear()
            intake.look(said.append)
        assert Deletions(hub.engine).waiting("archive") == set()
