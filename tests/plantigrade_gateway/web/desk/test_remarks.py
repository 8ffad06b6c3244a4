"""A swing is left out, and counted again, on its own page. The practice session is invented."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.practice import practice_copy, store_practice

from plantigrade_gateway.people.visits import read_session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.prepare import prepare
from plantigrade_gateway.web.desk.routes import desk_router

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("remarks") / "store.sqlite3"
    with Store.open(path) as store:
        prepare(store, store_practice(store, 130_000_000_000))
    return path


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Iterator[Store]:
    with Store.open(practice_copy(made, tmp_path)) as opened:
        yield opened


@pytest.fixture
def client(store: Store) -> Iterator[TestClient]:
    app = FastAPI()
    app.include_router(desk_router(store.path))
    with TestClient(app, follow_redirects=False) as client:
        yield client


@pytest.fixture
def page(store: Store) -> str:
    return f"/sessions/{store.sessions()[0].session_id}/swings/2"


def excluded(store: Store) -> dict[int, str]:
    found = read_session(store, store.sessions()[0].session_id)
    return {place: one.reason for place, one in found.excluded.items()}


def test_a_swing_is_left_out_with_its_reason_and_counted_again(store, client, page):
    assert "Leave it out" in client.get(page).text
    answer = client.post(page, data={"do": "leave out", "reason": "slipped"})
    assert (answer.status_code, answer.headers["location"]) == (303, page)
    assert excluded(store) == {1: "slipped"}
    shown = client.get(page).text
    assert "Left out of all numbers: slipped (coach, " in shown
    assert "Leave it out" not in shown
    assert client.post(page, data={"do": "count again"}).status_code == 303
    assert excluded(store) == {}


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"do": "leave out"}, "reason: is missing"),
        ({"do": "leave out", "reason": "a\nb"}, "expected one line"),
        ({"do": "count again"}, "is not left out"),
        ({"do": "burn"}, "expected leave out or count again"),
    ],
)
def test_what_cannot_be_done_says_so_on_the_page_and_changes_nothing(
    store, client, page, form, said
):
    answer = client.post(page, data=form)
    assert answer.status_code == 422
    assert said in answer.text
    assert excluded(store) == {}


def test_a_swing_that_is_not_there_is_not_left_out(store, client, page):
    answer = client.post(page.replace("/2", "/999"), data={"do": "leave out", "reason": "x"})
    assert answer.status_code == 404
    assert excluded(store) == {}


def test_a_reason_is_shown_as_it_was_typed(store, client, page):
    client.post(page, data={"do": "leave out", "reason": '<b>half</b> & "done"'})
    assert "&lt;b&gt;half&lt;/b&gt; &amp;" in client.get(page).text
