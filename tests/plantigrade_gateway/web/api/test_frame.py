"""What all routes of the API have in common: bodies, pages of lists, who may ask."""

import asyncio
import json
from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any, cast

import pytest
from fastapi import HTTPException
from starlette.requests import Request

from plantigrade_gateway.web.api import frame
from plantigrade_gateway.web.api.frame import Bounded, Coach, check_visit, paged, told
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere
from plantigrade_gateway.web.door.access import Access, Rights


@pytest.mark.parametrize(
    ("total", "page", "first", "n", "pages"),
    [(0, 1, None, 0, 1), (100, 1, 0, 100, 1), (101, 1, 0, 100, 2), (101, 2, 100, 1, 2),
     (250, 3, 200, 50, 3), (5, 2, None, 0, 1)],
)  # fmt: skip
def test_a_page_of_a_list_has_100_rows(total, page, first, n, pages):
    found = paged(list(range(total)), page)
    assert (found["page"], found["pages"], found["total"]) == (page, pages, total)
    assert len(found["rows"]) == n
    assert first is None or found["rows"][0] == first


def test_a_refusal_is_one_sentence():
    answer = told(409, "the store does not allow it")
    assert answer.status_code == 409
    assert json.loads(bytes(answer.body)) == {"error": "the store does not allow it"}


@pytest.mark.parametrize(
    ("rights", "status"), [(None, 401), (Rights.PLAYER, 403), (Rights.COACH, None)]
)
async def test_only_a_coach_is_let_in(rights, status):
    async def known(request: object) -> Any:
        return rights

    coach = Coach(cast(Access, SimpleNamespace(rights=known)))
    if status is None:
        await coach(cast(Request, None))
        return
    with pytest.raises(HTTPException) as caught:
        await coach(cast(Request, None))
    assert caught.value.status_code == status
    assert caught.value.detail == {401: "Sign in first.", 403: "This is the coach's alone."}[status]


def test_a_visit_is_its_players():
    reads = SimpleNamespace(session=lambda _: SimpleNamespace(player_id="p1"))
    check_visit(cast(DeskStore, reads), "p1", "s1")
    check_visit(cast(DeskStore, None), "p1", None)
    with pytest.raises(NotThere) as caught:
        check_visit(cast(DeskStore, reads), "p2", "s1")
    assert str(caught.value) == "session s1: is not this player's"


async def served(pieces: Iterable[bytes | None], kind: str = "http") -> tuple[list[bytes], int]:
    """Send a body in pieces, None: the other side goes; return what came, and the status."""
    parts: list[dict[str, Any]] = [
        {"type": "http.disconnect"} if piece is None else
        {"type": "http.request", "body": piece, "more_body": True} for piece in pieces
    ]  # fmt: skip
    if parts and parts[-1]["type"] == "http.request":
        parts[-1]["more_body"] = False
    came: list[bytes] = []
    status = [0]

    async def app(scope: Any, receive: Any, send: Any) -> None:
        message = await receive()
        came.append(message.get("body", b""))
        assert message.get("more_body", False) is (kind != "http" and len(parts) > 0)

    async def receive() -> Any:
        if not parts:
            await asyncio.sleep(60.0)
        return parts.pop(0)

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            status[0] = message["status"]
        else:
            came.append(message["body"])

    await Bounded(app)({"type": kind}, receive, send)
    return came, status[0]


async def test_a_body_comes_whole_to_its_route():
    assert await served([b'{"a"', b": ", b"1}"]) == ([b'{"a": 1}'], 0)
    assert await served([b""]) == ([b""], 0)
    assert await served([b'{"a"', None]) == ([], 0)  # the other side has gone


@pytest.mark.parametrize(("n", "is_taken"), [(16_384, True), (16_385, False)])
async def test_a_body_of_16_384_bytes_is_read_at_most(n, is_taken):
    body = b'"' + b"x" * (n - 2) + b'"'
    came, status = await served([body[:9000], body[9000:]])
    if is_taken:
        assert (came, status) == ([body], 0)
    else:
        assert status == 400
        assert json.loads(came[0])["error"].lower().startswith("body: longer than 16384 bytes")


async def test_what_is_no_json_or_too_deep_does_not_reach_a_route():
    for body in (b"{", b"\xff", b"[" * 5000):
        came, status = await served([body])
        assert status == 400 and "body" in json.loads(came[0])["error"].lower()


async def test_a_body_that_does_not_come_is_refused(monkeypatch):
    monkeypatch.setattr(frame, "HEAD_S", 0.01)
    parts: list[bytes | None] = []
    came, status = await served(parts)
    assert status == 400
    assert "did not come within 0.01 s" in json.loads(came[0])["error"]
