"""How the desk counts, names and refuses, on sessions put together by hand."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from tests.support.cases import VisitMaker, pushes
from tests.support.records import packets

from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.reads import (
    DeskStore,
    NotPrepared,
    NotThere,
    Opened,
    SessionPage,
    _checks_and_sets,
    _counted,
    shown_of,
)


def test_each_name_comes_once_with_how_often():
    assert _counted(["stand", "walk", "stand", "stand"]) == ("stand\xa0×\xa03", "walk")
    assert _counted([]) == ()


def test_checks_and_sets_are_told_by_the_marks():
    texts = ["check: stand 1", "check: stand 2", "check: again", "set: full", "new grip"]
    texts += ["check: walk 1", "check: set again", "set: full", "set: smooth"]
    marks = tuple(Mark(float(k), text) for k, text in enumerate(texts))
    assert _checks_and_sets(marks) == (
        ("stand\xa0×\xa02", "walk"),
        ("full\xa0×\xa02", "smooth"),
    )


def opened(**more: Any) -> Opened:
    found = VisitMaker().swung("full", pushes(2, 0)).swung("smooth", pushes(1, 0)).visit().analysis
    line = SimpleNamespace(session=SimpleNamespace(session_id="s1", state="ended"))
    return Opened(cast(Any, line), found, found.sets, more.get("kept"))


def test_swings_and_sets_are_numbered_from_1():
    one = opened()
    swings = one.found.swings
    assert one.session_id == "s1"
    assert one.numbers == {swing.first_index: n for n, swing in zip((1, 2, 3), swings, strict=True)}
    assert [one.swing(n) for n in (1, 2, 3)] == list(swings)
    assert (one.run(1).intent, one.run(2).intent) == ("full", "smooth")
    for number in (0, 4, -1):
        with pytest.raises(NotThere) as caught:
            one.swing(number)
        assert str(caught.value) == f"swing {number}: this session has 3 swings"
    for number in (0, 3):
        with pytest.raises(NotThere) as caught:
            one.run(number)
        assert str(caught.value) == f"set {number}: this session has 2 sets"


def test_swings_are_named_and_numbered_within_their_sets():
    made = opened().found
    found = SimpleNamespace(whole_sets=made.sets)
    one = Opened(cast(Any, None), cast(Any, found), (), None)
    keys = [swing.first_index for swing in made.swings]
    assert one.numbers_in_set == dict(zip(keys, (1, 2, 1), strict=True))
    names = (made.sets[0].name, made.sets[0].name, made.sets[1].name)
    assert one.set_names == dict(zip(keys, names, strict=True))


def test_what_is_not_prepared_is_prepared_but_of_one_that_is_being_recorded():
    kept: Any = object()
    state = SimpleNamespace(session_id="s1", state="open")
    assert shown_of(cast(Session, state), kept) is kept
    with pytest.raises(NotThere, match="session s1: is still being recorded"):
        shown_of(cast(Session, state), None)
    with pytest.raises(NotPrepared):
        shown_of(cast(Session, SimpleNamespace(session_id="s1", state="ended")), None)
    with pytest.raises(NotPrepared):
        _ = opened().shown


def test_without_a_store_nothing_is_listed(tmp_path: Path):
    desk = DeskStore(tmp_path / "none.sqlite3")
    assert desk.sessions("x", 3) == SessionPage((), 0, 1, 1)
    assert (desk.players(""), desk.found_players("")) == ([], [])
    desk.close()


@pytest.fixture(scope="module")
def store_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two invented players, and two sessions of nobody."""
    path = tmp_path_factory.mktemp("reads") / "store.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        register.add(name="Bo", handedness="left")
        register.add(name="Ada", handedness="right")
        for _ in range(2):
            session = store.create_session("test", analysis_version=1)
            store.append(session, packets(4))
            store.end_session(session, "stop")
    return path


def test_a_page_of_the_list_is_the_nearest_there_is(store_path: Path, monkeypatch):
    monkeypatch.setattr("plantigrade_gateway.web.desk.reads.ROWS", 1)
    desk = DeskStore(store_path)
    pages = [desk.sessions("", page) for page in (-1, 1, 2, 3)]
    assert [(page.page, page.pages, page.total) for page in pages] == [
        (1, 2, 2),
        (1, 2, 2),
        (2, 2, 2),
        (2, 2, 2),
    ]
    ids = [[row.line.session.session_id for row in page.rows] for page in pages]
    assert ids[0] == ids[1] != ids[2] == ids[3] and [len(some) for some in ids] == [1] * 4
    desk.close()


def test_a_store_is_made_only_where_that_is_asked_for(tmp_path: Path):
    desk = DeskStore(tmp_path / "new.sqlite3")
    with pytest.raises(StoreError), desk.writing():
        pass
    assert not desk.path.exists()
    with desk.writing(create=True) as register:
        register.add(name="Ada", handedness="left")
    assert [row.profile.name for row in desk.players("")] == ["Ada"]
    desk.close()


def test_sessions_and_players_are_looked_up(store_path: Path):
    desk = DeskStore(store_path)
    found = desk.sessions()
    assert (found.total, found.page, found.pages, len(found.rows)) == (2, 1, 1, 2)
    assert {(row.good, row.left_out, row.checks, row.sets) for row in found.rows} == {
        (0, 0, (), ())
    }
    newest = found.rows[0].line.session
    assert newest.started >= found.rows[1].line.session.started
    first = found.rows[1].line.session.session_id
    assert [row.line.session.session_id for row in desk.sessions(first).rows] == [first]
    assert desk.sessions(f"{newest.started:%Y-%m-%d}").total == 2
    assert desk.sessions("nobody").total == 0
    assert desk.sessions("", 7).page == 1 and desk.sessions("", -1).page == 1
    names = desk.register.names()
    ada = next(key for key, name in names.items() if name == "Ada")
    assert [name for _, name in desk.names_but(None)] == ["Ada", "Bo"]
    assert [name for _, name in desk.names_but(ada)] == ["Bo"]
    assert desk.player(ada).name == "Ada"
    with pytest.raises(NotThere) as caught:
        desk.player("00ff")
    assert str(caught.value) == "player 00ff: not in the store (any more)"
    with pytest.raises(NotThere) as caught:
        desk.session("00ff")
    assert str(caught.value) == "session 00ff: not in the store (any more)"
    assert desk.session(first).session_id == first
    with pytest.raises(NotPrepared):
        desk.kept(first)
    desk.close()
    assert desk.session(first).session_id == first  # it opens again
    desk.close()


def test_a_store_that_is_closed_is_let_go_and_opened_again(store_path: Path):
    """Both its own connection and the players'."""
    desk = DeskStore(store_path)
    for _ in range(2):
        store, register = desk.store, desk.register
        assert desk.store is store and desk.register is register
        desk.close()
        with pytest.raises(StoreError):
            store.sessions()
        desk.close()


def test_the_pages_only_read_unless_something_is_said(store_path: Path):
    desk = DeskStore(store_path)
    with pytest.raises(StoreError):
        desk.store.create_session("test", analysis_version=1)
    desk.close()
