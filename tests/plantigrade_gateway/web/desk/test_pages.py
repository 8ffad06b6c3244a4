"""The desk's pages and what their charts are given, on a store made by hand."""

from pathlib import Path
from typing import Any

import pytest
from fastapi import Response
from tests.support.handmade import SWINGS_S
from tests.support.pagetext import text_of

from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store import results
from plantigrade_gateway.web.desk import pages as module
from plantigrade_gateway.web.desk.preparing import Progress

NO_ONE = "0" * 32


def here(hand, rest: str = "") -> str:
    return f"/sessions/{hand.visits[0]}{rest}"


def other(hand, rest: str = "") -> str:
    """A visit that is not prepared."""
    return f"/sessions/{hand.visits[1]}{rest}"


@pytest.fixture
def preparing(handmade):
    return handmade._app.state.preparing


def test_sessions_are_listed_and_found(pages, hand):
    page = text_of(pages.get("/sessions"))
    assert page.count("Ada Invented") == 3
    assert page.index("2026-03-16") < page.index("2026-03-09") < page.index("2026-03-02")
    page = text_of(pages.get("/sessions?q=2026-03-09"))
    assert "2026-03-16 09:00" not in page and page.count("Ada Invented") == 1
    assert "2026-03-02" in text_of(pages.get("/sessions?page=7"))  # the nearest there is


@pytest.mark.parametrize(("rest", "rows"), [("steps", 1), ("swings", 3), ("stands", 1)])
def test_each_kind_of_results_has_its_table(pages, hand, rest, rows):
    page = pages.get(here(hand, f"/{rest}"))
    body = page.text[page.text.index("<tbody") : page.text.index("</tbody>")]
    assert page.status_code == 200 and body.count("<tr") == rows
    notes = {
        "steps": "Centre: the load-weighted middle",
        "swings": "These measures describe",
        "stands": "One insole's sway is not balance ability",
    }
    said = text_of(page).replace("’", "'")
    for kind, note in notes.items():
        assert (note in said) is (kind == rest) or kind == "swings"


def test_a_table_is_sorted_and_has_pages(pages, hand):
    up, down = (
        pages.get(here(hand, f"/swings?sort=start&order={order}")).text for order in ("up", "down")
    )

    def order(text: str) -> list[int]:
        return sorted(range(1, 4), key=lambda n: text.index(f"/swings/{n}"))

    assert (order(up), order(down)) == ([1, 2, 3], [3, 2, 1])


def test_a_swing_s_page_shows_its_numbers_or_asks_the_eye(pages, hand):
    page = text_of(pages.get(here(hand, "/swings/2")))
    assert "Swing 2" in page
    blind = text_of(pages.get(here(hand, "/swings/2?eye=1")))
    assert "The lead heel in the backswing" in blind
    for number in (0, 4):
        answer = pages.get(here(hand, f"/swings/{number}"))
        assert f"swing {number}: this session has 3 swings" in text_of(answer, 404)


def test_a_set_lays_its_swings_over_each_other(pages, hand):
    page = text_of(pages.get(here(hand, "/sets/1")))
    assert "Set full: 2 swings" in page and "Swing by swing: 1 2 All" in page
    assert "load tempo ratio 2.4 ± 0.0 (2)" in page
    assert "good push % 2 of 2" in page and "smooth (0:30)" not in page
    assert "load tempo ratio 2.4 (1) 2.4 (1)" in page  # its halves
    assert "Club speed" not in page and "Left out" not in page
    found = results.read(hand.store, hand.visits[0])
    visits = Visits(hand.register)
    visits.exclude(hand.visits[0], found.swings[1], "slipped")
    visits.set_speed(hand.visits[0], found.swings[0], 40.0)
    visits.set_speed(hand.visits[0], found.swings[2], 33.0)
    page = text_of(pages.get(here(hand, "/sets/1")))
    assert "slipped" in page and "of 1, best 40.0 m/s" in page
    page = text_of(pages.get(here(hand, "/sets/2")))
    assert "best 33.0 m/s" in page and "slipped" not in page
    for number in (0, 3):
        answer = pages.get(here(hand, f"/sets/{number}"))
        assert f"set {number}: this session has 2 sets" in text_of(answer, 404)
    assert pages.get(here(hand, "/sets/1?other=3")).status_code == 404


def test_two_sets_side_by_side_are_led_to_and_one_alone_is_one(pages, hand):
    for asked, told in (
        ("?first=1&second=2", "1?other=2"),
        ("?first=2&second=1", "2?other=1"),
        ("?first=2&second=2", "2?other=0"),
        ("", "1?other=0"),
    ):
        answer = pages.get(here(hand, f"/sets{asked}"))
        assert answer.status_code == 303
        assert answer.headers["location"] == f"{here(hand)}/sets/{told}#numbers"
    assert pages.get(f"/sessions/{NO_ONE}/sets").status_code == 404
    alone = text_of(pages.get(here(hand, "/sets/1")))
    both = text_of(pages.get(here(hand, "/sets/1?other=2")))
    assert "smooth (0:30) − full (0:05)" in both and "smooth (0:30)" not in alone
    assert "The intervals are this visit's" in both.replace("’", "'")
    assert "The intervals are this visit's" not in alone.replace("’", "'")


# ---- data ----


def test_a_time_line_is_given_whole_or_in_part(pages, hand):
    """90 s at 10 Hz, 0.4 and 0.3 × BW: a lead share of 4 / 7."""
    Visits(hand.register).note(hand.visits[0], 12.5, "windy")
    told = pages.get(here(hand, "/timeline.json")).json()
    assert told["whole"] is True and told["ranges"]["time"] == [0.0, 90_000.0]
    left = told["sources"]["left"]
    assert (len(left["t"]), left["y"][0]) == (901, 0.4)
    assert told["sources"]["share"]["y"][0] == pytest.approx(4 / 7, abs=1e-5)
    assert told["sources"]["notes"]["t"] == [12_500.0]
    assert told["column_s"] == pytest.approx(90.0 / 1200)
    coarse = pages.get(here(hand, "/timeline.json?width=50")).json()
    assert coarse["whole"] is False and coarse["column_s"] == pytest.approx(90.0 / 50)
    part = pages.get(here(hand, "/rows.json?start=10&end=20")).json()
    times = part["sources"]["left"]["t"]
    assert (times[0], times[-1]) == (9_900.0, 20_100.0)  # one row beyond at each end
    assert part["whole"] is True and part["column_s"] == pytest.approx(10.2 / 1200)
    assert pages.get(here(hand, "/rows.json")).status_code == 422


def test_what_is_prepared_is_told_and_what_is_not_is_asked_for(pages, hand, preparing):
    ready = pages.get(here(hand, "/prepared.json")).json()
    assert ready == {"ready": True, "share": 1.0, "problem": None}
    assert preparing._queue == []
    now = pages.get(other(hand, "/prepared.json")).json()
    assert now == {"ready": False, "share": 0.0, "problem": None}
    assert preparing._queue == [hand.visits[1]]
    preparing._progress[hand.visits[1]] = Progress(0.5, "has no room")
    now = pages.get(other(hand, "/prepared.json")).json()
    assert now == {"ready": False, "share": 0.5, "problem": "has no room"}


@pytest.mark.parametrize(
    "rest",
    [
        *("/timeline.json", "/rows.json?start=0&end=1"),
        *("/swings/1/chart.json", "/swings/1/frames.json", "/sets/1/chart.json"),
    ],
)
def test_data_of_what_is_not_prepared_are_to_be_asked_for_again(pages, hand, preparing, rest):
    answer = pages.get(other(hand, rest))
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
    assert preparing._queue == [hand.visits[1]]
    preparing._progress[hand.visits[1]] = Progress(problem="has no room")
    answer = pages.get(other(hand, rest))  # is not begun again by the page's own asking
    assert answer.json() == {"problem": "has no room"}
    assert preparing._queue == [hand.visits[1]]
    assert pages.get(f"/sessions/{NO_ONE}{rest}").status_code == 404


@pytest.mark.parametrize("rest", ["/swings/1", "/sets/1"])
def test_a_page_of_what_is_not_prepared_says_so_and_has_it_tried_again(
    pages, hand, preparing, rest
):
    preparing._progress[hand.visits[1]] = Progress(problem="has no room")
    answer = pages.get(other(hand, rest))
    assert answer.status_code == 202 and hand.visits[1] in answer.text
    assert preparing._queue == [hand.visits[1]]


def test_a_swing_s_chart_and_frames_are_of_its_rows(pages, hand):
    """Each from a second before its start; times count from the shift, 0.75 s after it."""
    for number, start_s in enumerate(SWINGS_S, 1):
        data = pages.get(here(hand, f"/swings/{number}/chart.json")).json()
        assert data["sources"]["lead"]["t"][0] == -1.75
        assert data["sources"]["lead"]["heel"][0] == 0.1
        frames = pages.get(here(hand, f"/swings/{number}/frames.json")).json()
        assert len(frames["t"]) == 401, (number, start_s)
    of_set = pages.get(here(hand, "/sets/1/chart.json")).json()["sources"]
    assert len(of_set["lead_each"]["xs"]) == 2
    assert (
        len(pages.get(here(hand, "/sets/2/chart.json")).json()["sources"]["lead_each"]["xs"]) == 1
    )
    for rest in ("/swings/4/chart.json", "/swings/4/frames.json", "/sets/3/chart.json"):
        assert pages.get(here(hand, rest)).status_code == 404


def test_an_empty_chart_is_of_a_name_a_theme_and_a_lead_foot(pages):
    told = {}
    for lead in ("left", "right"):
        answer = pages.get(f"/sessions/charts/timeline.json?theme=dark&lead={lead}")
        assert answer.headers["content-type"] == "application/json"
        told[lead] = answer.text
    assert told["left"] != told["right"]
    for asked in ("timeline.json?lead=up", "luck.json", "timeline.json?theme=grey"):
        answer = pages.get(f"/sessions/charts/{asked}")
        assert answer.status_code == 404
        assert answer.json()["problem"].startswith("chart ")


# ---- files ----


@pytest.mark.parametrize(("name", "task"), [("swings.csv", "tables"), ("frames.csv", "frames")])
def test_a_file_is_made_by_a_worker_and_named_by_day_and_session(
    pages, hand, monkeypatch, name, task
):
    asked: list[tuple[Any, ...]] = []

    async def download(work: Any, file: str, called: str) -> Response:
        asked.append((*work(Path("folder")), file, called))
        return Response("x")

    monkeypatch.setattr(module, "download", download)
    assert pages.get(here(hand, f"/export/{name}")).text == "x"
    session = hand.visits[0]
    assert asked == [
        (
            *(task, str(hand.path), session, "folder/out", f"out/{name}"),
            f"2026-03-02-{session[:8]}-{name}",
        )
    ]
    answer = pages.get(here(hand, "/export/luck.csv"))
    assert "file 'luck.csv': there is none of this name" in text_of(answer, 404)
    assert pages.get(f"/sessions/{NO_ONE}/export/{name}").status_code == 404


def test_where_nothing_is_a_page_says_so(pages):
    for path in ("/sessions/x/y/z", "/players/x/y/z"):
        assert pages.get(path, headers={"accept": "text/html"}).status_code == 404
    for own in ("/docs", "/redoc", "/openapi.json"):
        assert pages.get(own).status_code == 404
    answer = pages.get("/sessions?page=one")
    assert answer.status_code == 422
