"""How many connections there may be, and whose goes; `test_pace.py` has a server's."""

import asyncio
import resource
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from types import SimpleNamespace
from typing import Any

import pytest
import uvicorn
from tests.support.turns import turns_until
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from plantigrade_gateway.web.door import pace
from plantigrade_gateway.web.door.pace import Listening, Paced, _whose, most_connections


@pytest.fixture(autouse=True)
def forgotten() -> Iterator[None]:
    """What was found of the system is asked for again, before and after."""
    most_connections.cache_clear()
    yield
    most_connections.cache_clear()


@pytest.mark.parametrize(
    ("address", "whose"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),  # IPv4 within IPv6, RFC 4291
        ("2001:db8:1:2:3:4:5:6", str(0x20010DB800010002)),
        ("2001:db8:1:2::1%eth0", str(0x20010DB800010002)),
    ],
)
def test_a_side_is_an_address_and_of_ipv6_a_network_of_64_bits(address, whose):
    assert _whose((address, 1234)) == whose


@pytest.mark.parametrize(
    ("soft", "hard", "most", "set_to"),
    [
        (1024, 1_000_000, 4096, 4352),
        (1024, 2048, 1792, 2048),
        (8192, 8192, 4096, None),
        (300, 300, 44, None),
        (200, 200, 1, None),
        (1024, resource.RLIM_INFINITY, 4096, 4352),
        (resource.RLIM_INFINITY, resource.RLIM_INFINITY, 4096, None),
    ],
)
def test_the_system_gives_descriptors_for_4096_and_256_for_all_else(
    monkeypatch, soft, hard, most, set_to
):
    given: list[tuple[int, tuple[int, int]]] = []
    monkeypatch.setattr(resource, "getrlimit", lambda _: (soft, hard))
    monkeypatch.setattr(resource, "setrlimit", lambda what, limits: given.append((what, limits)))
    assert most_connections() == most
    expected = [] if set_to is None else [(resource.RLIMIT_NOFILE, (set_to, hard))]
    assert given == expected


@pytest.fixture
def listening(monkeypatch) -> Iterator[Listening]:
    """Three connections at most."""
    monkeypatch.setattr(pace, "most_connections", lambda: 3)
    with Listening(socket.create_server(("127.0.0.1", 0))) as made:
        yield made


def come(
    stack: ExitStack, listening: Listening, origin: str
) -> tuple[socket.socket, socket.socket]:
    """Connect from an address of this machine; return this side and the one that was taken."""
    mine = stack.enter_context(
        socket.create_connection(listening.getsockname(), source_address=(origin, 0))
    )
    theirs, address = listening.accept()
    assert address == mine.getsockname()
    return mine, stack.enter_context(theirs)


def test_where_there_are_as_many_as_may_be_the_newest_of_who_has_most_goes(listening):
    with ExitStack() as stack:
        first, newest = (come(stack, listening, "127.0.0.2") for _ in range(2))
        come(stack, listening, "127.0.0.3")
        # another of the one that has most is too many
        with (
            socket.create_connection(
                listening.getsockname(), source_address=("127.0.0.2", 0)
            ) as more,
            pytest.raises(ConnectionAbortedError),
        ):
            listening.accept()
        more.close()
        come(stack, listening, "127.0.0.4")
        newest[0].settimeout(5.0)
        assert newest[0].recv(1) == b""  # it was ended
        first[0].sendall(b"x")
        first[1].settimeout(5.0)
        assert first[1].recv(1) == b"x"


def test_who_has_but_one_more_than_a_new_one_would_have_keeps_it(listening):
    with ExitStack() as stack:
        for origin in ("127.0.0.2", "127.0.0.3", "127.0.0.4"):
            come(stack, listening, origin)
        with (
            socket.create_connection(listening.getsockname(), source_address=("127.0.0.5", 0)),
            pytest.raises(ConnectionAbortedError),
        ):
            listening.accept()


def test_a_closed_one_makes_room_once(listening):
    with ExitStack() as stack:
        made = [come(stack, listening, "127.0.0.2") for _ in range(3)]
        made[0][1].close()
        made[0][1].close()
        come(stack, listening, "127.0.0.2")
        with (
            socket.create_connection(listening.getsockname(), source_address=("127.0.0.2", 0)),
            pytest.raises(ConnectionAbortedError),
        ):
            listening.accept()


def test_one_that_is_closed_already_makes_no_room_again(listening):
    with ExitStack() as stack:
        _, second, third = (come(stack, listening, "127.0.0.2") for _ in range(3))
        third[1].close()
        come(stack, listening, "127.0.0.3")
        come(stack, listening, "127.0.0.4")  # the newest that is open of who has most goes
        second[0].settimeout(5.0)
        assert second[0].recv(1) == b""


# ---- how long a connection may take; its clock is the test's ----


class Transport(asyncio.Transport):
    """Keeps what is sent, and whether it was ended."""

    def __init__(self) -> None:
        super().__init__()
        self.sent = b""
        self.is_aborted = self.is_closed = False

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default

    def write(self, data: Any) -> None:
        self.sent += bytes(data)

    def is_closing(self) -> bool:
        return self.is_closed or self.is_aborted

    def close(self) -> None:
        self.is_closed = True

    def abort(self) -> None:
        self.is_aborted = True

    def pause_reading(self) -> None:
        """What comes is the test's."""

    def resume_reading(self) -> None:
        """What comes is the test's."""


class Timers:
    """A loop whose timers the test lets pass."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self.set: list[Any] = []

    def call_later(self, seconds: float, what: Callable[..., Any], *arguments: Any) -> Any:
        timer = SimpleNamespace(seconds=seconds, is_over=False, run=lambda: what(*arguments))
        timer.cancel = lambda: setattr(timer, "is_over", True)
        self.set.append(timer)
        return timer

    def of(self, seconds: float) -> list[Any]:
        """Return the timers of so many seconds that still run."""
        return [one for one in self.set if one.seconds == seconds and not one.is_over]

    def __getattr__(self, name: str) -> Any:
        return getattr(self._loop, name)


HEAD, TAKE = 10.0, 30.0
REQUEST = b"GET / HTTP/1.1\r\nHost: here\r\n\r\n"


@pytest.fixture
async def paced() -> tuple[Paced, Transport, Timers, asyncio.Event]:
    answers = asyncio.Event()

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await answers.wait()
        headers = [(b"content-length", b"1")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": b"x"})

    config = uvicorn.Config(app, log_level="critical", lifespan="off", timeout_keep_alive=77)
    config.load()
    timers, transport = Timers(), Transport()
    loop: Any = timers
    made = Paced(config, ServerState(), {}, _loop=loop)
    made.connection_made(transport)
    return made, transport, timers, answers


async def test_a_head_has_ten_seconds_from_the_connection_on_whatever_comes(paced):
    made, transport, timers, _ = paced
    assert (pace.HEAD_S, pace.TAKE_S) == (HEAD, TAKE)
    (timer,) = timers.of(HEAD)
    for k in range(3):
        made.data_received(REQUEST[5 * k : 5 * k + 5])
        assert timers.of(HEAD) == [timer]  # neither put off nor set again
    timer.run()
    assert transport.is_aborted


async def test_a_whole_head_ends_the_wait_and_the_next_request_begins_it(paced):
    made, transport, timers, answers = paced
    made.data_received(REQUEST)
    assert timers.of(HEAD) == []
    answers.set()
    await turns_until(lambda: transport.sent.endswith(b"x"))
    assert timers.of(HEAD) == []  # between requests the server's own limit holds
    made.data_received(REQUEST[:9])
    assert len(timers.of(HEAD)) == 1
    made.data_received(REQUEST[9:])
    await turns_until(lambda: transport.sent.count(b"\r\n\r\nx") == 2)
    made.data_received(REQUEST[:9])
    made.connection_lost(None)
    assert timers.of(HEAD) == [] and timers.of(TAKE) == []


async def test_what_waits_to_be_sent_has_half_a_minute(paced):
    made, transport, timers, _ = paced
    made.pause_writing()
    assert len(timers.of(TAKE)) == 1
    made.resume_writing()
    assert timers.of(TAKE) == []
    made.resume_writing()
    made.pause_writing()
    (timer,) = timers.of(TAKE)
    timer.run()
    assert transport.is_aborted
    made.connection_lost(None)
    assert timers.of(TAKE) == []


async def test_a_websocket_has_limits_of_its_own(paced, monkeypatch):
    made, _, timers, _ = paced
    upgraded: list[Any] = []
    monkeypatch.setattr(H11Protocol, "handle_websocket_upgrade", lambda _, e: upgraded.append(e))
    made.handle_websocket_upgrade("event")
    assert upgraded == ["event"]
    made.data_received(b"G")
    assert timers.of(HEAD) == []
