"""The API's document and errors, by `hardware_notes/api.md`."""

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.support.api import DOCUMENT, HERE, got, operations
from tests.support.handmade import Granted

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.web.api.app import api_app
from plantigrade_gateway.web.door.access import Access, BindPolicy, Rights

PAGE = (Path(__file__).resolve().parents[4] / "hardware_notes" / "api.md").read_text("utf-8")


def test_the_document_names_the_routes_of_the_page_and_no_other(program):
    document = got(program.get(DOCUMENT))
    told = {(m, path.replace("{swing}", "{n}")) for m, path in operations(document)}
    rows = re.findall(r"^\| ([A-Z]+) \| `(/api/v1/\S+)` \|", PAGE, re.MULTILINE)
    assert len(rows) > 25
    assert told == {(m, path.replace("{swing}", "{n}")) for m, path in rows}


def test_the_document_tells_errors_and_the_sign_in(program):
    """OpenAPI 3.1; a value that cannot be used is a 400, never FastAPI's own 422."""
    document = got(program.get(DOCUMENT))
    assert document["openapi"].startswith("3.1")
    assert document["info"] == {"title": "Plantigrade", "version": "1.0"}
    for path in document["paths"].values():
        for operation in path.values():
            assert "422" not in operation["responses"]
            assert {"400", "401", "403", "404", "409"} <= set(operation["responses"])
    schemas = document["components"]["schemas"]
    assert not {"HTTPValidationError", "ValidationError"} & set(schemas)
    (scheme,) = document["components"]["securitySchemes"].values()
    assert (scheme["in"], scheme["name"]) == ("cookie", "plantigrade")
    assert got(program.get(DOCUMENT)) == document


def test_under_tls_the_cookie_is_another(tmp_path, store):
    app = api_app(tmp_path / "s", Access(store.database, BindPolicy(lan=True, secure=True)))
    with TestClient(Granted(app)) as program:
        (scheme,) = got(program.get(DOCUMENT))["components"]["securitySchemes"].values()
        assert scheme["name"] == "__Host-plantigrade"
        for own in ("/docs", "/redoc", "/openapi.json"):
            assert program.get(own).status_code == 404


@pytest.mark.parametrize(("rights", "status"), [(None, 401), (Rights.PLAYER, 403)])
def test_nobody_but_a_coach_is_answered(handmade, program, rights, status):
    handmade.door.rights = rights
    try:
        for method, path in (
            ("GET", DOCUMENT),
            ("GET", f"{HERE}/players"),
            ("GET", f"{HERE}/rules"),
        ):
            answer = program.request(method, path)
            assert (answer.status_code, list(answer.json())) == (status, ["error"])
    finally:
        handmade.door.rights = Rights.COACH


def test_each_error_is_one_sentence_with_its_status(program, made, monkeypatch):
    for method, path, status in (
        ("GET", f"{HERE}/nothing", 404),
        ("GET", "/api/v2/players", 404),
        ("PUT", f"{HERE}/players", 405),
        ("GET", f"{HERE}/rules/1", 404),
    ):
        answer = program.request(method, path)
        assert (answer.status_code, list(answer.json())) == (status, ["error"]), path
        said = answer.json()["error"]
        if path.startswith(f"{HERE}/nothing"):
            assert said == "There is nothing at this address."
        assert status != 405 or said == "Method Not Allowed."
    body = {"name": "Uta", "handedness": "both"}
    answer = program.post(f"{HERE}/players", json=body)
    assert answer.status_code == 400 and "handedness" in answer.json()["error"]

    def refuses(*_: object) -> None:
        raise StoreError("store x: has no room")

    monkeypatch.setattr(RuleBook, "current", refuses)
    answer = program.get(f"{HERE}/rules")
    assert (answer.status_code, answer.json()) == (409, {"error": "store x: has no room"})


def test_the_first_player_makes_the_store(tmp_path, store):
    path = tmp_path / "new.sqlite3"
    app = api_app(path, Access(store.database))
    with TestClient(Granted(app)) as program:
        assert got(program.get(f"{HERE}/players"))["total"] == 0
        assert not path.exists()
        body = {"name": "Uta", "handedness": "left"}
        got(program.post(f"{HERE}/players", json=body), 201)
        assert got(program.get(f"{HERE}/players"))["total"] == 1
    app.state.reads.close()
