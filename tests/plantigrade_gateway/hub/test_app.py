"""The hub's two doors: the desk's sign-in and the bays' credentials open nothing of each other."""

import subprocess

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect
from tests.support.door import door
from tests.support.hub import head_of, site
from tests.support.tinydisk import fill, tiny_disk

from plantigrade_gateway.config import load
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.routes import AT_ONCE
from plantigrade_gateway.hub.serve import HubApp
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.web.door.guard import CLOSED

pytestmark = pytest.mark.dear
URL = f"/bay/v1/sessions/{'ab' * 16}"


@pytest.fixture
def hub(tmp_path):
    with site(tmp_path / "hub") as made:
        yield made


@pytest.fixture
def desk(hub):
    """The hub as the local network finds it: its door, and a browser that is not signed in."""
    made = door(hub.store)
    app = HubApp(hub.api, hub.store.path, made.access)
    with TestClient(app, base_url=made.origin, follow_redirects=False) as browser:
        yield made, browser


def test_a_sign_in_opens_the_desk_and_no_address_of_bays(hub, desk):
    made, browser = desk
    with Register(hub.store) as register:
        register.add(name="Ann Example", handedness="left")
    assert browser.get("/players").status_code == 401
    assert made.sign_in(browser).status_code == 303
    assert "Ann Example" in browser.get("/players").text
    answers = [
        browser.get(URL),
        browser.put(URL, json=head_of("ab" * 16), headers={"origin": made.origin}),
        browser.post("/bay/v1/changes", json={}, headers={"origin": made.origin}),
    ]
    assert {answer.status_code for answer in answers} == {401}


def test_the_page_of_the_bays_is_behind_the_desk_s_sign_in(hub):
    made = door(hub.store)
    app = HubApp(hub.api, hub.store.path, made.access, load(None, {}))
    with TestClient(app, base_url=made.origin, follow_redirects=False) as browser:
        bearer = {"Authorization": f"Bearer {hub.token()}"}
        assert browser.get("/bays", headers=bearer).status_code == 401
        with pytest.raises(WebSocketDisconnect) as closed:
            url, origin = made.socket_url("/bays/live"), {"origin": made.origin}
            with browser.websocket_connect(url, headers=origin) as told:
                told.receive_json()
        assert closed.value.code == CLOSED
        made.sign_in(browser)
        assert "No message broker is set" in browser.get("/bays").text
        assert "was refused" not in browser.get("/bays").text


def test_the_page_of_the_bays_tells_who_was_refused(hub):
    mine = {"changes": [], "restamps": [], "has": {}, "place": "1" * 32}
    assert hub.client("one").post("/bay/v1/changes", json=mine).status_code == 200
    assert hub.client("two").post("/bay/v1/changes", json=mine).status_code == 403
    made = door(hub.store)
    app = HubApp(hub.api, hub.store.path, made.access, load(None, {}))
    with TestClient(app, base_url=made.origin, follow_redirects=False) as browser:
        made.sign_in(browser)
        told = browser.get("/bays").text
    assert "Bay two gave what was said at another&#39;s place (11111111) and was refused" in told


@pytest.mark.parametrize(
    "path",
    [
        *("/players", "/sessions", "/links", "/metrics", "/rules", "/check", "/api/v1/players"),
        *("/bay/v1/../../players", "/bay/v1x", "/bay", "//bay/v1/changes"),
    ],
)
def test_a_credential_opens_no_page_of_the_desk(hub, desk, path):
    _, browser = desk
    bearer = {"Authorization": f"Bearer {hub.token()}"}
    for answer in (browser.get(path, headers=bearer), browser.post(path, headers=bearer)):
        assert answer.status_code in (401, 403, 404), answer.text
    assert browser.put(URL, json=head_of("ab" * 16), headers=bearer).status_code == 200


def test_who_is_not_known_is_not_told_which_addresses_there_are(hub):
    nobody = hub.client(None)
    known = nobody.post("/bay/v1/changes", json={})
    assert known.status_code == 401 and known.headers["www-authenticate"] == "Bearer"
    assert nobody.get("/bay/v1/none").json() == {"error": "There is no such address."}


def test_health_says_what_does_not_answer(hub, monkeypatch):
    nobody = hub.client(None)
    assert nobody.get("/healthz").json() == {"ok": True, "problems": []}

    def refuse(*_):
        raise StoreError("no")

    monkeypatch.setattr(Objects, "get", refuse)
    answer = nobody.get("/healthz")
    assert answer.status_code == 503
    assert answer.json()["problems"] == ["the object store does not answer"]


TAKES_NOTHING = ["the object store takes nothing: is it writable, is its disk full?"]


def test_health_says_that_the_objects_folder_is_read_only(hub, tmp_path):
    """As after a fault of the disk, when the system goes on with it to read alone."""
    with tiny_disk(tmp_path, "1m") as disk:
        hub.api._objects = Objects.of(str(disk / "objects"))
        nobody = hub.client(None)
        assert nobody.get("/healthz").json() == {"ok": True, "problems": []}
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        answer = nobody.get("/healthz")
        assert (answer.status_code, answer.json()["problems"]) == (503, TAKES_NOTHING)
        subprocess.run(["mount", "-o", "remount,rw", disk], check=True)
        assert nobody.get("/healthz").status_code == 200


def test_health_says_that_what_was_to_be_kept_last_was_not(hub, tmp_path):
    with tiny_disk(tmp_path, "1m") as disk:
        hub.api._objects = objects = Objects.of(str(disk / "objects"))
        objects.put("a", b"1")
        filler = fill(disk)
        with pytest.raises(StoreError):
            objects.put_all([("b", bytes(100_000)), ("c", bytes(100_000))])
        answer = hub.client(None).get("/healthz")
        assert (answer.status_code, answer.json()["problems"]) == (503, TAKES_NOTHING)
        filler.unlink()
        objects.put("b", b"1")
        assert hub.client(None).get("/healthz").status_code == 200


def test_one_bay_cannot_take_all_of_the_hub(hub):
    hub.api._at_work[hub.client().headers["authorization"].split()[1].split(".")[0]] = AT_ONCE
    answer = hub.client().get(URL)
    assert answer.status_code == 429 and answer.headers["retry-after"]
    assert hub.client("two").get(URL).status_code == 404


def test_the_first_page_is_the_desks(hub):
    answer = hub.client(None).get("/", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/players")
