"""The players' pages on a store without a session: what is listed, refused and led to."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI, Response
from fastapi.testclient import TestClient
from tests.support.pagetext import text_of
from tests.support.records import packets

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import Profile
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import players
from plantigrade_gateway.web.desk.players import next_check
from plantigrade_gateway.web.desk.routes import desk_router


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with three invented players."""
    path = tmp_path_factory.mktemp("players") / "store.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        for name in ("Mia Muster", "Bo Beispiel", "Ada"):
            register.add(name=name, handedness="left")
    return path


@pytest.fixture
def register(path: Path) -> Iterator[Register]:
    with Store.open(path) as store, Register(store) as opened:
        yield opened


@pytest.fixture(scope="module")
def client(path: Path) -> Iterator[TestClient]:
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app, follow_redirects=False) as opened:
        yield opened


def key_of(register: Register, name: str) -> str:
    (key,) = register.search(name)
    return str(key)


def test_the_next_check_is_the_coachs_day_else_28_days_after_the_last_visit():
    last = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
    plain = Profile("p1", "Ada", "left")
    assert next_check(plain, None, built_in()) is None
    assert next_check(plain, last, built_in()) == date(2026, 3, 30)
    said = Profile("p1", "Ada", "left", next_check="2026-03-09")
    assert next_check(said, last, built_in()) == date(2026, 3, 9)
    assert next_check(said, None, built_in()) == date(2026, 3, 9)


def test_players_are_found_by_what_their_name_holds(client):
    page = text_of(client.get("/players"))
    assert page.index("Ada") < page.index("Bo Beispiel") < page.index("Mia Muster")
    found = text_of(client.get("/players?q=BEI"))
    assert "Bo Beispiel" in found and "Ada" not in found
    assert "Ada" in text_of(client.get("/players?page=99"))  # the nearest there is


def test_the_live_page_is_told_whose_consent_lacks(client, register):
    mia = key_of(register, "Mia")
    told = client.get("/players/choice.json").json()
    assert [one["name"] for one in told["players"]] == ["Ada", "Bo Beispiel", "Mia Muster"]
    assert {one["last"] for one in told["players"]} == {None} and told["lacks_consent"] == ""
    assert "Mia Muster" in client.get(f"/players/choice.json?player={mia}").json()["lacks_consent"]
    assert client.get("/players/choice.json?player=00ff").json()["lacks_consent"] == ""
    register.grant(mia, "record", "player", None)
    assert client.get(f"/players/choice.json?player={mia}").json()["lacks_consent"] == ""


def test_a_player_is_added_or_the_form_comes_back_as_it_was_typed(client, register):
    refused = client.post("/players", data={"name": "Ole", "handedness": "up", "shoe": "<red>"})
    assert refused.status_code == 422 and "&lt;red&gt;" in refused.text
    assert register.search("Ole") == []
    added = client.post("/players", data={"name": "Ole", "handedness": "right"})
    assert added.status_code == 303
    key = key_of(register, "Ole")
    assert added.headers["location"] == f"/players/{key}"


@pytest.mark.parametrize(
    ("part", "form"),
    [
        ("", {"name": "Bo Beispiel", "handedness": "left", "shoe": "blue"}),
        ("/consents", {"what": "record", "by": "player"}),
        ("/findings", {"hips": "limit", "hips_text": "left"}),
        ("/decisions", {"topic": "push", "answer": "go", "cue": "Roll."}),
    ],
)
def test_a_part_is_changed_and_led_back_to_or_refused_on_the_page(client, register, part, form):
    key = key_of(register, "Bo")
    if part == "/decisions":
        page = client.post(f"/players/{key}{part}", data={**form, "day": "soon"})
        assert "day: 'soon', expected a day as" in text_of(page, 422)
    done = client.post(f"/players/{key}{part}", data=form)
    shown = {"": "profile", "/decisions": "decided"}.get(part, part.strip("/"))
    assert (done.status_code, done.headers["location"]) == (303, f"/players/{key}#{shown}")
    if part == "":
        assert register.profile(key).shoe == "blue"
    elif part == "/consents":
        assert "given" in {one.state for one in register.consents(key, date.today())}
    elif part == "/findings":
        assert [one.text for one in register.findings(key)] == ["left"]
    else:
        assert "Roll." in {one.cue for one in register.decisions(key)}


def test_who_is_not_there_is_said(client):
    answer = client.get("/players/00ff/delete")
    assert "player 00ff: not in the store (any more)" in text_of(answer, 404)


def test_a_player_is_deleted_by_name_alone(client, register):
    key = register.add(name="Uta", handedness="left")
    assert client.get(f"/players/{key}/delete").status_code == 200
    refused = client.post(f"/players/{key}/delete", data={"name": "Ute"})
    assert "is not this player's, so nothing was deleted" in text_of(refused, 422)
    assert key in register.names()
    done = client.post(f"/players/{key}/delete", data={"name": "uta"})
    assert done.status_code == 200
    assert key not in register.names()


def test_a_session_is_given_to_a_player_and_not_away_from_another_unseen(client, register):
    store = register.store
    session = store.create_session("test", analysis_version=1)
    store.append(session, packets(4))
    store.end_session(session, "stop")
    here = f"/sessions/{session}"
    ada, bo = key_of(register, "Ada"), key_of(register, "Bo")

    def give(player: str, **more: str) -> Any:
        return client.post(f"{here}/player", data={"player": player, **more})

    assert give("00ff").status_code == 404
    assert store.session(session).player_id is None
    done = give(ada, seen="")
    assert (done.status_code, done.headers["location"]) == (303, here)
    assert store.session(session).player_id == ada
    assert give(ada, seen="").status_code == 303  # pressed twice
    refused = give(bo, seen="")
    assert "was given to Ada since this page was shown" in text_of(refused, refused.status_code)
    assert refused.status_code >= 400 and store.session(session).player_id == ada
    assert give(bo, seen=ada).status_code == 303
    assert store.session(session).player_id == bo
    assert give(ada).status_code == 303  # of a program, which was shown nothing
    assert store.session(session).player_id == ada


def test_a_decision_on_the_sheet_leads_back_to_it(client, register):
    ada, bo = key_of(register, "Ada"), key_of(register, "Bo")
    store = register.store
    session = store.create_session("test", analysis_version=1)
    store.append(session, packets(4))
    store.end_session(session, "stop")
    client.post(f"/sessions/{session}/player", data={"player": bo})
    form = {"topic": "speed", "answer": "go", "visit": session}
    sheet = f"/players/{bo}/sheet"
    assert client.post(f"/players/{ada}/sheet", data=form).status_code == 404
    assert client.get(f"/players/{ada}/sheet?visit={session}").status_code == 404
    assert register.decisions(ada) == []
    refused = client.post(sheet, data=form | {"day": "soon"})
    assert "day: 'soon', expected a day as" in text_of(refused, 422)
    done = client.post(sheet, data=form)
    assert (done.status_code, done.headers["location"]) == (303, f"{sheet}?visit={session}#decided")
    (one,) = [one for one in register.decisions(bo) if one.topic == "speed"]
    assert one.answer == "go"


# ---- files ----


def test_all_that_is_kept_of_a_player_is_packed_by_a_worker(client, register, path, monkeypatch):
    """Named by the id: the name of a player stands in no file's name."""
    asked: list[tuple[Any, ...]] = []

    async def download(work: Any, file: str, name: str) -> Response:
        asked.append((*work(Path("folder")), file, name))
        return Response("packed")

    monkeypatch.setattr(players, "download", download)
    key = key_of(register, "Mia")
    assert client.get(f"/players/{key}/export.zip").text == "packed"
    name = f"player-{key[:8]}"
    assert asked == [("player", str(path), key, f"folder/{name}", f"{name}.zip", f"{name}.zip")]
    assert client.get("/players/00ff/export.zip").status_code == 404


def test_the_page_to_take_home_is_of_its_paper_and_kept_by_nobody(client, register, monkeypatch):
    made: list[Any] = []

    def pdf(page: Any, paper: str) -> bytes:
        made.append(paper)
        return b"%PDF"

    monkeypatch.setattr(players, "pdf", pdf)
    monkeypatch.setattr(players, "page_of", lambda register, key, rules: key)
    key = key_of(register, "Mia")
    answer = client.get(f"/players/{key}/page.pdf")
    assert (answer.content, answer.headers["content-type"]) == (b"%PDF", "application/pdf")
    assert answer.headers["content-disposition"] == f'inline; filename="player-{key[:8]}.pdf"'
    assert answer.headers["cache-control"] == "no-store"
    assert client.get(f"/players/{key}/page.pdf?paper=letter").status_code == 200
    assert made == ["a4", "letter"]
    assert client.get(f"/players/{key}/page.pdf?paper=a3").status_code == 422
    assert client.get("/players/00ff/page.pdf").status_code == 404


def test_the_live_page_offers_who_was_here_last_first(pages, hand):
    """Then by name."""
    hand.register.add(name="Aaron Invented", handedness="left")
    told = pages.get("/players/choice.json").json()["players"]
    assert [(one["name"], one["last"]) for one in told] == [
        ("Ada Invented", "2026-03-16"),
        ("Aaron Invented", None),
        ("Bo Invented", None),
    ]


def test_a_player_s_page_lists_visits_and_the_next_check(pages, hand):
    """28 days after the last visit, by the program's own rules."""
    page = text_of(pages.get(f"/players/{hand.ada}"))
    assert page.index("2026-03-16") < page.index("2026-03-09") < page.index("2026-03-02")
    assert "2026-04-13" in page
    asks = text_of(pages.get(f"/players/{hand.ada}/delete"))
    assert "3 sessions" in asks
