"""A hub and real bays, each bay's own hand-over process's work over a real socket, end to end."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import httpx2
import pytest
from click.testing import CliRunner
from tests.support.bay import until
from tests.support.hub import Site, pieces_of, recorded, served, site
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.config import load
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.uploads import Uploads
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.backup import take
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.restore import restore
from plantigrade_gateway.people.tables import SERVER
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync import records
from plantigrade_gateway.sync.messages import Received
from plantigrade_gateway.sync.process import SyncProcess

pytestmark = pytest.mark.dear

PIECES = 5
"""Of the practice session: the stand, the walk and the first swings."""


class Bay:
    """A bay's store and its hand-over."""

    def __init__(self, folder: Path, token: str) -> None:
        folder.mkdir()
        (folder / "settings.toml").write_text("", "utf-8")
        self._folder = folder
        self._token = token
        self.said: list[str] = []
        self.store = Store.open(folder / "store.sqlite3")
        self.register = Register(self.store)

    def close(self) -> None:
        self.register.close()
        self.store.close()

    @contextlib.asynccontextmanager
    async def syncing(self, url: str) -> AsyncIterator[None]:
        names = {"PLANTIGRADE_HUB_URL": url, "PLANTIGRADE_HUB_TOKEN": self._token}
        config = load(self._folder / "settings.toml", names)
        work = SyncProcess(self.store.path, config, self.said.append)
        running = asyncio.create_task(work.run())
        try:
            yield
        finally:
            work.stop.set()
            await running


@pytest.fixture(params=["sqlite", "postgresql"])
def hub(request, tmp_path, monkeypatch):
    """A hub on each engine; the bays' own tables stay in their files."""
    if request.param == "sqlite":
        with site(tmp_path / "hub") as made:
            yield made
        return
    with request.getfixturevalue("server").people() as url:
        with monkeypatch.context() as patch:
            patch.setenv(SERVER, url)
            entered = contextlib.ExitStack()
            made = entered.enter_context(site(tmp_path / "hub"))
        made.people_url = url
        with entered:
            yield made


@pytest.fixture
def bays(hub, tmp_path):
    made = [Bay(tmp_path / name, hub.token(name)) for name in ("one", "two")]
    yield made
    for bay in made:
        bay.close()


def at_hub(hub: Site, monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], Any]], Any]:
    """Return what does something as a program of the hub's machine does: by its tables."""

    def do(work: Callable[[], Any]) -> Any:
        with monkeypatch.context() as patch:
            if hub.people_url:
                patch.setenv(SERVER, hub.people_url)
            return work()

    return do


def looked(hub: Site) -> None:
    with hub.intake() as intake:
        intake.look()


def at_desk(hub: Site) -> Register:
    return Register(hub.store)


@pytest.mark.slow
async def test_sessions_players_and_deletions_travel(hub, bays, monkeypatch):
    do = at_hub(hub, monkeypatch)
    one, two = bays
    uploads = Uploads(hub.engine, Objects.of(hub.place))
    desk: Register = do(lambda: at_desk(hub))
    with contextlib.closing(desk), served(hub.app) as url:
        ann = desk.add(name="Ann Example", handedness="left")
        async with one.syncing(url), two.syncing(url):
            # Registered at the hub, known in each bay.
            await until(lambda: one.register.name(ann) == two.register.name(ann) == "Ann Example")

            # Recorded in a bay, at the hub byte for byte, with the results that the bay has.
            one.register.anchor(ann)
            session = recorded(one.store, ann, PIECES)
            results.reanalyse(one.store, session)
            await until(lambda: [row.is_whole for row in uploads.rows()] == [True])
            do(lambda: looked(hub))
            assert pieces_of(hub.store, session) == pieces_of(one.store, session)
            assert list(hub.store.events(session)) == list(one.store.events(session))
            here, there = hub.store.session(session), one.store.session(session)
            assert (here.source, here.host, here.end_reason) == (
                there.source,
                there.host,
                there.end_reason,
            )
            assert here.player_id == ann
            assert abs((here.started - there.started).total_seconds()) < 0.001
            assert here.started.utcoffset() == there.started.utcoffset()

            # What is said travels both ways, and to the other bay.
            Visits(one.register).note(session, 10.0, "said at bay one")
            desk.decide(ann, "push", "go", here.started.date(), cue="roll")
            first = results.read(one.store, session).swings[0]
            Visits(desk).exclude(session, first, "said at the desk")
            registers = (one.register, two.register, desk)
            await until(
                lambda: all([d.cue for d in r.decisions(ann)] == ["roll"] for r in registers)
            )
            await until(lambda: all(len(r.log.changes("session", session)) == 2 for r in registers))
            assert Visits(one.register).read(session).excluded.keys() == {0}

            # Deleted at the desk: nothing is left anywhere, and all have confirmed.
            do(lambda: delete_player(desk, ann))
            do(lambda: looked(hub))

            def confirmed() -> dict[str, bool]:
                return {one.place: one.confirmed is not None for one in Deletions(hub.engine).all()}

            await until(
                lambda: (
                    confirmed()
                    == dict.fromkeys(("archive", "bay one", "bay two", "hub here"), True)
                )
            )
            receipts = {row.place: dict(row.receipt or {}) for row in Deletions(hub.engine).all()}
            assert receipts["bay one"]["sessions"] == receipts["hub here"]["sessions"] == [session]
            for store in (one.store, two.store, hub.store):
                assert store.sessions() == []
            for register in registers:
                assert ann not in register.profiles()
            assert list(Objects.of(hub.place).names("sessions")) == []


@pytest.mark.slow
async def test_deleted_at_a_bay(hub, bays, monkeypatch):
    do = at_hub(hub, monkeypatch)
    one, two = bays
    bea = two.register.add(name="Bea Example", handedness="right")
    session = recorded(one.store, pieces=PIECES)
    with served(hub.app) as url:
        async with one.syncing(url), two.syncing(url):
            await until(lambda: one.register.name(bea) is not None)
            assign(one.register, session, bea)
            uploads = Uploads(hub.engine, Objects.of(hub.place))
            await until(
                lambda: [(row.is_whole, row.player_id) for row in uploads.rows()] == [(True, bea)]
            )
            do(lambda: looked(hub))
            assert hub.store.session(session).player_id == bea
            delete_player(two.register, bea)
            await until(lambda: one.store.sessions() == [])
            do(lambda: looked(hub))
            assert hub.store.sessions() == []
            assert list(Objects.of(hub.place).names("sessions")) == []
            await until(
                lambda: (
                    all(one.confirmed for one in Deletions(hub.engine).all())
                    and len(list(Deletions(hub.engine).all())) == 4
                )
            )


@pytest.mark.slow
async def test_a_session_given_to_another_player_at_the_desk_is_theirs_in_its_bay(
    hub, bays, monkeypatch
):
    """The wrong lift was chosen at the bay; then the bay says otherwise, and the last word stands.

    At last the player whose it is by then is deleted at the other bay: it goes everywhere.
    """
    do = at_hub(hub, monkeypatch)
    one, two = bays
    desk: Register = do(lambda: at_desk(hub))
    uploads = Uploads(hub.engine, Objects.of(hub.place))
    with contextlib.closing(desk), served(hub.app) as url:
        ann, bea = (desk.add(name=name, handedness="left") for name in ("Ann", "Bea"))
        async with one.syncing(url), two.syncing(url):
            await until(lambda: one.register.name(bea) == "Bea" and one.register.name(ann))
            one.register.anchor(ann)
            session, kept = recorded(one.store, ann, PIECES), recorded(one.store, ann, PIECES)

            def whose() -> dict[str, tuple[str | None, ...]]:
                do(lambda: looked(hub))
                rows = {row.session_id: row.player_id for row in uploads.rows()}
                here = {s.session_id: s.player_id for s in one.store.sessions()}
                there = {s.session_id: s.player_id for s in hub.store.sessions()}
                return {key: (here[key], rows.get(key), there.get(key)) for key in here}

            await until(lambda: whose() == {session: (ann,) * 3, kept: (ann,) * 3})
            do(lambda: assign(desk, session, bea, move=True))
            await until(lambda: whose() == {session: (bea,) * 3, kept: (ann,) * 3})
            assign(one.register, session, ann, move=True)
            await until(lambda: whose() == {session: (ann,) * 3, kept: (ann,) * 3})
            do(lambda: assign(desk, session, bea, move=True))
            delete_player(two.register, bea)
            await until(lambda: whose() == {kept: (ann,) * 3})
            assert [s.session_id for s in hub.store.sessions()] == [kept]
            (dead,) = (row for row in uploads.rows() if row.is_deleted)
            assert dead.session_id == session


@pytest.mark.slow
async def test_what_was_cut_in_the_middle_is_whole_in_the_end(hub, bays, monkeypatch):
    """The hub's server ends while pieces come, and is another one, at another port, later."""
    do = at_hub(hub, monkeypatch)
    one, _ = bays
    session = recorded(one.store, pieces=PIECES)
    uploads = Uploads(hub.engine, Objects.of(hub.place))
    count = len(pieces_of(one.store, session))

    def there() -> int:
        return sum(row.pieces for row in uploads.rows())

    with monkeypatch.context() as full, served(hub.app) as url:
        whole = Uploads.take

        def take(self: Uploads, *given: Any) -> Received:
            if there() > 20:
                raise StoreError("no room")
            return whole(self, *given)

        full.setattr(records, "PIECES_AT_ONCE", 5)
        full.setattr(Uploads, "take", take)
        async with one.syncing(url):
            await until(lambda: there() > 20)
    assert 20 < there() < count
    with served(hub.app) as url:
        async with one.syncing(url):
            await until(lambda: [row.is_whole for row in uploads.rows()] == [True])
    do(lambda: looked(hub))
    assert pieces_of(hub.store, session) == pieces_of(one.store, session)


@pytest.mark.slow
async def test_a_withdrawn_bay_hands_nothing_over(hub, bays):
    one, _ = bays
    Bays(hub.engine).withdraw("one")
    recorded(one.store, pieces=PIECES)
    with served(hub.app) as url:
        async with one.syncing(url):
            await until(lambda: any("credential" in text for text in one.said))
        assert httpx2.get(f"{url}/bay/v1/sessions/{'0' * 32}", timeout=HANG_S).status_code == 401
    assert Uploads(hub.engine, Objects.of(hub.place)).rows() == []


@pytest.mark.slow
async def test_a_hub_that_was_restored_gets_back_what_its_desk_said(tmp_path):
    """Said before the backup, after it and after the restoring; one was deleted after it.

    On tables in its own file: a restoring takes nothing away from those on a server.
    """
    entered = contextlib.ExitStack()
    hub = entered.enter_context(site(tmp_path / "hub"))
    one, two = (Bay(tmp_path / name, hub.token(name)) for name in ("one", "two"))
    entered.callback(one.close)
    entered.callback(two.close)
    with entered, served(hub.app) as url, contextlib.closing(at_desk(hub)) as desk:
        ann, gone = (desk.add(name=name, handedness="left") for name in ("Ann", "Bea"))
        async with one.syncing(url), two.syncing(url):
            await until(lambda: one.register.name(gone) and two.register.name(gone))
            made = take(hub.store.path, tmp_path / "hub.tar")
            desk.edit(ann, mass_kg=61.5)
            delete_player(desk, gone)
            late = desk.add(name="Cyd", handedness="right")
            await until(
                lambda: all(
                    bay.register.name(late) and gone in bay.register.log.deleted(PLAYER)
                    for bay in (one, two)
                )
            )
        new = tmp_path / "new" / "hub.sqlite3"
        new.parent.mkdir()
        restore(made.path, new)
        with site(new.parent, hub.place) as again, contextlib.closing(at_desk(again)) as desk:
            assert desk.name(late) is None and desk.profile(ann).mass_kg is None
            assert desk.name(gone) == "Bea"
            dee = desk.add(name="Dee", handedness="left")
            done = CliRunner().invoke(main, ["hub", "recover", "--data", str(new.parent)])
            assert done.exit_code == 0, done.output
            with served(again.app) as url:
                async with one.syncing(url), two.syncing(url):
                    await until(lambda: desk.name(late) == "Cyd" and one.register.name(dee))
                    await until(lambda: gone in desk.log.deleted(PLAYER))
            assert desk.profile(ann).mass_kg == 61.5 and desk.name(gone) is None


def test_a_hub_that_was_not_restored_has_nothing_to_recover(tmp_path):
    with site(tmp_path / "hub") as hub, Register(hub.store) as desk:
        desk.add(name="Ann", handedness="left")
        hub.client().post("/bay/v1/changes", json={"changes": [], "restamps": [], "has": {}})
    done = CliRunner().invoke(main, ["hub", "recover", "--data", str(tmp_path / "hub")])
    assert done.exit_code == 2 and "this hub has no place of before" in done.output
