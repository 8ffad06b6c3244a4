"""When a hub brings sessions in, and deletes from a database; the work itself is left out."""

import hashlib
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import sqlalchemy as sa
from obstore.store import MemoryStore
from tests.support.damage import everything
from tests.support.records import packets

from plantigrade_gateway import config
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.hub import intake
from plantigrade_gateway.hub.intake import Intake
from plantigrade_gateway.hub.names import store_path
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.rows import Row
from plantigrade_gateway.people.hubtables import ARCHIVE, DATABASE, SESSION, hub_place
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.store import handedover, results
from plantigrade_gateway.store.handedover import HandedOver
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.messages import SessionEnd, SessionHead

ONE, TWO = "1" * 32, "2" * 32
DEAD = "d" * 32


def row(key: str, pieces: int = 3, **more: Any) -> Row:
    usual = {"player_id": None, "utc_offset_min": 60, "about": "{}", "sha256": "s"}
    return Row(
        **{
            "session_id": key,
            "bay": "bay-1",
            "started_utc": "2026-03-01T09:30:00.250000+00:00",
            "pieces": pieces,
            "in_replay": pieces,
            "is_whole": True,
            **usual,
            **more,
        }
    )


@pytest.fixture(scope="module")
def empty(tmp_path_factory) -> Path:
    folder: Path = tmp_path_factory.mktemp("hub")
    Intake(folder, Objects(MemoryStore(), None), "here").close()
    return folder


@pytest.fixture
def world(tmp_path: Path, empty: Path, monkeypatch) -> Iterator[SimpleNamespace]:
    """An intake whose sessions are told, and whose bringing in fails where it is told to."""
    folder = Path(shutil.copytree(empty, tmp_path / "hub"))
    made = SimpleNamespace(now_s=100.0, rows=[], here={}, fails={}, brought=[], said=[])
    monkeypatch.setattr(intake, "time", SimpleNamespace(monotonic=lambda: made.now_s))
    with Intake(folder, Objects(MemoryStore(), None), "here") as opened:
        made.intake = opened

        def bring_in(one: Row) -> None:
            made.brought.append(one.session_id)
            if one.session_id in made.fails:
                raise made.fails[one.session_id]

        monkeypatch.setattr(opened, "_bring_in", bring_in)
        monkeypatch.setattr(opened, "_here", lambda: made.here)
        monkeypatch.setattr(opened._uploads, "rows", lambda: made.rows)
        made.path = store_path(folder)
        made.look = lambda: opened.look(made.said.append)
        yield made


def test_what_is_whole_is_brought_in_and_said(world):
    world.rows = [
        row(ONE),
        row(TWO, is_whole=False),
        row("3" * 32, is_deleted=True, started_utc=""),
    ]
    world.look()
    assert world.brought == [ONE] and world.said == ["Session 11111111 of bay bay-1: brought in"]
    world.here = {ONE: (3, None, None, True)}
    world.look()
    assert world.brought == [ONE]
    for here in ((2, None, None, True), (3, None, None, False)):  # it went on, or was cut off
        world.here = {ONE: here}
        world.look()
    assert world.brought == [ONE] * 3


def test_one_that_fails_is_said_once_holds_up_no_other_and_waits_ever_longer(world):
    """After ten seconds, then ever later, up to an hour (hardware_notes/hub.md)."""
    world.rows = [row(ONE), row(TWO)]
    world.fails[ONE] = StoreError("object x: is not there")
    world.look()
    assert world.brought == [ONE, TWO]
    assert world.said == [
        "Session 11111111 of bay bay-1: object x: is not there",
        "Session 22222222 of bay bay-1: brought in",
    ]
    world.here = {TWO: (3, None, None, True)}
    world.brought.clear()
    waits = [10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 3600.0, 3600.0]
    for wait_s in waits:
        world.now_s += wait_s - 0.5
        world.look()
        assert world.brought == []
        world.now_s += 0.5
        world.look()
        assert world.brought == [ONE]
        world.brought.clear()
    assert len(world.said) == 2
    world.fails[ONE] = ValueError("of a stranger")
    world.rows = [row(ONE, 4), row(TWO)]  # it has more pieces by now: at once
    world.look()
    assert world.said[2:] == ["Session 11111111 of bay bay-1: ValueError"]
    del world.fails[ONE]
    world.now_s += 3600.0
    world.look()
    assert world.said[3:] == ["Session 11111111 of bay bay-1: brought in"]


def waiting(world: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, gone: list[Any]) -> list[Any]:
    """Let a player's deletion from the database be waited for; note what is confirmed."""
    confirmed: list[Any] = []
    found = world.intake._deletions

    async def remove(config: Any, store: Any, what: str, player: str) -> int:
        assert (what, player) == ("player", DEAD)
        outcome = gone.pop(0)
        if isinstance(outcome, Exception):
            raise outcome
        return int(outcome)

    def confirm(player: str, place: str, receipt: Any) -> None:
        confirmed.append((player, place, receipt))

    world.intake._config = object()
    monkeypatch.setattr(intake, "remove", remove)
    monkeypatch.setattr(found, "waiting", lambda place: {DEAD} if place == DATABASE else set())
    monkeypatch.setattr(found, "confirm", confirm)
    return confirmed


def test_a_database_is_cleared_each_minute_until_nothing_is_found_and_no_bay_owes(
    world, monkeypatch
):
    owed = {DEAD}
    monkeypatch.setattr(world.intake._deletions, "owed_by_bays", lambda: owed)
    confirmed = waiting(world, monkeypatch, [3, 0, 2, 0])
    world.look()
    assert world.said == ["Player dddddddd: 3 series deleted from the database"]
    world.now_s += 59.9
    world.look()
    world.now_s += 0.1
    world.look()  # nothing found, and a bay may still send some
    assert len(world.said) == 1 and confirmed == []
    owed.clear()
    for _ in range(2):
        world.now_s += 60.0
        world.look()
    assert confirmed == [(DEAD, DATABASE, {"series": 5})]
    assert world.said[1:] == ["Player dddddddd: 2 series deleted from the database"]


def test_a_database_that_is_not_reached_is_said_once(world, monkeypatch):
    monkeypatch.setattr(world.intake._deletions, "owed_by_bays", set)
    away = InputError("tsdb.url: is away")
    confirmed = waiting(world, monkeypatch, [away, away, 1, away])
    for _ in range(4):
        world.look()
        world.now_s += 60.0
    assert world.said == [
        "Player dddddddd: not deleted from the database: tsdb.url: is away",
        "Player dddddddd: 1 series deleted from the database",
        "Player dddddddd: not deleted from the database: tsdb.url: is away",
    ]
    assert confirmed == []
    world.intake._config = None
    world.look()
    assert len(world.said) == 3


def test_objects_of_the_dead_go_and_one_that_fails_holds_up_no_other(world, monkeypatch):
    deleted: list[str] = []
    confirmed: list[Any] = []

    def delete(key: str) -> None:
        if key == ONE and not deleted:
            raise StoreError("the object store refuses")
        deleted.append(key)

    uploads, deletions = world.intake._uploads, world.intake._deletions
    monkeypatch.setattr(uploads, "delete", delete)
    monkeypatch.setattr(
        deletions, "waiting", lambda place: {"a" * 32, DEAD} if place == ARCHIVE else set()
    )
    monkeypatch.setattr(deletions, "confirm", lambda *what: confirmed.append(what))
    world.rows = [
        row(ONE, player_id=DEAD, is_deleted=True),
        row(TWO, is_deleted=True),
        row("3" * 32, is_deleted=True, started_utc=""),  # nothing is left of it
    ]
    world.look()
    assert deleted == [TWO]
    assert world.said == [
        "Session 11111111 of bay bay-1: the object store refuses",
        "Session 22222222: deleted from the archive",
    ]
    assert confirmed == [("a" * 32, ARCHIVE, None)]  # of the other some is left
    world.look()
    assert deleted == [TWO, ONE, TWO] and (DEAD, ARCHIVE, None) in confirmed


def test_a_player_who_is_deleted_in_the_log_is_deleted_here_and_that_is_said_once(world):
    register = world.intake._register
    player = register.add(name="Ada Invented", handedness="left")
    register.log.delete([("player", player)], "coach")
    for _ in range(2):
        world.look()
    assert world.said == [f"Player {player[:8]}: deleted here"]
    asked = {one.place: one.confirmed for one in world.intake._deletions.all()}
    assert set(asked) == {ARCHIVE, hub_place("here")} and None not in asked.values()
    assert world.intake._store.players.all() == []


@pytest.mark.parametrize(
    ("about", "source", "host", "reason"),
    [
        ("{}", "another bay", "bay-1", "stop"),
        ('{"source": "demo", "host": "pi", "end_reason": "restart"}', "demo", "pi", "restart"),
        ('{"source": 7, "host": "", "end_reason": null}', "another bay", "bay-1", "stop"),
        ("[]", "another bay", "bay-1", "stop"),
        (json.dumps({"source": "x" * 201, "host": "h" * 200}), "x" * 200, "h" * 200, "stop"),
    ],
)
def test_what_a_bay_did_not_say_of_a_session_is_plain(about, source, host, reason):
    assert intake._session(row(ONE, about=about), "p") == HandedOver(
        ONE, "p", "2026-03-01T09:30:00.250000+00:00", 60, source, host, reason
    )


@pytest.mark.parametrize(
    ("said_here", "by_bay", "now", "given", "reassigned", "handed", "kept"),
    [
        # In the log: that stands, and the row is told where its bay says otherwise.
        (True, "a", "b", "a", ["b"], [], ["b"]),
        (True, "b", "b", "b", [], [], []),
        (True, "a", None, None, [], [], []),
        # At the desk here since the last look.
        (False, "a", "b", "a", ["b"], [], ["b"]),
        # At its bay since the last look.
        (False, "b", "a", "a", [], ["b"], ["b"]),
        (False, "a", "a", "a", [], [], []),
        (False, None, "a", "a", [], [None], [None]),
    ],
)
def test_a_session_is_whose_it_was_given_to_last(
    world, monkeypatch, said_here, by_bay, now, given, reassigned, handed, kept
):
    done: dict[str, list[Any]] = {"reassigned": [], "handed": [], "kept": []}
    opened = world.intake
    opened._whose = {ONE: now} if said_here else {}
    monkeypatch.setattr(
        opened._uploads, "reassign", lambda _, player: done["reassigned"].append(player)
    )
    monkeypatch.setattr(
        handedover, "reassign", lambda store, key, player: done["handed"].append(player)
    )
    monkeypatch.setattr(opened, "_known", lambda player: player)
    monkeypatch.setattr(
        opened._store, "put_quality", lambda _, values: done["kept"].extend(values.values())
    )
    opened._see_to_player(row(ONE, player_id=by_bay), now, given)
    assert done == {"reassigned": reassigned, "handed": handed, "kept": kept}


def test_a_player_of_whom_nothing_was_heard_yet_is_none_so_far(world):
    assert world.intake._known(None) is None
    assert world.intake._known("e" * 32) is None
    player = world.intake._register.add(name="Ada Invented", handedness="left")
    assert world.intake._known(player) == player


# ---- sessions that were handed over, brought in; their objects lie in memory ----


@dataclass
class Hub:
    """A hub whose bay hands over what the test says."""

    intake: Intake
    objects: Objects
    said: list[str]

    def look(self) -> list[str]:
        self.said.clear()
        self.intake.look(self.said.append)
        return list(self.said)

    def hands_over(self, key: str, entries: int = 6, first: int = 0, **about: Any) -> None:
        """Pieces of two entries each, and the end."""
        uploads = self.intake._uploads
        head = SessionHead(key, None, "2026-03-01T09:30:00.250+00:00", 60, about)
        uploads.begin("bay-1", head)
        data = [pack(packets(2, k)) for k in range(0, entries, 2)]
        fresh = [Piece.of(n, data[n]) for n in range(first, len(data))]
        uploads.take("bay-1", key, fresh)
        sums = b"".join(hashlib.sha256(each).digest() for each in data)
        uploads.end("bay-1", key, SessionEnd(len(data), hashlib.sha256(sums).hexdigest(), None))

    def session(self, key: str) -> Session:
        return self.intake._store.session(key)


@pytest.fixture
def hub(tmp_path: Path, empty: Path) -> Iterator[Hub]:
    folder = Path(shutil.copytree(empty, tmp_path / "hub"))
    objects = Objects(MemoryStore(), None)
    with Intake(folder, objects, "here") as opened:
        yield Hub(opened, objects, [])


def test_a_session_is_brought_in_whole_and_with_what_came_since(hub):
    hub.hands_over(ONE, source="insoles", host="pi", end_reason="restart")
    assert hub.look() == ["Session 11111111 of bay bay-1: brought in"]
    found = hub.session(ONE)
    assert (found.state, found.end_reason, found.entries) == ("ended", "restart", 6)
    assert (found.source, found.host, found.player_id) == ("insoles", "pi", None)
    kept = list(hub.intake._store.batches(ONE))
    assert sum(map(len, kept)) == 6
    assert hub.look() == []
    hub.hands_over(ONE, 10, 3, source="insoles", end_reason="stop")  # its insole's log
    assert hub.look() == ["Session 11111111 of bay bay-1: brought in"]
    assert hub.session(ONE).entries == 10


def test_results_are_made_by_the_limits_that_the_bay_says(hub, monkeypatch):
    asked: list[Any] = []
    whole = results.reanalyse

    def reanalyse(store: Any, key: str, said: Any, limits: Any) -> Any:
        asked.append((key, limits))
        return whole(store, key, said, None)

    monkeypatch.setattr(results, "reanalyse", reanalyse)
    hub.hands_over(ONE, results={"push_rolled": 0.3})
    hub.hands_over(TWO, results="of a stranger")
    hub.look()
    assert asked == [(ONE, {"push_rolled": 0.3}), (TWO, None)]


def test_one_that_was_deleted_while_it_was_brought_in_is_gone(hub):
    hub.hands_over(ONE)
    hub.look()
    handedover.begin(hub.intake._store, intake._session(row(ONE), None))
    hub.intake._register.log.delete([("session", ONE)], "coach")
    with hub.intake._store.database.writing() as db:
        db.execute("UPDATE sessions SET state = 'open'")
    hub.intake._uploads.delete(ONE)
    hub.look()
    with pytest.raises(StoreError):
        hub.session(ONE)


def test_all_is_brought_in_again_of_the_objects_and_what_is_spoilt_stays(hub):
    for key in (ONE, TWO):
        hub.hands_over(key)
    hub.look()
    hub.said.clear()
    assert hub.intake.rebuild(hub.said.append) == 0
    assert hub.said == [f"Session {key[:8]} of bay bay-1: brought in" for key in (ONE, TWO)]
    (name,) = [each for each in hub.objects.names("sessions") if TWO in each and "head" not in each]
    hub.objects.put(name, b"spoilt")
    hub.said.clear()
    assert hub.intake.rebuild(hub.said.append) == 1
    spoilt, brought = hub.said
    assert spoilt.startswith("Session 22222222 of bay bay-1: object ")
    assert brought == "Session 11111111 of bay bay-1: brought in"
    assert {hub.session(key).entries for key in (ONE, TWO)} == {6}


def test_rows_that_the_tables_lost_are_made_again(hub):
    hub.hands_over(ONE)
    hub.look()
    with hub.intake._engine.begin() as db:
        db.execute(SESSION.delete())
    hub.said.clear()
    assert hub.intake.rebuild(hub.said.append) == 0
    assert hub.said[0] == "Sessions that the tables had lost: 1"
    assert hub.session(ONE).entries == 6


def test_tables_that_refuse_end_the_look(world):
    world.rows = [row(ONE), row(TWO)]
    world.fails[ONE] = sa.exc.OperationalError("x", {}, Exception("is away"))
    with pytest.raises(StoreError):
        world.look()
    assert world.brought == [ONE] and world.said == []


def test_what_lies_about_is_deleted(hub):
    hub.objects.put(f"pieces/{ONE}/00000001.{'0' * 64}", b"x")
    hub.intake.tidy()
    assert list(hub.objects.names("pieces")) == []


@pytest.mark.parametrize(("url", "is_asked"), [("http://here:1", True), (None, False)])
def test_a_hub_without_a_database_asks_none(tmp_path, empty, url, is_asked):
    folder = Path(shutil.copytree(empty, tmp_path / "hub"))
    settings = config.load(None, {"PLANTIGRADE_TSDB_URL": url} if url else {})
    with Intake(folder, Objects(MemoryStore(), None), "here", settings) as opened:
        assert (opened._config is settings) is is_asked
        opened._deletions.ask([DEAD])
        assert (opened._deletions.waiting(DATABASE) == {DEAD}) is is_asked


def test_what_a_killed_hub_deleted_is_wiped_at_its_next_start(tmp_path, monkeypatch):
    """The desk has the store open all the while, so that no close cuts its log."""
    objects = Objects(MemoryStore(), None)
    Intake(tmp_path, objects, "here").close()
    with Store.open(store_path(tmp_path)) as store:
        session = store.create_session("source-that-goes", analysis_version=1)
        store.end_session(session, "stop")
        with monkeypatch.context() as killed:
            killed.setattr(store.database, "wipe", lambda: None)
            store.delete_session(session)
        assert b"source-that-goes" in everything(store.path)
        Intake(tmp_path, objects, "here").close()
        assert b"source-that-goes" not in everything(store.path)
