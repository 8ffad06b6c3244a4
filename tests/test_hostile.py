"""Every way in, and every way to spoil what comes in: nothing but the errors that are documented.

A way in is a row of `WAYS`. What is spoilt is drawn by a seed that a failure names.
"""

import asyncio
import json
import re
import struct
import tracemalloc
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any, cast
from urllib.parse import quote, unquote

import numpy as np
import pytest
from fastapi.testclient import TestClient
from tests.support.mutators import MUTATORS, Mutator, mutated
from tests.support.practice import store_practice
from tests.support.zones import analyse_csv

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.errors import MOST_SAID, SignalError
from plantigrade.zones import eighteen
from plantigrade_gateway import config
from plantigrade_gateway.analysis.practice import mark_of
from plantigrade_gateway.analysis.record import RecordAnalysis, analyse_record
from plantigrade_gateway.analysis.result import read_layout
from plantigrade_gateway.drills.files import BUILT_IN, FOLDER, parse_drill, read_drill
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.foreign import read_secret
from plantigrade_gateway.forward.mqtt import command
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind, ZoneRows, exchange_data
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sources.link import InsoleLink
from plantigrade_gateway.sources.replay import demo_file, read_replay, write_replay
from plantigrade_gateway.sources.zonecsv import write_zone_csv
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.control import Control
from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.web.app import create_app, hear
from plantigrade_gateway.web.desk.prepare import prepare
from plantigrade_gateway.web.door.access import Access, Rights
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.live.hub import Hub, Viewer
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import decode, encode
from plantigrade_gateway.wire.messages import (
    Ack,
    AckStatus,
    Clock,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    SampleFormat,
    Start,
    Stop,
    Time,
)

pytestmark = pytest.mark.dear

ROOT = Path(__file__).resolve().parent.parent
QUICK, FULL = 200, 5000
MOST_MB = 300
"""However an input of a few kilobytes is made."""

Take = Callable[[bytes], bool]
"""Hands an input in; returns whether it was taken, or raises one of the documented errors."""


@dataclass(frozen=True)
class Way:
    """One way in.

    Attributes
    ----------
    name : str
    seeds : list of bytes
        Inputs that are taken.
    take : callable
    """

    name: str
    seeds: list[bytes]
    take: Take


# ---- records ----


@cache
def practice() -> tuple[Entry, ...]:
    """The first seconds of the practice session."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    until_ns = entries[0].arrival_ns + 3_000_000_000
    return tuple(entry for entry in entries if entry.arrival_ns <= until_ns)


def takes_entry(kind: Kind, insole: int) -> Take:
    """Return what hands one entry's data in, amid the practice session."""
    before, after = practice()[:200], practice()[200:260]

    def take(data: bytes) -> bool:
        at = before[-1].arrival_ns
        entry = Entry(at, insole, kind, data[:65535])
        analysis = RecordAnalysis("hostile")
        for part in (before, [entry, entry], after):
            analysis.push(Batch.of(part))
        analysis.flush()
        analysis.result()
        return True

    return take


def packets(folder: Path) -> Way:
    seeds = [entry.data for entry in practice() if entry.kind is Kind.NOTIFICATION][:40]
    within = takes_entry(Kind.NOTIFICATION, 0)

    def take(data: bytes) -> bool:
        within(data)  # counted there, and never an error
        decode(data)
        return True

    return Way("decoder", seeds, take)


def settings_entries(folder: Path) -> Way:
    layout = (resources.files("plantigrade") / "layouts" / "eighteen.toml").read_text("utf-8")
    seeds = [
        SessionSettings(74.0, "left", "eighteen", 700.0, "windy").to_json(),
        SessionSettings(layout=layout).to_json(),
    ]
    return Way("settings entry", seeds, takes_entry(Kind.SETTINGS, SESSION))


def calibration_entries(folder: Path) -> Way:
    seeds = [default_calibration(eighteen(), foot).to_json().encode() for foot in Foot]
    return Way("calibration entry", seeds, takes_entry(Kind.CALIBRATION, 0))


def drill(name: str) -> bytes:
    return (resources.files("plantigrade_gateway") / FOLDER / f"{name}.toml").read_bytes()


def marks(folder: Path) -> Way:
    """Marks are anybody's notes: any text is one."""
    push = parse_drill(drill("push"), "push")
    seeds = [mark_of(Choice(push, Feedback.OTHER)).encode(), b"set: 7 iron", b"check: shoe"]
    return Way("mark", seeds, takes_entry(Kind.MARK, SESSION))


def exchanges(folder: Path) -> Way:
    """An exchange of another length, or of times that cannot be, is left out."""
    at = practice()[199].arrival_ns
    seeds = [exchange_data(at - 9_000_000, at, 5), exchange_data(-(2**63), 2**63 - 1, 2**32 - 1)]
    return Way("time exchange", seeds, takes_entry(Kind.EXCHANGE, 0))


# ---- files ----


def takes_file(path: Path, read: Callable[[Path], object]) -> Take:
    def take(data: bytes) -> bool:
        path.write_bytes(data)
        read(path)
        return True

    return take


def replay_files(folder: Path) -> Way:
    path = folder / "seed.pgr"
    write_replay(path, practice())
    take = takes_file(folder / "a.pgr", lambda path: analyse_record(read_replay(path), "a"))
    return Way("replay file", [path.read_bytes()], take)


def replay_bodies(folder: Path) -> Way:
    """What is inside a piece, behind a check sum that is right."""
    piece = pack(Batch.of(practice()[:150]))
    body = zlib.decompress(piece[5:], -15)
    path = folder / "b.pgr"

    def take(data: bytes) -> bool:
        deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
        packed = deflate.compress(data) + deflate.flush()
        piece = struct.pack("<BI", 1, zlib.crc32(packed)) + packed
        path.write_bytes(
            b"\x89PGR\r\n\x1a\n\x01\0" + struct.pack("<I", len(piece)) + piece + bytes(4)
        )
        analyse_record(read_replay(path), "b")
        return True

    return Way("replay body", [body], take)


def zone_csvs(folder: Path) -> Way:
    layout, rng = eighteen(), np.random.default_rng(1)
    t_s = np.arange(300) / 100.0
    left, right = rng.uniform(0.0, 90.0, (2, 300, layout.n_zones)).round(1)
    write_zone_csv(folder / "seed.csv", layout, [ZoneRows(t_s, left, right)])
    take = takes_file(folder / "a.csv", lambda path: analyse_csv(path, layout))
    return Way("zone CSV", [(folder / "seed.csv").read_bytes()], take)


def layouts(folder: Path) -> Way:
    seed = (resources.files("plantigrade") / "layouts" / "eighteen.toml").read_bytes()
    return Way("layout", [seed], takes_file(folder / "layout.toml", read_layout))


def drills(folder: Path) -> Way:
    seeds = [drill(name) for name in BUILT_IN]
    return Way("drill", seeds, takes_file(folder / "drill.toml", read_drill))


def settings_files(folder: Path) -> Way:
    seeds = [
        b'site = "north"\nbay = "b1"\nlink_every_s = 5.0\n[outbox]\nloads_mb = 100\n'
        b'[tsdb]\nurl = "http://[::1]:8428"\norganisation = "o"\nloads = true\ntimeout_s = 3\n'
        b'[mqtt]\nhost = "broker"\nport = 1883\ntls = false\nlive_hz = 5\n[log]\nlevel = "info"\n'
    ]
    take = takes_file(folder / "settings.toml", lambda path: config.load(path, {}))
    return Way("settings file", seeds, take)


def secret_files(folder: Path) -> Way:
    path = folder / "secret"
    path.touch(0o600)
    return Way(
        "secret file", [b"k7-token\n"], takes_file(path, lambda path: read_secret(path, "x"))
    )


# ---- messages ----


def commands(folder: Path) -> Way:
    seeds = [
        json.dumps({"v": 1, "id": f"{name}-1", "command": name, "text": text}).encode()
        for name, text in (("start", ""), ("stop", ""), ("mark", "wind"), ("drill", "push"))
    ]
    return Way("MQTT command", seeds, lambda data: command(data) is not None)


def web_messages(folder: Path) -> Way:
    seeds = [
        b'{"type": "mark", "text": "new grip"}',
        b'{"type": "drill", "name": "push", "feedback": "ask"}',
        b'{"type": "drawn", "sent_ms": 1.5, "drawn_ms": 20}',
        b'{"type": "sound", "device": true}',
        b'{"type": "stop"}',
    ]

    def take(data: bytes) -> bool:
        sent: list[dict[str, Any]] = []
        viewer = Viewer(Rights.COACH)
        hear(Hub(sent.append), viewer, data.decode("utf-8", "surrogatepass"))
        for message in sent:
            assert json.dumps(message, allow_nan=False).isascii() and len(str(message)) < 1000
        return bool(sent)

    def decoded(data: bytes) -> bool:
        try:
            return take(data)
        except UnicodeDecodeError:
            return False  # the server ends such a connection (RFC 6455, 8.1)

    return Way("WebSocket message", seeds, decoded)


def control_writes(folder: Path) -> Way:
    requests: list[Message] = [
        Identify(1, 0),
        Rate(2, 10_000),
        Frames(3, 2),
        Start(4),
        Stop(5),
        Time(6),
    ]
    body = SimpleNamespace(
        is_streaming=False, battery_percent=lambda: 80, begin=lambda: None, end=lambda: None
    )
    control = Control(DeviceSettings(Foot.LEFT, 1), cast(Any, body))

    def take(data: bytes) -> bool:
        answer = control.answer(data, 5)
        found = decode(answer) if answer else None
        refused = isinstance(found, Ack) and found.status is not AckStatus.DONE
        return found is not None and not refused

    return Way("GATT control", [encode(request) for request in requests], take)


def insole_answers(folder: Path) -> Way:
    """What an insole answers, tells of itself and announces: anything may call itself one."""
    answers = [
        encode(Ack(1, 0x21, AckStatus.DONE)),
        encode(Clock(1, 5)),
        encode(Identity(1, Foot.LEFT, SampleFormat.U16, 18, 2, 10_000, 80, False, 0x102, 7)),
        gatt.Status(True, False, False, 80, 1, 2, 3).encode(),
        gatt.Announcement(Foot.LEFT, 270, 80, 7).encode(),
    ]
    sighting = SimpleNamespace(announcement=gatt.Announcement(Foot.LEFT, 270, 80, 7))
    link = InsoleLink(cast(Any, SimpleNamespace(label="left")), cast(Any, sighting), lambda: 0)

    def take(data: bytes) -> bool:
        link._answered(bytearray(data))
        link._told_status(data)
        link._told_battery(data)
        if gatt.read_status(data) is not None or gatt.read_announcement(data) is not None:
            return True
        decode(data)
        return True

    return Way("GATT answer", answers, take)


# ---- the pages ----


class Pages:
    """The pages of a store, asked as the server asks them."""

    def __init__(self, folder: Path) -> None:
        path = folder / "store.sqlite3"
        with Store.open(path) as store:
            self.session = store_practice(store, 60_000_000_000)
            prepare(store, self.session)
        self._store = Store.open(path)
        access = Access(self._store.database)
        app = create_app(Hub(lambda _: None), path, access)
        self._client = TestClient(app)
        self._guard = Guard(app, access)
        self._client.__enter__()

    def close(self) -> None:
        self._client.__exit__(None, None, None)
        self._store.close()

    def ask(self, target: bytes, form: bytes | None = None) -> bool:
        """Ask for a target as it stands in a request's first line; refused is below 500."""
        raw, _, query = target.partition(b"?")
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "GET" if form is None else "POST",
            "scheme": "http",
            "path": unquote(raw.decode("ascii")),
            "raw_path": raw,
            "query_string": query,
            "root_path": "",
            "headers": [
                (b"host", b"127.0.0.1:8642"),
                (b"origin", b"http://127.0.0.1:8642"),
                (b"content-type", b"application/x-www-form-urlencoded"),
            ],
            "client": ("127.0.0.1", 5),
            "server": ("127.0.0.1", 8642),
        }
        status, size = self._client.portal.call(self._ask, scope, form or b"")  # type: ignore[union-attr]
        assert status < 500, (status, target)
        assert status < 400 or size < 20_000, "what was asked is repeated"
        return bool(status < 400)

    async def _ask(self, scope: dict[str, Any], body: bytes) -> tuple[int, int]:
        status, size, ended = 0, 0, asyncio.Event()
        parts = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            if parts:
                return parts.pop()
            await ended.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            nonlocal status, size
            status = message.get("status", status)
            size += len(message.get("body", b""))

        await self._guard(scope, receive, cast(Any, send))
        return status, size


def addresses(pages: Pages) -> Way:
    here = f"/sessions/{pages.session}"
    seeds = [
        *("/", "/sessions", "/links", "/metrics", "/sign-in?next=/sessions"),
        *(
            "/sounds/good.wav",
            "/static/live.js",
            here,
            f"{here}/steps?sort=strike_s&order=up&page=1",
        ),
        *(f"{here}/stands?page=2", f"{here}/timeline.json?width=800", f"{here}/prepared.json"),
        f"{here}/rows.json?start=1.5&end=20&width=300",
        "/sessions/charts/timeline.json?theme=dark&lead=left",
    ]

    def take(data: bytes) -> bool:
        target = quote(data, safe="!\"#$%&'()*+,-./:;<=>?@[\\]^_`{|}~").encode()
        return pages.ask(b"/" + target.lstrip(b"/"))

    return Way("HTTP address", [seed.encode() for seed in seeds], take)


def forms(pages: Pages) -> Way:
    """Both forms there are: a note for a link, and a password."""

    def take(data: bytes) -> bool:
        noted = pages.ask(b"/links", data)
        return pages.ask(b"/links/1/withdraw", data) and noted

    return Way("HTTP form", [b"note=first+tee", b"note=%C3%A4&x=1"], take)


FROM_FOLDER = {
    make.__name__: make
    for make in (
        *(packets, settings_entries, calibration_entries, marks, exchanges),
        *(replay_files, replay_bodies, zone_csvs, layouts, drills, settings_files, secret_files),
        *(commands, web_messages, control_writes, insole_answers),
    )
}
FROM_PAGES = {make.__name__: make for make in (addresses, forms)}
ANYTHING_GOES = {"mark", "time exchange"}
"""Ways in that refuse nothing: any bytes are one."""


@contextmanager
def opened(name: str, folder: Path) -> Iterator[Way]:
    """Give a row of the table."""
    if name in FROM_FOLDER:
        yield FROM_FOLDER[name](folder)
        return
    pages = Pages(folder)
    try:
        yield FROM_PAGES[name](pages)
    finally:
        pages.close()


def tried(way: Way, data: bytes) -> str:
    """Hand an input in; return what became of it."""
    try:
        return "taken" if way.take(data) else "refused"
    except (GatewayError, SignalError) as error:
        text = str(error)
        assert text and "\n" not in text and len(text) <= MOST_SAID, text
        assert not any(c in text for c in "\x00\x1b\x7f\x9b\u202e\ud800"), repr(text)
        return "refused"


WAYS = [*FROM_FOLDER, *FROM_PAGES]


def attack(way: Way, n: int, seed: str) -> Counter[str]:
    """Hand in n spoilt inputs; a failure names the mutator, the seed and the number."""
    found: Counter[str] = Counter()
    for k in range(n):
        mutator = MUTATORS[k % len(MUTATORS)]
        data = mutated(Random(f"{seed} {k}"), way.seeds, mutator)
        try:
            found[tried(way, data)] += 1
        except BaseException as error:
            error.add_note(
                f"{way.name}: {mutator.__name__}, seed {seed!r}, input {k}: {data[:300]!r}"
            )
            raise
    return found


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize(
    "n",
    [
        QUICK,
        pytest.param(FULL, marks=[pytest.mark.slow, pytest.mark.timeout(1800)]),
    ],
)
def test_nothing_but_the_documented_errors(name, n, tmp_path):
    with opened(name, tmp_path) as way:
        found = attack(way, n, "first")
        assert found.total() == n
        assert found["refused"] > n / 10 or way.name in ANYTHING_GOES, found


@pytest.mark.parametrize("name", sorted(FROM_FOLDER))
def test_memory_stays_bounded(name, tmp_path):
    with opened(name, tmp_path) as way:
        tried(way, way.seeds[0])  # what is loaded once is loaded now
        tracemalloc.start()
        try:
            attack(way, 2 * len(MUTATORS), "memory")
            assert tracemalloc.get_traced_memory()[1] < MOST_MB * 1_000_000
        finally:
            tracemalloc.stop()


@pytest.mark.parametrize("name", WAYS)
def test_every_row_takes_what_is_right(name, tmp_path):
    """Else a row that refuses everything would pass."""
    with opened(name, tmp_path) as way:
        assert way.seeds
        for seed in way.seeds:
            assert way.take(seed), seed


READERS = {
    "signal/plantigrade/calibrate.py": "calibration_entries",
    "signal/plantigrade/zones.py": "layouts",
    "gateway/plantigrade_gateway/analysis/practice.py": "marks",
    "gateway/plantigrade_gateway/analysis/result.py": "layouts",
    "gateway/plantigrade_gateway/config.py": "settings_files",
    "gateway/plantigrade_gateway/drills/files.py": "drills",
    "gateway/plantigrade_gateway/forward/mqtt.py": "commands",
    "gateway/plantigrade_gateway/record/settings.py": "settings_entries",
    "gateway/plantigrade_gateway/web/app.py": "web_messages",
    "gateway/plantigrade_gateway/web/door/password.py": "secret_files",
}
"""The modules that read what others wrote, and the row of each."""
OURS = {
    "gateway/plantigrade_gateway/foreign.py",
    "gateway/plantigrade_gateway/forward/tsdb.py",  # the database's own answers, for a check
    "signal/plantigrade/foreign.py",
}


def test_whatever_reads_what_others_wrote_has_a_row():
    reading = re.compile(r"\bread_(?:json|toml|file|secret)\(")
    found = {
        path.relative_to(ROOT).as_posix()
        for top in ("signal", "gateway")
        for path in (ROOT / top).rglob("*.py")
        if reading.search(path.read_text("utf-8"))
    }
    assert found - OURS == set(READERS)
    assert set(READERS.values()) <= set(WAYS)


@pytest.mark.parametrize("mutator", MUTATORS, ids=lambda mutator: mutator.__name__)
def test_every_mutator_changes_what_it_is_given(mutator: Mutator):
    for seed in (b'{"type": "mark", "n": 5}', b"a = 1\nb = 2\n", bytes(range(60))):
        changed = sum(mutator(Random(k), seed) != seed for k in range(20))
        assert changed >= 10, mutator.__name__


def test_what_is_drawn_is_drawn_again():
    seeds = [b'{"a": 1}']
    for mutator in MUTATORS:
        assert mutated(Random("x"), seeds, mutator) == mutated(Random("x"), seeds, mutator)


def test_an_undocumented_error_is_seen():
    def take(data: bytes) -> bool:
        raise KeyError(data)

    with pytest.raises(KeyError) as caught:
        attack(Way("broken", [b"a"], take), 1, "x")
    assert "broken: bit, seed 'x', input 0" in caught.value.__notes__[0]


@pytest.mark.parametrize("text", ["two\nlines", "steers \x1b[2J", ""])
def test_an_error_that_is_no_plain_sentence_is_seen(text, monkeypatch):
    def take(data: bytes) -> bool:
        error = InputError("")
        error.args = (text,)
        raise error

    with pytest.raises(AssertionError):
        tried(Way("broken", [b"a"], take), b"")
