"""Players' links: what they show, to whom, and when that ends."""

import asyncio
import re
import threading
from contextlib import ExitStack
from datetime import timedelta

import numpy as np
import pytest
import segno
from starlette.websockets import WebSocketDisconnect
from tests.support.door import LAN, PASSWORD, QUICK, door
from tests.support.waiting import HANG_S

from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.store.rows import NewSession
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door import guard, password
from plantigrade_gateway.web.door.accounts import Invite, Invites, InviteState, key_of
from plantigrade_gateway.web.door.pages import qr_svg


@pytest.fixture
def lan(store, monkeypatch):
    monkeypatch.setattr(password, "HASHER", QUICK)
    return door(store)


@pytest.fixture
def running(lan, store):
    """Return the id of a session that is being recorded."""
    return begun(lan, store)


def begun(lan, store) -> str:
    with Store.open(store.path) as recorder:  # its lock ends with it, as with a killed program
        return recorder.create_session("test", analysis_version=1, started=lan.clock())


def recorded(lan, store, session: str, seconds: int) -> None:
    """Record for so long."""
    times_ns = [0, seconds * 1_000_000_000]
    with Store.open(store.path) as recorder:
        recorder.append(session, Batch.of([Entry(t, SESSION, Kind.MARK, b"x") for t in times_ns]))
    lan.clock.go_on(seconds=seconds)


def made(lan, coach, note: str = "") -> str:
    """Have the coach make a link; return its path."""
    answer = lan.post(coach, "/links", note=note)
    assert answer.status_code == 303
    page = coach.get("/links").text
    return str(page.split(f'<a href="{lan.origin}')[1].split('"')[0])


def works(lan, path: str) -> bool:
    """Whether a link shows the live page to somebody who has nothing but it."""
    answer = lan.browser().get(path)
    assert (answer.status_code, answer.text) == (200, "player") or answer.status_code == 404
    return bool(answer.status_code == 200)


@pytest.mark.dear
def test_a_link_shows_the_live_page_and_nothing_else(lan, running):
    path = made(lan, lan.signed_in())
    player = lan.browser("192.0.2.80")
    assert player.get(path).text == "player"
    assert player.get(path + "/").text == "player"
    with lan.socket(player, path + "/live") as socket:
        assert socket.receive_text() == "player"
    assert dict(player.cookies) == {}
    for other in ("/", "/check", "/sessions/one", "/links", "/links/1/qr.svg"):
        assert player.get(other).status_code == 401
    for below in (
        "/sessions/one",
        "/check",
        "/links",
        "//sessions/one",
        "/../links",
        "/live/x",
        "/%2e%2e/",
    ):
        answer = player.get(path + below)
        assert answer.status_code in (401, 404)
        assert "player" not in answer.text.split("<main")[0]
    assert lan.post(player, path).status_code in (404, 405)
    assert lan.post(player, "/links").status_code == 401
    assert lan.post(player, "/links/1/withdraw").status_code == 401


def test_a_coach_who_follows_a_link_sees_what_the_player_sees(lan, running):
    coach = lan.signed_in()
    path = made(lan, coach)
    assert coach.get(path).text == "player"
    assert coach.get("/").text == "coach"


@pytest.mark.parametrize(
    "path", ["/p/", "/p/x", "/p/" + "A" * 22, "/p/" + "A" * 5000, "/p/%00", "/p/é", "/p/a/live"]
)
def test_a_link_nobody_made_says_what_to_do(lan, running, path):
    made(lan, lan.signed_in())
    answer = lan.browser().get(path)
    assert answer.status_code == 404
    assert "This link has ended or was never made. Ask your coach for a new one." in answer.text
    assert 'href="/sessions"' not in answer.text


def test_withdrawing_ends_the_open_page_at_once(lan, running, monkeypatch):
    monkeypatch.setattr(guard, "_LOOKS_EVERY_S", 3600.0)  # it is told, and need not look
    with lan.signed_in() as coach:
        first, other = made(lan, coach, "first"), made(lan, coach, "other")
        with (
            lan.socket(coach, first + "/live") as socket,
            lan.socket(coach, other + "/live") as stays,
        ):
            assert socket.receive_text() == stays.receive_text() == "player"
            assert lan.post(coach, "/links/1/withdraw").status_code == 303
            with pytest.raises(WebSocketDisconnect) as closed:
                socket.receive_text()
            stays.send_text("still here")
            assert stays.receive_text() == "still here"
        assert (closed.value.code, closed.value.reason) == (4401, guard.LINK_WITHDRAWN)
        said = lan.browser().get(first)
        assert said.status_code == 404 and guard.LINK_WITHDRAWN in said.text
        assert not works(lan, first) and works(lan, other)
        page = coach.get("/links").text
        assert "Link 1: first, withdrawn" in page and "Withdraw link 1" not in page
        assert coach.get("/links/1/qr.svg").status_code == 404


@pytest.mark.dear
def test_a_link_ends_with_its_session(lan, store, running):
    path = made(lan, lan.signed_in())
    with lan.socket(lan.browser(), path + "/live") as socket:
        assert socket.receive_text() == "player"
        store.end_session(running, "stop")
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_text()
    assert closed.value.code == 4401
    begun(lan, store)
    assert not works(lan, path), "the next session is another visit"


def test_a_link_made_before_the_session_is_for_the_next_one_only(lan, store):
    path = made(lan, lan.signed_in())
    assert works(lan, path)
    lan.clock.go_on(minutes=30)
    session = begun(lan, store)
    assert works(lan, path)
    store.end_session(session, "stop")
    assert not works(lan, path)
    begun(lan, store)
    assert not works(lan, path)


def test_a_link_does_not_wait_for_ever(lan, store):
    path = made(lan, lan.signed_in())
    lan.clock.go_on(hours=12)
    assert not works(lan, path)
    begun(lan, store)
    assert not works(lan, path)


def test_a_link_goes_on_where_the_gateway_was_cut_off_and_goes_on(lan, store, running):
    path = made(lan, lan.signed_in())
    recorded(lan, store, running, 1800)
    lan = lan.restarted()
    store.recover()
    lan.clock.go_on(minutes=14)
    assert works(lan, path)
    again = begun(lan, store)
    assert works(lan, path)
    recorded(lan, store, again, 600)
    store.recover()
    lan.clock.go_on(seconds=20)
    third = begun(lan, store)
    assert works(lan, path)
    store.end_session(third, "stop")
    assert not works(lan, path)


@pytest.mark.parametrize("begins_anew", [True, False])
def test_a_link_ends_where_a_cut_off_session_does_not_go_on_soon(lan, store, running, begins_anew):
    path = made(lan, lan.signed_in())
    recorded(lan, store, running, 1800)
    store.recover()
    lan.clock.go_on(minutes=16)
    if begins_anew:
        begun(lan, store)
    assert not works(lan, path)


def test_a_deleted_session_takes_its_links_along_and_no_number_comes_twice(lan, store, running):
    coach = lan.signed_in()
    path = made(lan, coach)
    store.end_session(running, "stop")
    store.delete_session(running)
    assert store.database.read("SELECT count(*) FROM player_links") == [(0,)]
    begun(lan, store)  # takes the deleted one's number in the file
    assert not works(lan, path)
    assert lan.post(coach, "/links", note="").headers["location"] == "/links#link-2"


def test_a_link_outlives_the_web_process_and_its_address_is_not_kept(lan, store, running):
    coach = lan.signed_in()
    path = made(lan, coach)
    token = path.removeprefix("/p/")
    assert len(token) == 22
    again = lan.restarted()
    assert works(again, path)
    store.database.read("PRAGMA wal_checkpoint(TRUNCATE)")
    assert token.encode() not in store.path.read_bytes()
    browser = again.browser()
    browser.cookies = coach.cookies
    page = browser.get("/links").text
    assert token not in page and "before the gateway started anew" in page
    assert browser.get("/links/1/qr.svg").status_code == 404
    assert again.post(browser, "/links/1/withdraw").status_code == 303
    assert not works(again, path)


def test_another_site_makes_and_withdraws_nothing(lan, running):
    coach = lan.signed_in()
    path = made(lan, coach)
    foreign = {"origin": "http://elsewhere.example"}
    assert coach.post("/links", data={"note": "x"}, headers=foreign).status_code == 403
    assert coach.post("/links/1/withdraw", headers=foreign).status_code == 403
    assert works(lan, path)
    assert coach.get("/links").text.count("Withdraw link") == 1


def test_a_foreign_page_cannot_use_a_link_that_it_knows(lan, running):
    path = made(lan, lan.signed_in())
    with (
        pytest.raises(WebSocketDisconnect) as refused,
        lan.socket(lan.browser(), path + "/live", origin="http://elsewhere.example"),
    ):
        pass
    assert refused.value.code == 1008


def test_one_link_does_not_take_every_place(lan, running):
    with lan.signed_in() as coach, ExitStack() as opened:
        path = made(lan, coach)
        for _ in range(guard.MOST_OF_A_LINK):
            socket = opened.enter_context(lan.socket(coach, path + "/live"))
            assert socket.receive_text() == "player"
        with pytest.raises(WebSocketDisconnect), lan.socket(coach, path + "/live"):
            pass
        with lan.socket(coach) as own:
            assert own.receive_text() == "coach"
        socket.close()
        again = opened.enter_context(lan.socket(coach, path + "/live"))
        assert again.receive_text() == "player"


def test_what_the_coach_writes_is_shown_as_text(lan, running):
    coach = lan.signed_in()
    made(lan, coach, "<script>alert(1)</script> \n  bay 4 " + "x" * 100)
    page = coach.get("/links").text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; bay 4 x" in page
    assert "<script>alert" not in page
    assert "x" * 41 not in page


def test_withdrawing_what_is_not_there_says_so(lan, running):
    coach = lan.signed_in()
    answer = lan.post(coach, "/links/99/withdraw")
    assert answer.status_code == 404
    assert "There is no such link" in answer.text
    for number in ("x", "-1", "9" * 20, "9" * 5000):
        assert lan.post(coach, f"/links/{number}/withdraw").status_code == 404
        assert coach.get(f"/links/{number}/qr.svg").status_code == 404


def test_on_the_machine_itself_the_link_says_where_a_phone_finds_it(lan, running):
    origin = "http://127.0.0.1:8642"
    here = lan.browser("127.0.0.1", origin)
    here.post("/sign-in", data={"password": PASSWORD}, headers={"origin": origin})
    here.post("/links", data={"note": ""}, headers={"origin": origin})
    assert f'<a href="{lan.origin}/p/' in here.get("/links").text


def test_a_link_of_pages_that_are_this_machines_alone_works_on_this_machine(store):
    """Its address in the network leads nowhere then: nothing listens there."""
    here = door(store, lan=False)
    begun(here, store)
    coach = here.browser("127.0.0.1")
    here.post(coach, "/links", note="")
    page = coach.get("/links").text
    assert f'<a href="{here.origin}/p/' in page and "--lan" in page
    assert LAN not in page


def test_the_code_is_a_picture_without_scripts_or_styles(lan, running):
    coach = lan.signed_in()
    made(lan, coach)
    answer = coach.get("/links/1/qr.svg")
    assert answer.headers["content-type"] == "image/svg+xml"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.text.startswith("<svg") and "script" not in answer.text
    assert "style" not in answer.text
    assert answer.content != qr_svg(lan.origin)


def test_the_code_reads_back_as_the_address():
    """What is drawn is the code's own matrix, with the quiet zone of four modules around it."""
    address = "http://192.0.2.7:8642/p/AAAAAAAAAAAAAAAAAAAAAA"
    svg = qr_svg(address).decode()
    matrix = np.array(
        [list(row) for row in segno.make(address, error="m", micro=False).matrix], bool
    )
    drawn = np.zeros((matrix.shape[0] + 8, matrix.shape[1] + 8), bool)
    (path,) = re.findall(r'stroke="#000"[^>]* d="([^"]+)"', svg)
    x = y = 0.0
    for kind, numbers in re.findall(r"([Mmh])([-\d. ]+)", path):
        values = [float(n) for n in re.findall(r"-?[\d.]+", numbers)]
        if kind == "M":
            x, y = values
        elif kind == "m":
            x, y = x + values[0], y + values[1]
        else:
            drawn[int(y), int(x) : int(x + values[0])] = True
            x += values[0]
    assert (drawn[4:-4, 4:-4] == matrix).all()
    assert not drawn[:4].any() and not drawn[:, :4].any()


async def test_a_link_made_while_the_list_is_read_keeps_its_address(lan, running, monkeypatch):
    all_of = Invites.all

    def slow(links: Invites) -> list[Invite]:
        found = all_of(links)
        read.set()
        assert made.wait(HANG_S)
        return found

    read, made = threading.Event(), threading.Event()
    monkeypatch.setattr(Invites, "all", slow)
    listing = asyncio.create_task(lan.access.links())
    assert await asyncio.to_thread(read.wait, HANG_S)
    monkeypatch.setattr(Invites, "all", all_of)
    number = await lan.access.make_link("")
    made.set()
    assert await listing == []
    assert lan.access.token_of(number) is not None


def test_links_that_are_over_leave_the_list_after_a_day(lan, store, running):
    links = Invites(store.database, lan.clock)
    first, _ = links.make("first")
    links.withdraw(first)
    lan.clock.now += timedelta(hours=25)
    links.make("second")
    assert [(link.note, link.state) for link in links.all()] == [("second", InviteState.WORKS)]


def test_a_link_opens_the_sessions_of_its_own_pair_alone(lan, store):
    """Two live pages serve one store: a player must not see the other pair's session."""
    of_a = Invites(store.database, lan.clock, "A")
    of_b = Invites(store.database, lan.clock, "b")
    _, waiting = of_a.make("before")
    store.begin_session("5b", NewSession.now("test", 1, None, lan.clock.now, "B"))
    assert [link.state for link in of_a.all()] == [InviteState.WAITS]
    number, token = of_b.make("now")
    store.begin_session("5a", NewSession.now("test", 1, None, lan.clock.now, "A"))
    store.end_session("5a", "stop")
    assert [link.state for link in of_a.all()] == [InviteState.ENDED]  # it had that session
    assert [(link.note, link.state) for link in of_b.all()] == [("now", InviteState.WORKS)]
    assert of_b.lasts(key_of(token)) and not of_a.lasts(key_of(token))
    assert not of_b.lasts(key_of(waiting)) and of_a.state(key_of(token)) is None
    assert not of_a.withdraw(number) and of_b.withdraw(number)
