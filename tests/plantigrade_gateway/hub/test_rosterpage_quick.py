"""The page of the bays as it is made and told on: no broker, no browser, the clock is set."""

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import load
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub import rosterpage
from plantigrade_gateway.hub.places import Refusal
from plantigrade_gateway.hub.roster import Life, Row
from plantigrade_gateway.hub.rosterpage import Board
from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.door.guard import CLOSED, SIGNED_OUT


def row(key: str, said: str = "alive") -> Row:
    return Row(key, Life.ALIVE, said, "-", "-", "-", "-", "-", ())


class Roster:
    """Gives the rows that it is told to."""

    def __init__(self) -> None:
        self.problem: str | None = None
        self.shown = [row("b1")]
        self.names: list[dict[str, str]] = []

    def rows(self, names: dict[str, str]) -> list[Row]:
        self.names.append(names)
        return self.shown


@pytest.fixture
def world(monkeypatch) -> SimpleNamespace:
    made = SimpleNamespace(now_s=0.0, names={"p": "Iris Invented"}, refused=[], roster=Roster())
    monkeypatch.setattr(rosterpage, "monotonic", lambda: made.now_s)

    def names_of(path: Path) -> dict[str, str]:
        assert path == Path("store")
        if isinstance(made.names, Exception):
            raise made.names
        names: dict[str, str] = made.names
        return names

    monkeypatch.setattr(rosterpage, "names_of", names_of)
    made.board = Board(made.roster, Path("store"), lambda: made.refused)
    return made


async def test_names_are_asked_for_every_five_seconds_and_stay_where_the_store_is_busy(world):
    board, first = world.board, world.names
    await board.look()
    world.names = {"p": "Another Invented"}
    world.now_s = 4.99
    await board.look()
    world.now_s = 5.0
    await board.look()
    world.names = StoreError("busy")
    world.now_s = 10.0
    await board.look()
    another = {"p": "Another Invented"}
    assert world.roster.names == [first, first, another, another]


async def test_a_refusal_is_told_for_a_day(world):
    now = datetime.now(UTC)
    for bay, age in (("one", timedelta(hours=23, minutes=59)), ("two", timedelta(days=1))):
        world.refused.append(Refusal(bay, "1" * 32, now - age))
    await world.board.look()
    told = world.board.whole()["refused"]
    assert told.startswith("Bay one gave what was said at another's place (11111111)")
    assert told.endswith(" UTC.") and "two" not in told


async def test_the_page_is_made_of_its_rows_and_what_stands_in_the_way(world):
    world.roster.problem = "No broker."
    await world.board.look()
    whole = world.board.whole()
    assert whole["rows"] == [row("b1")] and whole["problem"] == "No broker."
    assert whole["told"] == "1 of 1 bay alive."
    assert list(world.board.rows) == ["b1"]


async def test_what_has_changed_is_told_and_nothing_twice(world, monkeypatch):
    monkeypatch.setattr(rosterpage, "EVERY_S", 0.0)
    board, roster = world.board, world.roster
    running = asyncio.create_task(board.run())
    changes = board.changes()

    async def told() -> dict[str, Any]:
        return await asyncio.wait_for(anext(changes), HANG_S)

    async def until(keys: list[str]) -> dict[str, Any]:
        for _ in range(1000):
            found = await told()
            if [each["key"] for each in found["rows"]] == keys:
                return found
        raise AssertionError(keys)

    first = await until(["b1"])
    assert (first["type"], first["order"]) == ("bays", ["b1"])
    same = await told()
    assert same["rows"] == [] and "order" not in same
    roster.shown = [row("b1", "silent"), row("b2")]
    both = await until(["b1", "b2"])
    assert both["order"] == ["b1", "b2"]
    roster.shown = [row("b2"), row("b1", "silent")]
    for _ in range(1000):
        if "order" in (moved := await told()):
            break
    assert moved["order"] == ["b2", "b1"] and moved["rows"] == []
    assert board._watched == 1
    await changes.aclose()
    assert board._watched == 0
    for _ in range(3):
        await asyncio.sleep(0)
    looked = len(roster.names)
    for _ in range(5):
        await asyncio.sleep(0)
    assert len(roster.names) == looked  # nobody looks, so no row is made
    running.cancel()


@pytest.fixture
def pages(tmp_path, monkeypatch) -> Iterator[SimpleNamespace]:
    """An application with the page, to a visitor whose rights are told."""
    made = SimpleNamespace(rights=Rights.COACH)

    async def rights(_: Any) -> Rights:
        found: Rights = made.rights
        return found

    monkeypatch.setattr(rosterpage, "beside", lambda *_: None)
    monkeypatch.setattr(rosterpage, "names_of", lambda path: {})
    (tmp_path / "s.toml").write_text("", "utf-8")
    app = FastAPI()
    access: Any = SimpleNamespace(rights=rights)
    config = load(tmp_path / "s.toml", {})
    made.roster = rosterpage.add_roster(app, config, access, tmp_path / "store")
    with TestClient(app) as made.client:
        yield made


def test_the_coach_alone_sees_the_page_and_is_told_what_changes(pages):
    said = "No message broker is set, so no bay can be heard: see mqtt.host in the settings."
    assert pages.roster.problem == said
    shown = pages.client.get("/bays")
    assert shown.status_code == 200 and said in shown.text
    with pages.client.websocket_connect("/bays/live") as page:
        told = page.receive_json()
    assert (told["type"], told["rows"], told["problem"]) == ("bays", [], said)
    pages.rights = next(one for one in Rights if one is not Rights.COACH)
    assert pages.client.get("/bays").status_code == 404
    with (
        pages.client.websocket_connect("/bays/live") as page,
        pytest.raises(WebSocketDisconnect) as closed,
    ):
        page.receive_json()
    assert (closed.value.code, closed.value.reason) == (CLOSED, SIGNED_OUT)


class Page:
    """A page's WebSocket: it leaves after so much was sent, or takes nothing."""

    def __init__(self, leaves_after: int = 0, *, takes: bool = True) -> None:
        self.sent: list[Any] = []
        self.left = asyncio.Event()
        self.leaves_after, self.takes = leaves_after, takes
        self.closed = 0

    async def receive_text(self) -> str:
        await self.left.wait()
        raise WebSocketDisconnect

    async def send_json(self, told: Any) -> None:
        if not self.takes:
            await asyncio.Event().wait()
        self.sent.append(told)
        if len(self.sent) == self.leaves_after:
            self.left.set()

    async def close(self) -> None:
        self.closed += 1
        self.left.set()


async def test_a_page_that_leaves_is_told_no_more(world, monkeypatch):
    monkeypatch.setattr(rosterpage, "EVERY_S", 0.0)
    running = asyncio.create_task(world.board.run())
    page: Any = Page(leaves_after=3)
    await asyncio.wait_for(rosterpage._serve(world.board, page), HANG_S)
    assert len(page.sent) >= 3 and world.board._watched == 0
    running.cancel()


async def test_a_page_that_takes_nothing_is_dropped(world, monkeypatch):
    monkeypatch.setattr(rosterpage, "EVERY_S", 0.0)
    monkeypatch.setattr(rosterpage, "SEND_LIMIT_S", 0.01)
    running = asyncio.create_task(world.board.run())
    page: Any = Page(takes=False)
    await asyncio.wait_for(rosterpage._serve(world.board, page), HANG_S)
    assert page.sent == [] and page.closed == 1 and world.board._watched == 0
    running.cancel()
