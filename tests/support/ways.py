"""Every way in but the pages: what is right there, and how an input is handed in."""

import json
import pickle
import struct
import zlib
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from tests.support.loglink import Insole, record
from tests.support.vectors import read_vectors
from tests.support.zones import analyse_csv

from plantigrade.block import Foot
from plantigrade.calibrate import Calibrator, default_calibration
from plantigrade.limits import Limits
from plantigrade.transients import Transient, TransientKind
from plantigrade.zones import eighteen
from plantigrade_gateway import config
from plantigrade_gateway.analysis.bench import read_bench
from plantigrade_gateway.analysis.late import log_said
from plantigrade_gateway.analysis.practice import entry_of, read_entry
from plantigrade_gateway.analysis.record import RecordAnalysis, analyse_record
from plantigrade_gateway.analysis.result import read_layout
from plantigrade_gateway.coach.speedfile import read_speeds
from plantigrade_gateway.drills.files import BUILT_IN, FOLDER, parse_drill, read_drill
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.foreign import read_secret
from plantigrade_gateway.forward.commands import command
from plantigrade_gateway.forward.mqtt import Heard
from plantigrade_gateway.forward.roster import read as read_status
from plantigrade_gateway.hub.roster import Roster
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind, ZoneRows, exchange_data
from plantigrade_gateway.record.heard import HeardSound, Listening, Purpose, ToldStrike
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import CueState, Intent, SetStart, TrialName
from plantigrade_gateway.rules.files import read_rules
from plantigrade_gateway.sources.link import InsoleLink
from plantigrade_gateway.sources.replay import demo_file, read_replay, write_replay
from plantigrade_gateway.sources.zonecsv import write_zone_csv
from plantigrade_gateway.store import archive
from plantigrade_gateway.virtual.control import Control
from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.web.app import hear
from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.live.audience import Audience, Viewer
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import decode, encode
from plantigrade_gateway.wire.information import read_curve, read_information
from plantigrade_gateway.wire.log import read_end, read_page, read_state
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
    wrong : tuple of bytes
        Inputs that are refused, and that chance seldom makes of the seeds.
    """

    name: str
    seeds: list[bytes]
    take: Take
    wrong: tuple[bytes, ...] = ()


# ---- records ----


@cache
def practice() -> tuple[Entry, ...]:
    """The first seconds of the practice session."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    until_ns = entries[0].arrival_ns + 3_000_000_000
    return tuple(entry for entry in entries if entry.arrival_ns <= until_ns)


def takes_entry(kind: Kind, insole: int) -> Take:
    """Return what hands one entry's data in, amid the practice session."""
    before, after = practice()[:80], practice()[80:100]
    amid = RecordAnalysis("hostile")
    amid.push(Batch.of(before))
    kept = pickle.dumps(amid)

    def take(data: bytes) -> bool:
        at = before[-1].arrival_ns
        entry = Entry(at, insole, kind, data[:65535])
        analysis = pickle.loads(kept)  # a small part of the time of pushing what came before again
        for part in ([entry, entry], after):
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


IMPOSSIBLE_LIMITS = ({"push_rolled": 2.5}, {"bearing_none": 0.07, "bearing_full": 0.06})
"""Outside what may be set (0 to 2 shift times); and in the wrong order."""


def settings_entries(folder: Path) -> Way:
    layout = (resources.files("plantigrade") / "layouts" / "eighteen.toml").read_text("utf-8")
    seeds = [
        SessionSettings(74.0, "left", "eighteen", 700.0, "windy").to_json(),
        SessionSettings(layout=layout).to_json(),
        SessionSettings(limits=Limits(bearing_none=0.04, bearing_full=0.05)).to_json(),
    ]
    wrong = tuple(
        json.dumps({"schema": 1, "limits": limits}).encode() for limits in IMPOSSIBLE_LIMITS
    )
    return Way("settings entry", seeds, takes_entry(Kind.SETTINGS, SESSION), wrong)


def calibration_entries(folder: Path) -> Way:
    seeds = [
        default_calibration(eighteen(), foot, full_scale).to_json().encode()
        for foot, full_scale in zip(Foot, (4095, 65535), strict=True)
    ]
    return Way("calibration entry", seeds, takes_entry(Kind.CALIBRATION, 0))


def drill(name: str) -> bytes:
    return (resources.files("plantigrade_gateway") / FOLDER / f"{name}.toml").read_bytes()


def marks(folder: Path) -> Way:
    """Marks are anybody's notes: any text is one."""
    push = json.dumps({"drill": parse_drill(drill("push"), "push").table(), "feedback": "other"})
    seeds = [f"drill: push, feedback other\n{push}".encode(), b"set: 7 iron", b"check: shoe"]
    return Way("mark", seeds, takes_entry(Kind.MARK, SESSION))


def drill_entries(folder: Path) -> Way:
    push = parse_drill(drill("push"), "push")
    seeds = [entry_of(Choice(one, Feedback.OTHER)) for one in (push, None)]
    return _entry_way("drill entry", seeds, Kind.DRILL, read_entry)


def cue_entries(folder: Path) -> Way:
    seeds = [CueState(on, name).to_json() for on in (True, False) for name in (None, "push")]
    return _entry_way("cues entry", seeds, Kind.CUES, CueState.from_json)


def trial_entries(folder: Path) -> Way:
    seeds = [TrialName(step, number).to_json() for step, number in (("lift", 1), ("walk", 12))]
    return _entry_way("check entry", seeds, Kind.CHECK, TrialName.from_json)


def heard_entries(folder: Path) -> Way:
    click = Transient(
        TransientKind.CLICK, 0.0, -18.0, 0.0005, -20.0, 0.0005, 0.9, (-9.0,) * 6, -8.0
    )
    return _entry_way(
        "heard entry", [HeardSound(1, click).to_json()], Kind.HEARD, HeardSound.from_json
    )


def listen_entries(folder: Path) -> Way:
    seeds = [Listening(purpose, 2.5, 0.5, 1.0).to_json() for purpose in Purpose]
    return _entry_way("listen entry", seeds, Kind.LISTEN, Listening.from_json)


def strike_entries(folder: Path) -> Way:
    seeds = [ToldStrike(5, 0.1, source).to_json() for source in ("mark", "import")]
    return _entry_way("strike entry", seeds, Kind.STRIKE, ToldStrike.from_json)


def _entry_way(name: str, seeds: list[bytes], kind: Kind, read: Callable[[bytes], object]) -> Way:
    """Return the way of an entry that a record holds whatever it says, and a reader refuses."""
    within = takes_entry(kind, SESSION)

    def take(data: bytes) -> bool:
        within(data)  # what cannot be read says nothing there
        read(data)
        return True

    return Way(name, seeds, take)


def set_entries(folder: Path) -> Way:
    seeds = [
        SetStart("0123456789abcdef", intent, club).to_json()
        for intent, club in zip(Intent, ("7 iron", None, "driver"), strict=False)
    ]
    return _entry_way("set entry", seeds, Kind.SET, SetStart.from_json)


def exchanges(folder: Path) -> Way:
    """An exchange of another length, or of times that cannot be, is left out."""
    at = practice()[79].arrival_ns
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


def club_speeds(_: Path) -> Way:
    seed = b"Time,Club Speed\n14:03:27.5,90.2\n14:04:02,91\n14:04:40,88.7\n"

    def take(data: bytes) -> bool:
        return bool(read_speeds(data, "club speed", "mph", "time").rows)

    return Way("club speeds", [seed, seed.replace(b",", b";")], take)


def layouts(folder: Path) -> Way:
    seed = (resources.files("plantigrade") / "layouts" / "eighteen.toml").read_bytes()
    return Way("layout", [seed], takes_file(folder / "layout.toml", read_layout))


def drills(folder: Path) -> Way:
    seeds = [drill(name) for name in BUILT_IN]
    return Way("drill", seeds, takes_file(folder / "drill.toml", read_drill))


def rule_files(folder: Path) -> Way:
    seed = (resources.files("plantigrade_gateway") / "rules" / "first.toml").read_bytes()
    return Way("rule file", [seed], takes_file(folder / "rules.toml", read_rules))


def settings_files(folder: Path) -> Way:
    seeds = [
        b'site = "north"\nbay = "b1"\nlink_every_s = 5.0\n[outbox]\nloads_mb = 100\n'
        b'[tsdb]\nurl = "http://[::1]:8428"\norganisation = "o"\nloads = true\ntimeout_s = 3\n'
        b'[mqtt]\nhost = "broker"\nport = 1883\ntls = false\nlive_hz = 5\n[log]\nlevel = "info"\n',
        b"[limits]\nbearing_none = 0.04\nbearing_full = 0.05\n",
    ]
    wrong = (
        "\n".join(["[limits]", *(f"{name} = {value}" for name, value in limits.items())]).encode()
        for limits in IMPOSSIBLE_LIMITS
    )
    take = takes_file(folder / "settings.toml", lambda path: config.load(path, {}))
    return Way("settings file", seeds, take, tuple(wrong))


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


def bay_messages(folder: Path) -> Way:
    """What a bay says over the broker, and the row that is made of it."""
    feet = {"left": {"link": "streaming", "battery_percent": 80, "lost_share": 0.01}}
    swing = {"time": "2026-03-02T09:00:01.000Z", "n": 3, "words": "rolled, with shift"}
    pair = {"name": None, "source": "insoles", "session": "5e", "player": "a1", "feet": feet}
    unsent = {"to": "tsdb", "waiting": 3, "oldest_s": 12.5}
    pairs = [{**pair, "swing": swing}]
    table = {"v": 1, "time": swing["time"], "pairs": pairs, "unsent": [unsent]}

    def take(data: bytes) -> bool:
        _shown("roster", data)
        return read_status(data).v == 1

    return Way("bay status", [json.dumps(table).encode()], take)


def bay_states(folder: Path) -> Way:
    """Whether a bay is there, as it says itself or its will; the reader counts what is none."""
    times = {"online": "2026-03-02T09:00:01.000Z", "away": None}
    seeds = [json.dumps({"v": 1, "state": w, "time": t}).encode() for w, t in times.items()]
    return Way("bay state", seeds, lambda data: _shown("state", data))


def _shown(kind: str, data: bytes) -> bool:
    """Have the roster take a message; return whether it did."""
    roster = Roster()
    roster.take(Heard(f"b1/{kind}", data, False))
    for row in roster.rows({}):
        for text in (row.key, row.said, row.who, row.left, row.right, row.swing, row.unsent):
            assert text.isprintable() and len(text) < 1000
    return not roster.refused


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
        hear(Audience(sent.append), viewer, data.decode("utf-8", "surrogatepass"))
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


VECTORS = read_vectors(
    Path(__file__).resolve().parents[2] / "hardware_notes" / "profile_vectors.txt"
)


def known_values(kind: str) -> list[bytes]:
    """The right values of a kind, of the profile's known answers."""
    blocks = [block for block in VECTORS if block["kind"] == kind and "error" not in block]
    return [bytes.fromhex(block["hex"]) for block in blocks]


def information_blocks(folder: Path) -> Way:
    def take(data: bytes) -> bool:
        said = read_information(data)
        return said.encode() == data and said.zone_layout().n_zones == said.zones

    return Way("information block", known_values("information"), take)


def stored_curves(folder: Path) -> Way:
    (usual,) = (
        read_information(data) for data in known_values("information") if data[12:13] == b"\x07"
    )

    def take(data: bytes) -> bool:
        Calibrator(read_curve(data, usual, Foot.LEFT))
        return True

    return Way("stored curve", known_values("curve")[:1], take)


def log_values(folder: Path) -> Way:
    """What comes of an insole's log: pages, state and ends."""
    readers = {"log_page": read_page, "log_state": read_state, "log_end": read_end}
    vectors = read_vectors(
        Path(__file__).resolve().parents[2] / "hardware_notes" / "log_vectors.txt"
    )
    seeds = [
        bytes.fromhex(block["hex"])
        for block in vectors
        if block["kind"] in readers and "error" not in block
    ]

    def take(data: bytes) -> bool:
        refused = []
        for read in readers.values():
            try:
                read(data)
            except WireError as error:
                refused.append(error)
        if len(refused) == len(readers):
            raise refused[0]
        return True

    return Way("log of an insole", seeds, take)


def connections(folder: Path) -> Way:
    """What an insole says of its log when it connects, as a record keeps it."""
    log = {"boot": 3, "clock_us": 123456789, "read_ns": 5_000_000_000}
    seed = json.dumps({"serial": "51A70001", "log": log}).encode()
    return Way("connection", [seed], lambda data: log_said(data) is not None)


def late_pages(folder: Path) -> Way:
    """Pages that pass their CRC, in a record that lacks them."""
    insoles = [
        Insole(foot, lambda t_s: np.full((len(t_s), 18), 300, dtype=np.uint16), pages=64)
        for foot in Foot
    ]
    for insole in insoles:
        insole.run(0.6, up=True)
        insole.run(2.4, up=insole.foot is Foot.RIGHT)
        insole.run(4.2, up=True)
    whole = record(*insoles)
    pages = [entry.data for entry in whole if entry.kind is Kind.LOG]
    rest = [entry for entry in whole if entry.kind is not Kind.LOG]

    def take(data: bytes) -> bool:
        passed = data[:24] + zlib.crc32(data[:24] + data[28:]).to_bytes(4, "little") + data[28:]
        read_page(passed)
        late = Entry(rest[-1].arrival_ns, 0, Kind.LOG, passed)
        return analyse_record([Batch.of([*rest, late])], "late").duration_s > 0

    return Way("late log page", pages[:3], take)


def bench_files(folder: Path) -> Way:
    rows = [f"left,{zone},{kpa},{4 * kpa},{5 * kpa}" for zone in (1, 2) for kpa in (0, 100, 800)]
    seed = "\n".join(["foot,zone,kpa,up,down", *rows]).encode()

    def take(data: bytes) -> bool:
        return bool(read_bench(data.decode("utf-8", "replace"), "b", {Foot.LEFT: (2, 4095)}))

    return Way("bench file", [seed], take)


def backups(folder: Path) -> Way:
    """What a backup says of itself, its hash being right: anybody can reckon one."""
    about = archive.About(archive.FORMAT, "0.1.0", "2026-03-02T09:00:00+00:00", 20, 3, 12)

    def take(data: bytes) -> bool:
        return archive._about(Path("b.tar"), data).sessions >= 0

    return Way("backup", [json.dumps(asdict(about)).encode()], take)


FROM_FOLDER = {
    make.__name__: make
    for make in (
        *(packets, settings_entries, calibration_entries, marks, set_entries, exchanges),
        *(drill_entries, cue_entries, trial_entries),
        *(heard_entries, listen_entries, strike_entries),
        *(
            replay_files,
            replay_bodies,
            zone_csvs,
            club_speeds,
            layouts,
            drills,
            rule_files,
            settings_files,
            secret_files,
        ),
        *(commands, bay_messages, bay_states, web_messages, control_writes, insole_answers),
        *(information_blocks, stored_curves, bench_files),
        *(log_values, connections, late_pages, backups),
    )
}
