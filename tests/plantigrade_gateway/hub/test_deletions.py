"""A player deleted at the desk or at a bay: nothing is left, nothing is taken, all must confirm."""

from contextlib import ExitStack
from pathlib import Path

import httpx2
import pytest
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
from tests.support.servers import Victoria, free_port, until
from tests.support.waiting import HANG_S

from plantigrade_gateway import config
from plantigrade_gateway.converter import plain
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.hub import intake
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.uploads import Uploads
from plantigrade_gateway.people import deletion
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.tables import SERVER, migrate, writing
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear
UNDER_WAY = "cd" * 16


@pytest.fixture(params=["sqlite", "postgresql"])
def hub(request, tmp_path, monkeypatch):
    """A hub on each engine."""
    if request.param == "sqlite":
        with site(tmp_path / "hub") as made:
            yield made
        return
    with request.getfixturevalue("server").people() as url:
        monkeypatch.setenv(SERVER, url)
        with site(tmp_path / "hub") as made:
            yield made


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    with Store.open(tmp_path_factory.mktemp("bay") / "bay.sqlite3") as bay:
        session = recorded(bay)
        return session, pieces_of(bay, session)[:30]


def looked(hub: Site, name: str = "here", folder: Path | None = None) -> None:
    with hub.intake(name, folder) as intake:
        intake.look()


def places(hub: Site) -> dict[str, bool]:
    return {one.place: one.confirmed is not None for one in Deletions(hub.engine).all()}


def with_a_player(hub: Site, practice) -> str:
    """Register a player who has a whole session, and one that is under way."""
    session, pieces = practice
    with Register(hub.store) as register:
        player = register.add(name="Ann", handedness="left")
    handed_over(hub.client(), session, pieces, player)
    hub.client().put(f"/bay/v1/sessions/{UNDER_WAY}", json=head_of(UNDER_WAY, player))
    put_piece(hub.client(), UNDER_WAY, 0, pieces[0])
    looked(hub)
    assert [s.player_id for s in hub.store.sessions()] == [player]
    return player


def nothing_is_left(hub: Site, practice, player: str) -> None:
    session, pieces = practice
    objects = Objects.of(hub.place)
    assert [*objects.names("pieces"), *objects.names("sessions")] == []
    assert hub.store.sessions() == []
    rows = {row.session_id: row for row in Uploads(hub.engine, objects).rows()}
    for key in (session, UNDER_WAY):
        assert (rows[key].is_deleted, rows[key].player_id, rows[key].about) == (True, None, "{}")
        url = f"/bay/v1/sessions/{key}"
        answers = [
            hub.client().put(url, json=head_of(key)),
            put_piece(hub.client(), key, 1, pieces[1]),
            hub.client().post(f"{url}/end", json=end_of(pieces)),
        ]
        assert {answer.status_code for answer in answers} == {410}
        assert hub.client().get(url).json()["is_deleted"]
    late = "ee" * 16
    assert (
        hub.client().put(f"/bay/v1/sessions/{late}", json=head_of(late, player)).status_code == 410
    )
    hub.client().put(f"/bay/v1/sessions/{late}", json=head_of(late))
    told = hub.client().post(f"/bay/v1/sessions/{late}/end", json=end_of([], player))
    assert told.status_code == 410


@pytest.mark.slow
def test_a_player_deleted_at_the_desk(hub, practice):
    hub.token("two")
    hub.token("gone")
    Bays(hub.engine).withdraw("gone")
    player = with_a_player(hub, practice)
    with Register(hub.store) as register:
        receipt = delete_player(register, player)
    assert receipt.places == ("archive", "bay one", "bay two", "hub here")
    assert any("bay two" in line for line in receipt.lines())
    assert put_piece(hub.client(), UNDER_WAY, 1, practice[1][1]).status_code == 410  # at once
    looked(hub)
    nothing_is_left(hub, practice, player)
    assert places(hub) == {"archive": True, "bay one": False, "bay two": False, "hub here": True}
    body = {"receipt": {"player": player, "sessions": ["a"]}}
    for _ in range(2):
        assert hub.client("two").put(f"/bay/v1/deleted/{player}", json=body).status_code == 200
    assert places(hub) == {"archive": True, "bay one": False, "bay two": True, "hub here": True}
    (two,) = (one for one in Deletions(hub.engine).all() if one.place == "bay two")
    assert two.receipt == body["receipt"]


@pytest.mark.slow
def test_a_player_deleted_at_a_bay(hub, practice, tmp_path, monkeypatch):
    """The bay's tombstones come as changes, its receipt by itself."""
    player = with_a_player(hub, practice)
    hub.client("two").put(f"/bay/v1/deleted/{player}", json={"receipt": {"player": player}})
    told_deleted(hub, tmp_path, monkeypatch, ("player", player), ("session", practice[0]))
    looked(hub)
    nothing_is_left(hub, practice, player)
    assert places(hub) == {"archive": True, "bay one": False, "bay two": True, "hub here": True}


def test_a_hub_confirms_when_nothing_is_left_in_its_files(hub, tmp_path, monkeypatch):
    """Of a player whom it knew from the log alone, and while nobody can cut the files."""
    with Register(hub.store) as register:
        player = register.add(name="Ann Nowhere", handedness="left")
    hub.store.database.wipe()  # into the file, where a tombstone alone takes it from its log
    told_deleted(hub, tmp_path, monkeypatch, ("player", player))

    def holds_the_name() -> bool:
        files = hub.store.path.parent.glob(f"{hub.store.path.name}*")
        return b"Ann" in b"".join(file.read_bytes() for file in files)

    assert holds_the_name() == (hub.engine.dialect.name == "sqlite")
    with monkeypatch.context() as patch:
        patch.setattr(deletion, "scrubbed", lambda _: "somebody reads the tables")
        looked(hub)
        assert places(hub)["hub here"] is False
    looked(hub)
    assert places(hub)["hub here"] is True and not holds_the_name()


def told_deleted(hub: Site, tmp_path: Path, monkeypatch, *gone: tuple[str, str]) -> None:
    """Let bay two say that it has deleted something."""
    with (
        monkeypatch.context() as at_the_bay,
        Store.open(tmp_path / "bay.sqlite3") as bay,
        ExitStack() as stack,
    ):
        at_the_bay.delenv(SERVER, raising=False)  # its tables lie in its own file
        register = stack.enter_context(Register(bay))
        register.log.merge([])
        register.log.delete(gone, "coach")
        body = {
            "changes": [plain(one) for one in register.log.since({}, 500)],
            "restamps": [],
            "has": register.log.seen(),
        }
    assert hub.client("two").post("/bay/v1/changes", json=body).status_code == 200


@pytest.mark.slow
def test_a_deletion_is_begun_again_until_the_archive_has_done_it(hub, practice, monkeypatch):
    player = with_a_player(hub, practice)
    with Register(hub.store) as register:
        delete_player(register, player)

    def refuse(*_: object) -> None:
        raise StoreError("object store: refuses")

    with monkeypatch.context() as patch:
        patch.setattr(Objects, "delete_all", refuse)
        for _ in range(2):
            looked(hub)  # says it, and holds up nothing else
            assert places(hub)["archive"] is False
    looked(hub)
    nothing_is_left(hub, practice, player)
    assert places(hub)["archive"] is True


def test_each_hub_of_a_site_deletes_and_confirms(hub, practice, tmp_path):
    """Two hubs on one set of tables: of PostgreSQL only, a file has one hub."""
    if hub.engine.dialect.name != "postgresql":
        with hub.intake("there", tmp_path / "there") as other:
            other.look()  # another file: another site, which knows nothing of this one
            assert list(Deletions(other._engine).all()) == []
        return
    player = with_a_player(hub, practice)
    looked(hub, "there", tmp_path / "there")
    with Store.open(tmp_path / "there" / "hub.sqlite3") as other:
        assert pieces_of(other, practice[0]) == practice[1]
        with Register(hub.store) as register:
            delete_player(register, player)
        looked(hub)
        assert places(hub) == {
            "archive": True,
            "bay one": False,
            "hub here": True,
            "hub there": False,
        }
        looked(hub, "there", tmp_path / "there")
        assert other.sessions() == [] and places(hub)["hub there"]


def sent(database: Victoria, *players: str) -> None:
    """Send a point of each, as a bay does."""
    lines = "\n".join(f'plantigrade_swing_push{{player="{key}"}} 1' for key in players)
    answer = httpx2.post(f"{database.url}/api/v1/import/prometheus", content=lines, timeout=HANG_S)
    assert answer.status_code == 204
    until(lambda: points_of(database) >= set(players))  # written, and in the sight of a deletion


def points_of(database: Victoria) -> set[str]:
    return {one["metric"]["player"] for one in database.series()}


@pytest.mark.slow
def test_a_player_is_deleted_from_the_database_until_no_bay_can_send(
    hub, practice, victoria, monkeypatch
):
    monkeypatch.setattr(intake, "DATABASE_EVERY_S", 0.0)
    settings = config.load(environment={"PLANTIGRADE_TSDB_URL": victoria.url})
    hub.token("two")
    player, other = with_a_player(hub, practice), "ab" * 16
    sent(victoria, player, other)
    said: list[str] = []
    with hub.intake(config=settings) as here:
        with Register(hub.store) as register:
            receipt = delete_player(register, player)
        assert receipt.places == ("archive", "bay one", "bay two", "database", "hub here")
        here.look(said.append)
        assert points_of(victoria) == {other}
        assert places(hub)["database"] is False  # a bay may have some that wait
        hub.client("one").put(f"/bay/v1/deleted/{player}", json={"receipt": {}})
        sent(victoria, player)  # the other bay comes back with what waited there
        here.look(said.append)
        assert points_of(victoria) == {other} and places(hub)["database"] is False
        hub.client("two").put(f"/bay/v1/deleted/{player}", json={"receipt": {}})
        sent(victoria, player)  # on its way when that bay confirmed
        here.look(said.append)
        assert points_of(victoria) == {other} and places(hub)["database"] is False
        here.look(said.append)
    (database,) = (one for one in Deletions(hub.engine).all() if one.place == "database")
    assert database.confirmed is not None and database.receipt == {"series": 3}
    assert all(places(hub).values())
    assert sum(line.endswith("1 series deleted from the database") for line in said) == 3


@pytest.mark.slow
def test_a_database_that_is_away_is_waited_for_and_said_once(hub, practice, monkeypatch):
    monkeypatch.setattr(intake, "DATABASE_EVERY_S", 0.0)
    address = f"http://127.0.0.1:{free_port()}"
    settings = config.load(environment={"PLANTIGRADE_TSDB_URL": address})
    player = with_a_player(hub, practice)
    said: list[str] = []
    with hub.intake(config=settings) as here:
        with Register(hub.store) as register:
            delete_player(register, player)
        for _ in range(2):
            here.look(said.append)
    (line,) = (line for line in said if "database" in line)
    assert line.startswith(f"Player {player[:8]}: not deleted from the database: ")
    done = {place for place, is_done in places(hub).items() if is_done}
    assert done == {"archive", "hub here"} and "database" in places(hub)


def test_a_hub_whose_settings_name_no_database_any_more_asks_none(hub, practice):
    named = config.load(environment={"PLANTIGRADE_TSDB_URL": "http://127.0.0.1:9"})
    hub.intake(config=named).close()
    with Register(hub.store) as register:
        assert "database" in register.places()
        hub.intake().close()  # a command, which was not told
        assert "database" in register.places()
        hub.intake(config=config.load(environment={})).close()
        assert "database" not in register.places()


@pytest.mark.slow
def test_a_bay_that_is_no_more_is_waited_for_no_longer_and_what_it_recorded_stays(hub, practice):
    """Bay three has handed over a session of a player who stays, and never confirms the other's."""
    bays, deletions = Bays(hub.engine), Deletions(hub.engine)
    gone = with_a_player(hub, practice)
    with Register(hub.store) as register:
        stays = register.add(name="Bo", handedness="left")
    kept = "ee" * 16
    hub.client("three").put(f"/bay/v1/sessions/{kept}", json=head_of(kept, stays))
    with Register(hub.store) as register:
        delete_player(register, gone)
    looked(hub)
    with pytest.raises(InputError, match="bay three: its credential is not withdrawn"):
        bays.forget("three")
    bays.withdraw("three")
    (waits,) = (one for one in deletions.all() if one.place == "bay three")
    assert "withdrawn before it confirmed" in waits.line(["three"])
    assert deletions.waiting("bay three") == {gone}
    bays.forget("three")
    (waits,) = (one for one in deletions.all() if one.place == "bay three")
    assert waits.forgotten is not None and waits.confirmed is None
    assert "forgotten" in waits.line() and "delete it there yourself" in waits.line()
    assert [bay.name for bay in bays.all()] == ["one"]
    (row,) = (
        one for one in Uploads(hub.engine, Objects.of(hub.place)).rows() if not one.is_deleted
    )
    assert (row.session_id, row.bay, row.player_id) == (kept, "three", stays)
    assert hub.client("three").get(f"/bay/v1/sessions/{kept}").status_code == 401
    for name in ("three", "four"):
        with pytest.raises(InputError, match="none that could be forgotten"):
            bays.forget(name)
    # The machine is found again: it is a bay like any other, and its deletion is waited for again.
    del hub.tokens["three"]
    hub.token("three")
    (waits,) = (one for one in deletions.all() if one.place == "bay three")
    assert waits.forgotten is None and "waited for since" in waits.line()
    told = hub.client("three").put(f"/bay/v1/deleted/{gone}", json={"receipt": {"player": gone}})
    assert told.status_code == 200 and places(hub)["bay three"]


def test_tables_of_before_bays_were_forgotten_are_brought_up_to_date(hub):
    """Version 5 of people's tables had no such column."""
    bays = Bays(hub.engine)
    bays.add("one")
    bays.withdraw("one")
    with writing(hub.engine).begin() as db:
        db.exec_driver_sql("ALTER TABLE hub_bay DROP COLUMN forgotten_ms")
        db.exec_driver_sql("DELETE FROM people_version WHERE version > 5")
    migrate(hub.engine)
    bays.forget("one")
    assert bays.all() == []
