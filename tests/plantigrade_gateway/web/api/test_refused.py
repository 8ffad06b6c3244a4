"""Who is not let in, and what is not taken: every route, by the OpenAPI document itself."""

import asyncio
from typing import Any

import pytest
from tests.support.api import DOCUMENT, HERE, filled, got, operations

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.api.frame import MOST_BYTES
from plantigrade_gateway.web.door.access import GRANT, Principal, Rights

pytestmark = pytest.mark.dear


@pytest.fixture
def routes(coach) -> list[tuple[str, str]]:
    found = operations(got(coach.get(DOCUMENT)))
    assert len(found) >= 29  # as the first version has
    return found


@pytest.fixture
def known(coach) -> dict[str, str]:
    """A player and a session that are there, so that nothing is refused for want of them."""
    (player,) = got(coach.get(f"{HERE}/players"))["rows"]
    session = got(coach.get(f"{HERE}/sessions"))["rows"][0]["session"]
    return {"player_id": player["player_id"], "session_id": session}


def test_nothing_is_answered_without_a_sign_in(served, routes, known):
    stranger = served.browser()
    for accept in ("*/*", "text/html"):
        for method, path in routes:
            answer = stranger.request(method, filled(path, **known), headers={"accept": accept})
            assert (answer.status_code, list(answer.json())) == (401, ["error"]), (method, path)


def test_nothing_is_answered_to_a_players_link(served, coach, routes, known):
    number = asyncio.run(served.door.access.make_link("the first tee"))
    token = served.door.access.token_of(number) or ""
    player = served.browser()
    assert player.get(f"/p/{token}").status_code == 200  # the link is good
    for method, path in routes:
        here = filled(path, **known)
        assert player.request(method, f"/p/{token}{here}").status_code == 404, (method, path)
        assert player.request(method, here).status_code == 401, (method, path)


def test_a_players_rights_are_refused_inside_too(served, routes, known):
    """What a request may do is asked again by each route, not by the door alone."""
    for method, path in routes:
        for grant, expected in ((Principal(Rights.PLAYER), 403), (None, 401)):
            status = asyncio.run(_asked(served.app, method, filled(path, **known), grant))
            assert status == expected, (method, path)


async def _asked(guard: Any, method: str, path: str, grant: Principal | None) -> int:
    """Ask the application behind the door."""
    statuses: list[int] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        statuses.append(message.get("status", 0))

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(b"host", b"192.0.2.7:8642")],
        "client": ("192.0.2.50", 5),
        "server": ("192.0.2.7", 8642),
        GRANT: grant,
    }
    await guard._app(scope, receive, send)
    return statuses[0]


def test_another_sites_page_changes_nothing(coach, routes, known):
    for method, path in routes:
        if method != "GET":
            here = filled(path, **known)
            answer = coach.request(method, here, headers={"origin": "http://elsewhere.example"})
            assert (answer.status_code, list(answer.json())) == (403, ["error"]), (method, path)


def test_what_is_not_there_is_told_in_json(coach):
    for method, path, status in (
        ("GET", f"{HERE}/nothing", 404),
        ("GET", "/api/v2/players", 404),
        ("PUT", f"{HERE}/players", 405),
        ("GET", f"{HERE}/players/{'0' * 32}", 404),
        ("GET", f"{HERE}/sessions/{'0' * 32}/analysis", 404),
        ("GET", f"{HERE}/rules/1", 404),
    ):
        answer = coach.request(method, path)
        assert (answer.status_code, list(answer.json())) == (status, ["error"]), path


@pytest.mark.parametrize(
    ("body", "named"),
    [
        ('{"name": "A", "handedness": "right", "sheos": "x"}', "sheos"),
        ('{"name": "A", "handedness": "both"}', "handedness"),
        ('{"name": "A", "handedness": "right", "mass_kg": "70"}', "mass_kg"),
        ('{"name": "A", "handedness": "right", "mass_kg": NaN}', "mass_kg"),
        ('{"name": "A", "handedness": "right", "mass_kg": 1e999}', "mass_kg"),
        ('{"name": "A", "handedness": "right", "is_minor": 1}', "is_minor"),
        ('{"name": "A", "handedness": "right", "is_minor": true}', "guardian"),
        ('{"name": "A", "handedness": "right", "next_check": 86400}', "next_check"),
        ('{"name": "A", "handedness": "right", "next_check": "20270101"}', "next_check"),
        ('{"name": "A\\ud800", "handedness": "right"}', "name"),
        ('{"name": "A\\nB", "handedness": "right"}', "name"),
        ('{"handedness": "right"}', "name"),
        ("{", "body"),
        ("[" * 5000, "body"),
        (f'{{"name": {"9" * 5000}}}', "body"),
        ("", "body"),
        (" " * MOST_BYTES + "{}", "body"),
    ],
)
@pytest.mark.slow
def test_a_body_that_cannot_be_used_is_refused_in_a_sentence(coach, body, named):
    kind = {"content-type": "application/json"}
    answer = coach.post(f"{HERE}/players", content=body.encode(), headers=kind)
    assert answer.status_code == 400, answer.text
    (said,) = answer.json().values()
    assert named in said and "\n" not in said and len(said) < 400
    assert got(coach.get(f"{HERE}/players"))["total"] == 1


def test_a_player_who_is_another_is_not_seen_in_a_sheet(coach, known):
    other = got(
        coach.post(f"{HERE}/players", json={"name": "Ada Invented", "handedness": "left"}), 201
    )["player"]["player_id"]
    here = f"{HERE}/players/{other}"
    session = known["session_id"]
    assert coach.get(f"{here}/sheet", params={"visit": session}).status_code == 404
    assert coach.get(f"{here}/comparison").status_code == 400
    between = {"before": session, "after": session}
    assert coach.get(f"{here}/comparison", params=between).status_code == 400
    decision = {"topic": "push", "answer": "go", "visit": session}
    assert coach.post(f"{here}/decisions", json=decision).status_code == 404


def test_a_list_has_pages(served, coach, path):
    with Store.open(path) as store, Register(store) as register:
        for number in range(120):
            register.add(name=f"Invented {number:03}", handedness="right")
    first = got(coach.get(f"{HERE}/players"))
    second = got(coach.get(f"{HERE}/players", params={"page": 2}))
    assert (first["total"], first["pages"]) == (121, 2)
    assert (len(first["rows"]), len(second["rows"])) == (100, 21)
    names = [row["name"] for row in first["rows"] + second["rows"]]
    assert len(set(names)) == 121 and names == sorted(names)
    assert got(coach.get(f"{HERE}/players", params={"page": 3}))["rows"] == []
    assert coach.get(f"{HERE}/players", params={"page": 0}).status_code == 400
