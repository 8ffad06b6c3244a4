"""A pair of insoles with logs, whose links are cut, without radio or waiting: for tests of logs.

The insoles are made here from the wire format; only their flash is the virtual insole's. The host's
part is the gateway's own: what it lacks (`wire.coverage`) and asks for.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.analysis.late import read_late
from plantigrade_gateway.record.entries import INSOLE_OF, SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.virtual.flash import Flash, FlashLog
from plantigrade_gateway.virtual.player import SERIALS
from plantigrade_gateway.wire.codec import decode, encode_data, read_header
from plantigrade_gateway.wire.coverage import Coverage, Hole
from plantigrade_gateway.wire.log import LogRequest, read_page
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

PERIOD_US = 10_000
FRAMES = 2
WAIT_NS = 6_000_000
"""From a packet's last sample to its arrival; every third waits 9 ms longer."""
PAGES_A_STEP = 4
"""Log pages that come with each data packet: some thirteen seconds of samples a second."""
Counts = Callable[[NDArray[np.float64]], NDArray[np.uint16]]
Spoil = Callable[[bytes], bytes]


@dataclass
class Insole:
    """One insole, its host's record of it, and what it sampled.

    Attributes
    ----------
    foot : Foot
    counts : callable
        What it reads at times of the body, s.
    zero_us, ppm
        Its clock at time 0, and how fast it runs.
    sampled : dict of (int, int) to bytes
        All that it ever sampled, by boot and long clock.
    serves : bool
        Its host asks for what is missing.
    """

    foot: Foot
    counts: Counts
    zero_us: int = 0
    ppm: float = 0.0
    pages: int = 32_768
    has_log: bool = True
    serves: bool = True
    sampled: dict[tuple[int, int], bytes] = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)
    requests: int = 0

    def __post_init__(self) -> None:
        self.log = FlashLog(Flash(self.pages), self.foot, SampleFormat.PACKED12)
        self.coverage = Coverage()
        self._number = INSOLE_OF[self.foot]
        self._clock_us = self.zero_us  # of the next frame
        self._at_s = 0.0  # when that is
        self._counter = 0
        self._serving: list[bytes] = []
        self._asked: Hole | None = None

    def run(self, until_s: float, up: bool, spoil: Spoil = bytes) -> None:
        """Sample until a time, with a link or without."""
        step_s = PERIOD_US / 1e6 / (1.0 + 1e-6 * self.ppm)
        if up:
            self._connect()
        while self._at_s < until_s:
            frames = FRAMES if up else min(4096, max(1, int((until_s - self._at_s) / step_s) + 1))
            t_s = self._at_s + step_s * np.arange(frames, dtype=np.float64)
            counts = self.counts(t_s)
            for k, row in enumerate(counts):
                key = (self.log.boot, self._clock_us + k * PERIOD_US)
                self.sampled[key] = row.tobytes()
            self.log.take(self._clock_us, PERIOD_US, counts)
            if up:
                self._send(counts, float(t_s[-1]), spoil)
            self._clock_us += frames * PERIOD_US
            self._at_s += frames * step_s
        if up:
            self._serving, self._asked = [], None
            now_ns = round(1e9 * self._at_s) + 2 * WAIT_NS
            self.entries.append(Entry(now_ns, self._number, Kind.DISCONNECTED, b""))

    def cut_power(self, torn_bytes: int | None, off_s: float = 0.3) -> None:
        """Reset; it samples on once it is back."""
        self.log.cut_power(torn_bytes)
        self._clock_us = 0
        self._at_s += off_s

    def _connect(self) -> None:
        now_ns = round(1e9 * self._at_s)
        about = b"{}"
        if self.has_log:
            state = self.log.state(self._clock_us)
            log = {"boot": state.boot, "clock_us": state.clock_us, "read_ns": now_ns}
            about = json.dumps({"serial": f"{SERIALS[self.foot]:08X}", "log": log}).encode()
            self.coverage.connected(state, now_ns)
        self.entries.append(Entry(now_ns, self._number, Kind.CONNECTED, about))
        self._counter = 0

    def _send(self, counts: NDArray[np.uint16], last_s: float, spoil: Spoil) -> None:
        now_ns = round(1e9 * last_s) + WAIT_NS + 9_000_000 * (self._counter % 3 == 1)
        data = encode_data(
            DataPacket(
                *(self.foot, SampleFormat.PACKED12, self._counter == 0, False, False),
                *(self._counter, self._clock_us % 2**32, PERIOD_US),
                counts=counts,
            )
        )
        self._counter += 1
        self.entries.append(Entry(now_ns, self._number, Kind.NOTIFICATION, data))
        if self.has_log and self.serves:
            self.coverage.packet(read_header(data, 0, len(data)), now_ns)
            self._serve(now_ns, spoil)

    def _serve(self, now_ns: int, spoil: Spoil) -> None:
        if self._asked is None:
            hole = self.coverage.next(now_ns)
            if hole is None:
                return
            hole.asked += 1
            self.requests += 1
            to_us = min(hole.to_us, 2**48 - 1)
            request = LogRequest(0, hole.boot, hole.from_us, to_us)
            self._asked = replace(hole)
            self._serving = [data for data in self.log.pages(request) if data is not None]
        for data in self._serving[:PAGES_A_STEP]:
            came = spoil(data)
            self.entries.append(Entry(now_ns, self._number, Kind.LOG, came))
            if came == data:
                self.coverage.page(read_page(data))
        self._serving = self._serving[PAGES_A_STEP:]
        if not self._serving:
            self.coverage.drop(self._asked)
            self._asked = None


def packets_of(batch: Batch, foot: Foot) -> Iterator[DataPacket]:
    """Give a foot's packets of a whole record, with those that came late in their place."""
    for entry in batch:
        if entry.insole != INSOLE_OF[foot]:
            continue
        if entry.kind is Kind.NOTIFICATION:
            packet = decode(entry.data)
        elif entry.kind is Kind.LATE:
            _, _, packet = read_late(entry.data)
        else:
            continue
        assert isinstance(packet, DataPacket)
        yield packet


def record(*insoles: Insole, settings: SessionSettings | None = None) -> Batch:
    """Return both insoles' entries as one record, begun by its settings."""
    entries = sorted((e for insole in insoles for e in insole.entries), key=lambda e: e.arrival_ns)
    first = Entry(
        entries[0].arrival_ns, SESSION, Kind.SETTINGS, (settings or SessionSettings()).to_json()
    )
    return Batch.of([first, *entries, Entry(entries[-1].arrival_ns, SESSION, Kind.END, b"")])
