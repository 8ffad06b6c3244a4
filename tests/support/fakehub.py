"""A small honest hub for tests of the bay's side: the contract of `sync/messages.py`, in memory.

Real sockets, TLS where it is told to. It keeps what it was given as plain lists and dicts, checks
what a hub must check, and does what it is told to do wrong, one fault a request.
"""

import asyncio
import contextlib
import hashlib
import json
import ssl
import struct
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

from aiohttp import web
from tests.support.servers import free_port

TOKEN = "bay1.s3cret-of-a-test"
FAULTS = (
    *("well", "cut in the body", "answer lost", "cut in the answer", "500", "503 with a pause"),
    *("garbage", "other JSON", "endless", "moved", "no HTTP", "forgets", "killed"),
)
"""What may be wrong with a request; ``well``: nothing. One more is ``slow``."""
TIMEOUT_S = "4"
"""What a bay is set to wait, s: enough on a busy machine; one fault waits for it."""
_PREFIX = "/bay/v1"


class FakeHub:
    """What it was given, and what it is to do wrong next."""

    def __init__(self) -> None:
        self.url = ""
        self.token = TOKEN
        self.faults: deque[str] = deque()
        self.heads: dict[str, dict[str, Any]] = {}
        self.pieces: dict[str, list[bytes]] = {}
        self.ends: dict[str, dict[str, Any]] = {}
        self.times_ended: dict[str, int] = {}
        self.deleted: set[str] = set()
        self.others: set[str] = set()
        """Sessions of another bay."""
        self.receipts: dict[str, list[dict[str, Any]]] = {}
        self.changes: dict[str, dict[str, Any]] = {}
        self.restamps: set[tuple[str, int]] = set()
        self.seen: dict[str, int] = {}
        self.places: set[str] = set()
        self.given: list[tuple[str, int]] = []
        """Each piece that was taken, as often as it was."""
        self.together = 64
        """Pieces in one request; 1: a hub of before there were several."""
        self.requests: list[str] = []
        self.refusals: list[str] = []
        """Of whatever a bay that keeps the contract never asks."""
        self._last: list[Any] = []

    @property
    def is_well(self) -> bool:
        """Whether nothing is to go wrong any more."""
        return not self.faults

    @contextlib.asynccontextmanager
    async def running(
        self, tls: ssl.SSLContext | None = None, port: int = 0
    ) -> AsyncIterator["FakeHub"]:
        app = web.Application(client_max_size=64 << 20)
        app.router.add_route("*", "/{path:.*}", self._handle)
        runner = web.AppRunner(app, shutdown_timeout=0.1)
        await runner.setup()
        site = web.TCPSite(
            runner, "127.0.0.1", port or free_port(), ssl_context=tls, reuse_address=True
        )
        await site.start()
        place = "https://localhost" if tls else "http://127.0.0.1"
        self.url = f"{place}:{runner.addresses[0][1]}"
        try:
            yield self
        finally:
            await runner.cleanup()

    def forget(self) -> None:
        """Lose what was acknowledged last, as one does that was killed before its disk had it."""
        if self._last:
            undo, *rest = self._last.pop()
            undo(*rest)

    def _forget_quietly(self) -> None:
        """Lose a piece, an end or a head while nobody is told that anything broke."""
        if self._last and self._last[-1][0] is not setattr:
            self.forget()

    async def _handle(self, request: web.Request) -> web.StreamResponse:
        self.requests.append(f"{request.method} {request.path}")
        if request.headers.get("Authorization") != f"Bearer {self.token}":
            return _json(401, {"error": "no such credential"})
        fault = self.faults.popleft() if self.faults else "well"
        assert request.transport is not None
        if fault == "cut in the body":
            await request.content.read(10)
            request.transport.abort()
            return web.Response()
        if fault == "slow":  # until the other side gives up
            await asyncio.sleep(3600)
        if fault == "no HTTP":
            request.transport.write(b"\x00\x01 what is this\r\n\r\n")
            request.transport.close()
            return web.Response()
        if fault == "killed":
            self.forget()
            request.transport.abort()
            return web.Response()
        if fault == "forgets":
            self._forget_quietly()
        wrong = {
            "500": lambda: _json(500, {"error": "out of order"}),
            "503 with a pause": lambda: web.Response(status=503, headers={"Retry-After": "0"}),
            "garbage": lambda: web.Response(body=b"\xff\x00{{{"),
            "other JSON": lambda: _json(200, {"pieces": -5, "changes": 3}),
            "moved": lambda: web.Response(status=307, headers={"Location": f"{self.url}/else"}),
        }
        if fault == "endless":
            return await _endless(request)
        if fault in wrong:
            return wrong[fault]()
        body = await request.read()
        answer = self._answer(request, body)
        if fault == "answer lost":
            request.transport.abort()
        if fault == "cut in the answer":
            begun = web.StreamResponse(headers={"Content-Length": "500"})
            await begun.prepare(request)
            await begun.write(b'{"pieces": ')
            request.transport.abort()
        return answer

    def _answer(self, request: web.Request, body: bytes) -> web.Response:
        assert request.path.startswith(_PREFIX), request.path
        if any(key in request.path for key in self.others):
            return _json(404, _error("there is no such session of this bay"))
        match request.method, request.path.removeprefix(_PREFIX + "/").split("/"):
            case "PUT", ["sessions", key]:
                return self._begin(key, json.loads(body))
            case "GET", ["sessions", key]:
                return self._received(key) if key in self.heads else _json(404, _error("none"))
            case "PUT", ["sessions", key, "pieces", number]:
                given = request.headers.get("Piece-SHA256", "")
                return self._piece(key, int(number), body, given)
            case "POST", ["sessions", key, "pieces"]:
                return self._pieces(key, body)
            case "POST", ["sessions", key, "end"]:
                return self._end(key, json.loads(body))
            case "POST", ["changes"]:
                return self._exchange(json.loads(body))
            case "PUT", ["deleted", player]:
                self.receipts.setdefault(player, []).append(json.loads(body)["receipt"])
                self._last.append((self.receipts[player].pop,))
                return _json(200, json.loads(body))
        raise AssertionError(f"{request.method} {request.path}: not in the contract")

    def _begin(self, key: str, head: dict[str, Any]) -> web.Response:
        assert key == head["session_id"]
        if key in self.deleted:
            return _json(410, _error("was deleted"))
        self.heads[key] = head
        if key not in self.pieces:
            self.pieces[key] = []
            self._last.append((self.heads.pop, key, None))
        return self._received(key)

    def _received(self, key: str, status: int = 200) -> web.Response:
        if key in self.deleted:
            return _json(410, _error("was deleted"))
        had = {"pieces": len(self.pieces[key]), "is_whole": key in self.ends, "is_deleted": False}
        return _json(status, had | ({"together": self.together} if self.together > 1 else {}))

    def _pieces(self, key: str, body: bytes) -> web.Response:
        """Take several, each by its own number and hash (`hardware_notes/hub.md`)."""
        taken, before = [], len(self.pieces.get(key, []))
        while body:
            number, size = struct.unpack("<II", body[:8])
            given, data, body = body[8:40].hex(), body[40 : 40 + size], body[40 + size :]
            answer = self._piece(key, number, data, given)
            if answer.status != 200:
                return answer
            taken.append([number, given])
        assert 1 < len(taken) <= self.together, "not so many together"
        new = len(self.pieces[key]) - before
        del self._last[len(self._last) - new :]
        self._last.append((self._unadd, key, new))
        assert answer.text is not None
        return _json(200, json.loads(answer.text) | {"taken": taken})

    def _unadd(self, key: str, count: int) -> None:
        del self.pieces[key][len(self.pieces[key]) - count :]

    def _piece(self, key: str, number: int, body: bytes, given: str) -> web.Response:
        if key in self.deleted:
            return _json(410, _error("was deleted"))
        if key not in self.heads:
            return _json(404, _error("no such session"))
        if hashlib.sha256(body).hexdigest() != given:
            return self._refuse(f"{key} {number}: another hash")
        there = self.pieces[key]
        if number < len(there) and there[number] != body:
            return self._refuse(f"{key} {number}: other bytes")
        if number > len(there):
            return self._received(key, 409)
        if number == len(there):
            there.append(body)
            self.given.append((key, number))
            self.ends.pop(key, None)
            self._last.append((there.pop,))
        return self._received(key)

    def _end(self, key: str, end: dict[str, Any]) -> web.Response:
        if key in self.deleted:
            return _json(410, _error("was deleted"))
        if key not in self.heads:
            return _json(404, _error("no such session"))
        there = self.pieces[key]
        if end["pieces"] != len(there):
            return self._received(key, 409)
        hashes = b"".join(hashlib.sha256(piece).digest() for piece in there)
        if end["sha256"] != hashlib.sha256(hashes).hexdigest():
            return self._refuse(f"{key}: ends with another hash")
        self.ends[key] = end
        self.times_ended[key] = self.times_ended.get(key, 0) + 1
        self._last.append((self.ends.pop, key, None))
        return self._received(key)

    def _exchange(self, body: dict[str, Any]) -> web.Response:
        before = dict(self.seen)
        for one in body["changes"]:
            if one["seq"] > self.seen.get(one["site"], 0):
                self.seen[one["site"]] = one["seq"]
            self.changes.setdefault(one["change_id"], one)
        self.restamps |= {(key, stamp) for key, stamp in body["restamps"]}
        if self.seen != before:
            self._last.append((setattr, self, "seen", before))
        if body.get("place") is not None:
            self.places.add(body["place"])
        above = [c for c in self.changes.values() if c["seq"] > body["has"].get(c["site"], 0)]
        above.sort(key=lambda c: (c["site"], c["seq"]))
        stamps = [list(pair) for pair in sorted(self.restamps)]
        told = {"changes": above[:500], "restamps": stamps, "has": self.seen}
        return _json(200, {**told, "places": sorted(self.places)})

    def _refuse(self, text: str) -> web.Response:
        self.refusals.append(text)
        return _json(409, _error(text))


async def _endless(request: web.Request) -> web.StreamResponse:
    begun = web.StreamResponse()
    await begun.prepare(request)
    while True:
        await begun.write(b" " * 65536)


def _error(text: str) -> dict[str, str]:
    return {"error": text}


def _json(status: int, body: dict[str, Any]) -> web.Response:
    return web.json_response(body, status=status)
