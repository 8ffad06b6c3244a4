"""How many connections there may be, and whose goes; `test_pace.py` has a server's."""

import resource
import socket
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from plantigrade_gateway.web.door import pace
from plantigrade_gateway.web.door.pace import Listening, _whose, most_connections


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
