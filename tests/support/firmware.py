"""Compile the firmware companion, run it, and hold what it says against the model.

The C runs under address and undefined-behaviour sanitizers. `firmware_driver.c` takes a script of
operations and answers each with a line.
"""

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from tests.support.firmware_model import CLOCK, Config, Model

from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.wire.codec import decode, encode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.messages import DataPacket, Frames, Identify, Rate, Start, Stop, Time
from plantigrade_gateway.wire.stream import PacketRun, StreamEvent

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "hardware_notes" / "firmware"
DRIVER = ROOT / "tests" / "support" / "firmware_driver.c"
BOARD = ROOT / "tests" / "support" / "firmware_board.c"
TOOLCHAIN = ROOT / ".ci" / "toolchain"
LIBRARY = [
    FIRMWARE / "plantigrade_wire.c",
    FIRMWARE / "plantigrade_insole.c",
    FIRMWARE / "plantigrade_info.c",
]
APPLICATION = [*LIBRARY, FIRMWARE / "plantigrade_app.c", FIRMWARE / "plantigrade_events.c"]
LOG = [FIRMWARE / "plantigrade_log.c", FIRMWARE / "plantigrade_logpage.c"]
LOGGING = [*APPLICATION, *LOG, FIRMWARE / "plantigrade_applog.c"]
"""The application with a log, which ``-DPG_APP_LOG=1`` turns on."""
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wshadow"]
BARE = ["-ffreestanding", "-nostdlib", "-r"]
CORTEX_M0 = ["-mcpu=cortex-m0plus", "-mthumb", "-mfloat-abi=soft"]
SANITIZED = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
ROOM = 8
"""Packets in the queue, PG_QUEUE_PACKETS."""
PERIODS = (1000, 2500, 5000, 10_000, 65_535)

Driver = Callable[[list[str]], list[str]]


def run(*command: object, text: str | None = None) -> str:
    done = subprocess.run(
        [str(word) for word in command],
        input=text,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, f"{command[0]} ended with {done.returncode}: {done.stderr[-2000:]}"
    return done.stdout


@pytest.fixture(scope="session")
def toolchain() -> dict[str, str]:
    """Compilers and their versions, installed by `.ci/toolchain` where that may.

    Where it may not, the test skips.
    """
    done = subprocess.run([TOOLCHAIN], capture_output=True, text=True, timeout=280, check=False)
    if done.returncode == 3:
        pytest.skip(f"no C compilers, .ci/toolchain says: {done.stderr.strip()}")
    assert done.returncode == 0, f".ci/toolchain says: {done.stderr.strip()}"
    return dict(line.split(" ") for line in done.stdout.splitlines())


def build(folder: Path, name: str, *flags: object, sources: list[Path] = LIBRARY) -> Path:
    out = folder / name
    run("gcc", *STRICT, *flags, f"-I{FIRMWARE}", *sources, "-o", out)
    return out


@pytest.fixture(scope="session")
def driver(toolchain, tmp_path_factory) -> Driver:
    program = build(tmp_path_factory.mktemp("firmware"), "driver", *SANITIZED, DRIVER)
    return lambda script: run(program, text="\n".join([*script, ""])).splitlines()


def answers(driver: Driver, script: list[str]) -> list[str]:
    lines = driver(script)
    assert len(lines) == len(script)
    return lines


def random_request(rng: np.random.Generator) -> bytes:
    """Bytes on the edge of a request: whole, cut, too long, of other kinds, other versions."""
    token = int(rng.integers(256))
    whole = [
        encode(Start(token)),
        encode(Stop(token)),
        encode(Rate(token, int(rng.choice(PERIODS)))),
        encode(Frames(token, int(rng.integers(1, 12)))),
        encode(Identify(token, int(rng.integers(256)))),
        encode(Time(token)),
    ]
    data = bytearray(whole[rng.integers(len(whole))])
    kind = rng.integers(10)
    if kind == 0:
        return rng.bytes(int(rng.integers(0, 260)))
    if kind == 1:
        data = data[: rng.integers(0, len(data))]
    if kind == 2:
        data += rng.bytes(int(rng.integers(1, 20)))
    if kind in (3, 4):
        data[rng.integers(len(data))] = rng.integers(256)
    if kind == 5:
        return bytes([1, rng.integers(256)]) + rng.bytes(int(rng.integers(0, 18)))
    return bytes(data)


class Scenario:
    """A script for the driver with the answers the model gives, and what was truly sampled."""

    def __init__(self, config: Config, room: int = ROOM) -> None:
        self.model = Model(config, room)
        self.script = [config.init]
        self.expected = ["1"]
        self.sent: list[bytes] = []
        self.taken: list[tuple[int, list[int]]] = []  # clock (not wrapped) and counts

    def do(self, line: str, answer: str = "") -> None:
        self.script.append(line)
        self.expected.append(answer)

    def frame(self, clock_us: int, counts: list[int]) -> bool:
        taken = self.model.push(clock_us % CLOCK, counts)
        self.do(f"frame {clock_us % CLOCK} {' '.join(map(str, counts))}", str(int(taken)))
        if taken:
            self.taken.append((clock_us, counts))
        return taken

    def control(self, data: bytes, clock_us: int = 0) -> None:
        clock_us %= CLOCK
        answer = self.model.control(data, clock_us)
        self.do(f"control {clock_us} {data.hex()}", answer.hex() or "-")

    def send(self, most: int = 1000) -> None:
        queue = self.model.queue
        for _ in range(min(most, len(queue))):
            self.sent.append(queue.popleft())
            self.do("packet", self.sent[-1].hex())
            self.do("done")
        if not queue:
            self.do("packet", "-")

    def state(self) -> None:
        model = self.model
        self.do("state", f"{int(model.streaming)} {model.period} {model.dropped}")

    def check(self, driver: Driver) -> None:
        got = driver(self.script)
        for k, (line, is_, said) in enumerate(zip(self.script, self.expected, got, strict=True)):
            assert said == is_, f"line {k + 1}: {line}"


def read_back(scenario: Scenario) -> tuple[list[tuple[int, list[int]]], Decoder, list[StreamEvent]]:
    """What the gateway's decoder makes of what was sent: frames with their clocks, and facts.

    Each packet arrives 1 ms after its last frame by the clock itself.
    """
    arrival, last, at = [], None, 0
    for data in scenario.sent:
        packet = decode(data)
        assert isinstance(packet, DataPacket)
        last = packet.clock_us if last is None else last
        at += (packet.clock_us - last) % CLOCK
        last = packet.clock_us
        arrival.append((at + len(packet.counts) * packet.period_us + 1000) * 1000)
    rows = [
        Entry(ns, 0, Kind.NOTIFICATION, d) for ns, d in zip(arrival, scenario.sent, strict=True)
    ]
    batch = Batch.of(rows)
    decoder = Decoder(0)
    out = decoder.feed(batch.arrival_ns, batch.length, batch.payload)
    frames = []
    for one in out:
        if isinstance(one, PacketRun):
            clocks = (one.clock_us[:, None] + np.arange(one.frames) * one.period_us).ravel()
            frames += list(zip(clocks.tolist(), one.counts.tolist(), strict=True))
    return frames, decoder, [one for one in out if isinstance(one, StreamEvent)]
