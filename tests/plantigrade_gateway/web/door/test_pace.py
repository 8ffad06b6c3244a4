"""A connection that is too slow is closed; one that is not stays, however long it is used."""

import asyncio
import socket
import ssl
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import uvicorn
import websockets
from fastapi import FastAPI, Request, Response, WebSocket
from fastapi.responses import PlainTextResponse
from tests.support import certificates
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door import pace, pages

pytestmark = pytest.mark.dear

LONG_S = 600.0
SHORT_S = 0.2
running: list[uvicorn.Server] = []
Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


def app() -> FastAPI:
    made = FastAPI()

    @made.get("/")
    async def short() -> Response:
        return PlainTextResponse("here")

    @made.get("/large")
    async def large() -> Response:
        return Response(bytes(50_000_000))

    @made.post("/form")
    async def form(request: Request) -> Response:
        try:
            return PlainTextResponse(str(await pages.read_form(request)))
        except InputError as error:
            return PlainTextResponse(str(error), 400)

    @made.websocket("/live")
    async def live(websocket: WebSocket) -> None:
        await websocket.accept()
        while True:
            await websocket.send_text(await websocket.receive_text())

    return made


@asynccontextmanager
async def served(pems: tuple[Path, Path] | None = None) -> AsyncIterator[int]:
    """Serve as the web process does, over TLS with a certificate and its key; give the port."""
    cert, key = pems or (None, None)
    server = uvicorn.Server(
        uvicorn.Config(
            app(),
            http=pace.Paced,
            log_level="error",
            timeout_keep_alive=600,
            ssl_certfile=cert,
            ssl_keyfile=key,
        )
    )
    server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]
    running.append(server)
    listening = pace.Listening(socket.create_server(("127.0.0.1", 0)))
    task = asyncio.create_task(server.serve([listening]))
    while not server.started:
        await asyncio.sleep(0.01)
    try:
        yield listening.getsockname()[1]
    finally:
        server.should_exit = server.force_exit = True
        await task


@asynccontextmanager
async def connected(
    port: int, origin: str = "127.0.0.1", secure: ssl.SSLContext | None = None
) -> AsyncIterator[Streams]:
    """Connect, from an address of this machine's."""
    name = None if secure is None else "bay.local"
    reader, writer = await asyncio.open_connection(
        "127.0.0.1", port, local_addr=(origin, 0), ssl=secure, server_hostname=name
    )
    try:
        yield reader, writer
    finally:
        writer.transport.abort()


async def drips_a_head(streams: Streams) -> None:
    streams[1].write(b"GET / HTTP/1.1\r\nHost: x\r\n")
    while True:
        streams[1].write(b"X-More: 1\r\n")
        await asyncio.sleep(SHORT_S / 4)


async def drips_a_body_that_nobody_wants(streams: Streams) -> None:
    streams[1].write(b"GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 100000\r\n\r\n")
    while True:
        streams[1].write(b"x")
        await asyncio.sleep(SHORT_S / 4)


async def ask(streams: Streams) -> bytes:
    streams[1].write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
    head = await streams[0].readuntil(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200")
    return await streams[0].readexactly(4)


async def closed(streams: Streams) -> None:
    """Wait until the other side has closed; what it says before does not matter."""
    with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
        await streams[0].readexactly(60_000_000)


@pytest.mark.parametrize("asked_before", [0, 1])
@pytest.mark.parametrize("slowly", [drips_a_head, drips_a_body_that_nobody_wants])
async def test_who_is_too_slow_is_closed(slowly, asked_before, monkeypatch):
    monkeypatch.setattr(pace, "HEAD_S", SHORT_S)
    async with served() as port, connected(port) as streams, asyncio.timeout(HANG_S):
        for _ in range(asked_before):
            assert await ask(streams) == b"here"
        task = asyncio.create_task(slowly(streams))
        await closed(streams)
        task.cancel()


async def test_who_says_nothing_is_closed(monkeypatch):
    monkeypatch.setattr(pace, "HEAD_S", SHORT_S)
    async with served() as port, connected(port) as streams, asyncio.timeout(HANG_S):
        await closed(streams)


async def test_one_connection_too_many_is_closed_and_the_others_stay(monkeypatch):
    monkeypatch.setattr(pace, "most_connections", lambda: 2)
    async with served() as port, asyncio.timeout(HANG_S), connected(port) as one:
        assert await ask(one) == b"here"
        async with connected(port) as two:
            assert await ask(two) == b"here"
            async with connected(port) as three:
                await closed(three)
            assert await ask(one) == b"here" and await ask(two) == b"here"
        while True:  # two has left; that is known a moment later
            async with connected(port) as again:
                with suppress(ConnectionError, asyncio.IncompleteReadError):
                    assert await ask(again) == b"here"
                    break


@pytest.mark.parametrize("over_tls", [False, True])
async def test_who_holds_all_connections_keeps_nobody_else_out(tmp_path, over_tls, monkeypatch):
    """What holds them says nothing: over TLS not even the first word of the handshake."""
    monkeypatch.setattr(pace, "most_connections", lambda: 8)
    pems = certificates.made(tmp_path) if over_tls else None
    secure = ssl.create_default_context(cafile=pems[0]) if pems is not None else None
    async with AsyncExitStack() as held, served(pems) as port, asyncio.timeout(HANG_S):
        for _ in range(12):  # four are too many, and closed
            await held.enter_async_context(connected(port, "127.0.0.2"))
        async with connected(port, secure=secure) as one, connected(port, secure=secure) as two:
            for _ in range(12):
                await held.enter_async_context(connected(port, "127.0.0.2"))
            assert await ask(one) == b"here" and await ask(two) == b"here"


def test_there_are_no_more_connections_than_the_system_has_descriptors_for():
    """In a process of its own, whose limit is 300, and may be raised to 400: 400 - 256."""
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_NOFILE, (300, 400))\n"
        "from plantigrade_gateway.web.door.pace import most_connections\n"
        "print(most_connections(), resource.getrlimit(resource.RLIMIT_NOFILE))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout == "144 (400, 400)\n"


async def test_who_takes_nothing_is_closed(monkeypatch):
    monkeypatch.setattr(pace, "TAKE_S", SHORT_S)
    async with served() as port, connected(port) as streams, asyncio.timeout(HANG_S):
        transport: Any = streams[1].transport
        transport.pause_reading()
        streams[1].write(b"GET /large HTTP/1.1\r\nHost: x\r\n\r\n")
        server = running[-1]
        while not server.server_state.connections:
            await asyncio.sleep(0.01)
        while server.server_state.connections:
            await asyncio.sleep(0.01)
        transport.resume_reading()
        await closed(streams)


async def test_one_that_is_used_stays(monkeypatch):
    monkeypatch.setattr(pace, "HEAD_S", LONG_S)
    async with served() as port, connected(port) as streams, asyncio.timeout(HANG_S):
        for _ in range(3):
            assert await ask(streams) == b"here"


async def test_a_websocket_stays_longer_than_a_head_may_take(monkeypatch):
    monkeypatch.setattr(pace, "HEAD_S", 2.0)
    async with (
        served() as port,
        asyncio.timeout(HANG_S),
        websockets.connect(f"ws://127.0.0.1:{port}/live") as socket,
    ):
        await asyncio.sleep(2.5)
        await socket.send("still here")
        assert await socket.recv() == "still here"


async def test_a_form_that_does_not_come_is_refused(monkeypatch):
    monkeypatch.setattr(pages, "HEAD_S", SHORT_S)
    head = (
        b"POST /form HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\n\r\na="
    )
    async with served() as port, connected(port) as (reader, writer), asyncio.timeout(HANG_S):
        writer.write(head)
        answer: Any = await reader.readuntil(b"within 0.2 s")
        assert answer.startswith(b"HTTP/1.1 400")
