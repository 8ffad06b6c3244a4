"""What goes to the hub and what its answers mean (`hardware_notes/hub.md`): no byte travels."""

import hashlib
import json
import ssl
import struct
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import aiohttp
import pytest
from tests.support.fakehub import TOKEN
from tests.support.syncing import settings

from plantigrade_gateway.config import Config, load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sync import link
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.link import Hub, HubAway, HubRefused, check
from plantigrade_gateway.sync.messages import (
    Changes,
    Deleted,
    Received,
    SessionEnd,
    SessionHead,
)

KEY = "0123456789abcdef" * 2
AT = f"https://hub.example:8643/bay/v1/sessions/{KEY}"
NAME = "hub https://hub.example:8643"


class Wire:
    """Stands for aiohttp's session: notes what is asked, gives the next answer."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str, Any, dict[str, str]]] = []
        self.answer: tuple[int, bytes] | Exception = (200, b'{"pieces": 0}')
        self.headers: dict[str, str] = {}
        self.parts = 1
        self.closed = 0
        self.opened: dict[str, Any] = {}

    def open(self, **how: Any) -> "Wire":
        self.opened = how
        return self

    async def close(self) -> None:
        self.closed += 1
        await self.opened["connector"].close()

    def request(
        self, method: str, url: str, *, data: Any, headers: dict[str, str], allow_redirects: bool
    ) -> "Wire":
        assert allow_redirects is False
        self.asked.append((method, url, data, headers))
        return self

    async def __aenter__(self) -> SimpleNamespace:
        if isinstance(self.answer, Exception):
            raise self.answer
        status, body = self.answer

        async def iter_any():
            size = -(-len(body) // self.parts) or 1
            for at in range(0, len(body), size):
                yield body[at : at + size]

        return SimpleNamespace(
            status=status,
            headers=self.headers,
            content=SimpleNamespace(iter_any=iter_any),
            close=lambda: None,
        )

    async def __aexit__(self, *_: object) -> None:
        pass


@pytest.fixture(scope="module")
def config(tmp_path_factory) -> Config:
    file = tmp_path_factory.mktemp("bay") / "settings.toml"
    file.write_text("", "utf-8")
    return load(file, settings("https://hub.example:8643/", hub_timeout_s="7"))


@pytest.fixture(scope="module")
def trusting() -> ssl.SSLContext:
    return ssl.create_default_context()


@pytest.fixture
def wire(monkeypatch, trusting) -> Wire:
    made = Wire()
    monkeypatch.setattr(aiohttp, "ClientSession", made.open)
    monkeypatch.setattr(ssl, "create_default_context", lambda cafile: trusting)
    return made


async def test_each_request_carries_the_credential_and_nothing_is_kept_between_them(config, wire):
    async with Hub(config) as hub:
        assert hub.url == "https://hub.example:8643"  # without the slash
        assert wire.opened["headers"] == {"Authorization": f"Bearer {TOKEN}"}
        assert wire.opened["timeout"].total == 7.0
        assert isinstance(wire.opened["cookie_jar"], aiohttp.DummyCookieJar)
        assert wire.opened["auto_decompress"] is False
        assert wire.opened["connector"].limit == 8
        assert wire.closed == 0
    assert wire.closed == 1


async def test_what_is_asked_is_as_the_contract_has_it(config, wire):
    head = SessionHead(KEY, None, "2026-03-01T09:30:00.250+00:00", 60, {"name": "Å"})
    piece = Piece.of(3, b"abc")
    sums = [hashlib.sha256(data).hexdigest() for data in (b"abc", b"de")]
    taken = json.dumps({"pieces": 5, "taken": [[3, sums[0]], [4, sums[1]]]}).encode()
    as_json = {"Content-Type": "application/json"}
    async with Hub(config) as hub:
        await hub.begin(head)
        await hub.received(KEY)
        await hub.piece(KEY, 3, b"abc")
        wire.answer = 200, taken
        assert (await hub.pieces(KEY, [piece, Piece.of(4, b"de")])).pieces == 5
        wire.answer = 200, b'{"pieces": 5, "is_whole": true, "together": 64}'
        assert await hub.end(KEY, SessionEnd(5, sums[0], "f" * 32)) == Received(
            5, is_whole=True, together=64
        )
        wire.answer = 200, b'{"changes": [], "restamps": [["c", 7]], "has": {"p": 2}}'
        given = await hub.exchange(Changes([{"a": 1}], [], {"q": 1}, "q"))
        assert given == Changes([], [("c", 7)], {"p": 2})
        wire.answer = 200, b"{}"
        await hub.deleted("e" * 32, Deleted({"series": 2}))
    begin, received, one, several, end, changes, deleted = wire.asked
    assert begin[:2] == ("PUT", AT) and begin[3] == as_json
    assert json.loads(begin[2])["about"] == {"name": "Å"} and "Å".encode() in begin[2]
    assert received == ("GET", AT, None, {})
    assert one[:3] == ("PUT", f"{AT}/pieces/3", b"abc")
    assert one[3] == {"Content-Type": "application/octet-stream", "Piece-SHA256": sums[0]}
    framed = [
        struct.pack("<II", number, len(data)) + bytes.fromhex(sum_) + data
        for number, data, sum_ in ((3, b"abc", sums[0]), (4, b"de", sums[1]))
    ]
    assert several[:3] == ("POST", f"{AT}/pieces", b"".join(framed))
    assert end[:2] == ("POST", f"{AT}/end")
    assert json.loads(end[2]) == {"pieces": 5, "sha256": sums[0], "player_id": "f" * 32}
    assert changes[:2] == ("POST", "https://hub.example:8643/bay/v1/changes")
    assert json.loads(changes[2])["place"] == "q"
    assert deleted[:2] == ("PUT", f"https://hub.example:8643/bay/v1/deleted/{'e' * 32}")
    assert json.loads(deleted[2]) == {"receipt": {"series": 2}}


@pytest.mark.parametrize(
    ("status", "body", "received"),
    [
        (200, b'{"pieces": 4, "together": 64}', Received(4, together=64)),
        (201, b'{"pieces": 4}', Received(4)),  # a hub of an older version takes one at a time
        (299, b'{"pieces": 0}', Received(0)),
        (200, b'{"pieces": 2147483648}', Received(2147483648)),
        (404, b'{"error": "There is no such session of this bay."}', Received(0)),
        (409, b'{"pieces": 2, "error": "number 2 is the next one"}', Received(2)),
        (410, b"", Received(0, is_deleted=True)),
    ],
)
async def test_what_the_hub_has(config, wire, status, body, received):
    wire.answer = status, body
    async with Hub(config) as hub:
        assert await hub.received(KEY) == received


@pytest.mark.parametrize(
    ("status", "body", "kind", "said"),
    [
        (200, b'{"pieces": -1}', HubAway, "says that it has -1 pieces"),
        (200, b'{"pieces": 2147483649}', HubAway, "says that it has 2147483649 pieces"),
        (200, b"{", HubAway, "does not answer as a hub does"),
        (300, b"", HubAway, "sends elsewhere, where nothing is sent"),
        (399, b"", HubAway, "sends elsewhere, where nothing is sent"),
        (400, b"", HubRefused, "does not take it (400)"),
        (
            401,
            b"",
            HubAway,
            "does not take this bay's credential (hub.token_file); it may have been withdrawn",
        ),
        (404, b"", HubAway, "is no hub, or one of another version (404)"),
        (404, b'{"error": ""}', HubAway, "is no hub, or one of another version (404)"),
        (405, b'{"error": "x"}', HubAway, "is no hub, or one of another version (405)"),
        (409, b'{"error": "other bytes"}', HubRefused, "does not take it (409: other bytes)"),
        (
            422,
            b'{"error": "piece: is empty"}',
            HubRefused,
            "does not take it (422: piece: is empty)",
        ),
        (429, b"", HubAway, "takes nothing now (429)"),
        (499, b"", HubRefused, "does not take it (499)"),
        (500, b"", HubAway, "takes nothing now (500)"),
        (503, b"", HubAway, "takes nothing now (503)"),
    ],
)
async def test_what_is_no_answer_is_one_sentence(config, wire, status, body, kind, said):
    wire.answer = status, body
    async with Hub(config) as hub:
        with pytest.raises(kind) as raised:
            await hub.received(KEY)
    assert type(raised.value) is kind and str(raised.value) == f"{NAME}: {said}"


@pytest.mark.parametrize("kind", ["exchange", "deleted"])
async def test_other_answers_than_what_was_wanted_are_refused_too(config, wire, kind):
    wire.answer = 403, b'{"error": "not its place"}'
    async with Hub(config) as hub:
        with pytest.raises(HubRefused, match=r"does not take it \(403: not its place\)"):
            if kind == "exchange":
                await hub.exchange(Changes([], [], {}))
            else:
                await hub.deleted(KEY, Deleted({}))
        if kind == "exchange":
            wire.answer = 200, b"[]"
            with pytest.raises(HubAway, match=r"does not answer as a hub does \("):
                await hub.exchange(Changes([], [], {}))


@pytest.mark.parametrize(
    ("said", "after_s"),
    [
        ("5", 5.0),
        ("0", 0.0),
        ("600", 600.0),
        ("601", 600.0),  # ten minutes at most
        ("99999999", 600.0),
        ("123456789", None),  # no number of seconds that anybody means
        ("-5", None),
        ("٣", None),
        ("Wed, 21 Oct 2026 07:28:00 GMT", None),
        ("", None),
    ],
)
async def test_a_hub_is_left_alone_as_long_as_it_asks(config, wire, said, after_s):
    wire.answer, wire.headers = (503, b""), {"Retry-After": said}
    async with Hub(config) as hub:
        with pytest.raises(HubAway) as raised:
            await hub.received(KEY)
    assert raised.value.after_s == after_s


@pytest.mark.parametrize("parts", [1, 3])
async def test_of_an_answer_no_more_is_read_than_it_may_have(config, wire, parts):
    answer, wire.parts = b'{"pieces": 1}', parts
    async with Hub(config) as hub:
        wire.answer = 200, answer.ljust(65536)
        assert (await hub.received(KEY)).pieces == 1
        wire.answer = 200, answer.ljust(65537)
        with pytest.raises(HubAway, match="answers with more than 65536 bytes"):
            await hub.received(KEY)
        wire.answer = 200, b'{"changes": [], "restamps": [], "has": {}}'.ljust(65537)
        assert await hub.exchange(Changes([], [], {})) == Changes([], [], {})


async def test_a_piece_has_sixteen_mebibytes_at_most(config, wire):
    largest = bytes(16 * 1024 * 1024)
    async with Hub(config) as hub:
        await hub.piece(KEY, 0, largest)
        with pytest.raises(
            HubRefused, match=r"^piece 7 has 16777217 bytes, more than a hub takes$"
        ):
            await hub.piece(KEY, 7, largest + b"x")
    assert len(wire.asked) == 1


@pytest.mark.parametrize("taken", [[[3, "0" * 64]], [], [[4, hashlib.sha256(b"abc").hexdigest()]]])
async def test_a_hub_acknowledges_the_pieces_that_it_was_given(config, wire, taken):
    wire.answer = 200, json.dumps({"pieces": 4, "taken": taken}).encode()
    async with Hub(config) as hub:
        with pytest.raises(HubAway, match="acknowledges other pieces than it was given"):
            await hub.pieces(KEY, [Piece.of(3, b"abc")])
        wire.answer = 409, b'{"pieces": 1}'
        assert await hub.pieces(KEY, [Piece.of(3, b"abc")]) == Received(1)


def unreached(error: OSError) -> aiohttp.ClientConnectorError:
    there: Any = SimpleNamespace(host="hub.example", port=8643, ssl=True, is_ssl=True)
    return aiohttp.ClientConnectorError(there, error)


def unknown_name() -> aiohttp.ClientConnectorDNSError:
    there: Any = SimpleNamespace(host="hub.example", port=8643, ssl=True, is_ssl=True)
    return aiohttp.ClientConnectorDNSError(there, OSError(-2, "Name or service not known"))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (TimeoutError(), "does not answer within 7 s"),
        (unknown_name(), "its name is not found"),
        (unreached(ConnectionRefusedError(111, "refused")), "the connection is refused"),
        (unreached(OSError(113, "No route to host")), "cannot be reached (No route to host)"),
        (unreached(OSError()), "cannot be reached (no reason given)"),
        (ssl.SSLError(1, "wrong version"), "does not speak TLS here, or another version of it"),
        (
            aiohttp.ClientOSError(104, "Connection reset"),
            "the connection failed (Connection reset)",
        ),
        (aiohttp.ServerDisconnectedError(), "the connection broke off"),
        (aiohttp.ClientPayloadError(), "answers with what is no HTTP (ClientPayloadError)"),
    ],
)
async def test_what_is_in_the_way_is_said(config, wire, error, said):
    wire.answer = error
    async with Hub(config) as hub:
        with pytest.raises(HubAway) as raised:
            await hub.received(KEY)
    assert str(raised.value) == f"{NAME}: {said}" and raised.value.after_s is None


async def test_a_check_asks_once_and_says_how_long_it_took(config, wire, monkeypatch):
    times = iter((10.0, 10.25))
    monkeypatch.setattr(link, "time", SimpleNamespace(monotonic=lambda: next(times)))
    found = await check(config)
    assert found.well and found.found == f"{NAME}: answers within 250 ms and knows this bay"
    ((method, url, _, _),) = wire.asked
    assert method == "GET" and url.startswith("https://hub.example:8643/bay/v1/sessions/")
    monkeypatch.setattr(link, "time", SimpleNamespace(monotonic=lambda: 10.0))
    wire.answer = 503, b""
    found = await check(config)
    assert not found.well and found.found == f"{NAME}: takes nothing now (503)"
    wire.answer = 422, b""
    found = await check(config)
    assert not found.well and found.found == f"{NAME}: does not take it (422)"


@pytest.mark.parametrize("token", ["a b", "a\x7f", "é.x", "\x20"])
def test_a_credential_is_of_what_can_be_seen(config, wire, token):
    values = {"hub.url": "https://hub", "hub.token": token}
    told: Any = SimpleNamespace(word=values.get, text=values.get, number=lambda _: 1.0)
    with pytest.raises(InputError, match=r"expected BAY\.SECRET as the hub gave it"):
        Hub(told)


def test_a_credential_of_the_first_and_last_sign_is_one(wire):
    values = {"hub.url": "https://hub", "hub.token": "!~"}
    told: Any = SimpleNamespace(word=values.get, text=values.get, number=lambda _: 1.0)
    assert Hub(told).url == "https://hub"
    del values["hub.token"]
    with pytest.raises(InputError, match=r"hub\.token_file: is not set; name the file that holds"):
        Hub(told)


def test_a_certificates_file_that_is_none_is_said(tmp_path: Path):
    (tmp_path / "ca").write_text("nothing", "utf-8")
    for name, why in (("ca", "no certificate in it"), ("none", "No such file or directory")):
        file = str(tmp_path / name)
        values = {"hub.url": "https://hub", "hub.token": "a.b", "hub.ca_file": file}
        told: Any = SimpleNamespace(word=values.get, text=values.get, number=lambda _: 1.0)
        with pytest.raises(InputError) as raised:
            Hub(told)
        assert str(raised.value) == f"hub.ca_file {file}: cannot be used: {why}"
