"""An insole of another maker on the air: sixteen zones, 16 bits, a stored curve, bytes of its own.

Written by the tables of `hardware_notes/` alone: of the program it imports nothing that knows those
bytes. What it is pressed by is the signal package's synthetic player, whose truth is known.
"""

import asyncio
import contextlib
import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from bumble import hci
from bumble.att import ATT_Error, ErrorCode
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, CharacteristicValue, Service
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.fitting import FITTING
from plantigrade.poses import Pose
from plantigrade.synth import (
    Performance,
    Player,
    Segment,
    SensorModel,
    SessionPlan,
    Stand,
    perform,
    segment_of,
)
from plantigrade.zones import REGIONS, parse_layout
from plantigrade_gateway.virtual.air import Air, host_on

UUID_OF = "7c1f000{}-5b33-4bce-92eb-cb3d3f7d5271"
LENGTH_MM, WIDTH_MM = 265, 92
HARDWARE, FIRMWARE, CURVE = 0x2016, 0x0203, 0x2A
TABLE = (
    *((0, 3700, 700, 610), (0, 6300, 700, 610), (0, 5000, 1800, 900)),
    *((1, 3400, 3000, 520), (1, 6600, 3000, 520), (1, 3200, 4000, 520)),
    *((1, 6800, 4000, 520), (1, 3000, 5100, 520), (1, 6800, 5100, 520)),
    *((2, 2200, 6800, 790), (2, 4200, 7100, 640), (2, 6000, 6700, 640), (2, 7900, 6000, 640)),
    *((3, 2400, 8800, 640), (3, 4700, 8600, 520), (3, 6800, 8000, 480)),
)
"""Region, x, y in 1/10000 of the width and length, area in mm²: invented."""
LAYOUT = parse_layout(
    f'name = "sixteen"\nlength_mm = {LENGTH_MM}\nwidth_mm = {WIDTH_MM}\n'
    + "".join(
        f'[[zone]]\nid = {k}\nregion = "{REGIONS[region]}"\n'
        f"x = {x / 1e4}\ny = {y / 1e4}\narea_mm2 = {area}\n"
        for k, (region, x, y, area) in enumerate(TABLE, 1)
    )
)
GAINS = {Foot.LEFT: 0.80, Foot.RIGHT: 0.90}
"""What the insoles read of a load."""
BODY_HZ = 400
HOLD_S = 8.0
POINTS_KPA = np.array([25.0, 50.0, 100.0, 150.0, 200.0, 300.0, 400.0, 550.0, 700.0, 900.0])
ZEROS = 900 + 25 * np.arange(16)


def converted(kpa: FloatArray) -> FloatArray:
    """The make-believe cell: counts above zero, rising ever less steeply; 52 429 at 900 kPa."""
    return 87_381.0 * kpa / (kpa + 600.0)


def information(knots: int, zones: int = 16, bits: int = 16, table: bool = True) -> bytes:
    """The information block by its table (`gatt_profile.md` §8)."""
    number = CURVE if knots else 0
    head = struct.pack(
        "<BBBBHHIBB", 1, zones, bits, 0 if table else 1, HARDWARE, FIRMWARE, number, knots, 0
    )
    if not table:
        return head
    size = struct.pack("<HH", LENGTH_MM, WIDTH_MM)
    return head + size + b"".join(struct.pack("<BHHH", *row) for row in TABLE[:zones])


def stored_curve() -> bytes:
    """The stored curve by its table."""
    k, n = len(POINTS_KPA), len(TABLE)
    at = np.rint(converted(POINTS_KPA)).astype(int)
    pressures = np.tile(np.rint(50.0 * POINTS_KPA).astype(int), n)
    return struct.pack(f"<IBB{k + n + n * k}H", CURVE, k, n, *at, *ZEROS, *pressures)


@dataclass(frozen=True)
class Clip:
    """Rows of what the body does, from one to another."""

    first: int
    last: int


class BodyClock:
    """The body's time, quicker than the wall's, which stands still where the machine does.

    A busy machine makes everything later, and the body slower with it: by its own time nothing is
    late. All that shares it runs in one event loop.
    """

    STEP_S = 0.002
    MOST_S = 0.006

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self.t_s = 0.0

    def now_ns(self) -> int:
        """The same as a host's clock."""
        return 1_000_000_000 + round(1e9 * self.t_s)

    async def run(self) -> None:
        """Go on, until cancelled."""
        now, last_s = asyncio.get_running_loop().time, 0.0
        while True:
            last_s = now()
            await asyncio.sleep(self.STEP_S)
            self.t_s += self.speed * min(now() - last_s, self.MOST_S)

    async def until(self, t_s: float) -> None:
        """Wait for a time of the body's."""
        while self.t_s < t_s:
            await asyncio.sleep(max((t_s - self.t_s) / self.speed, self.STEP_S))


class Body:
    """Stands quietly until told, then does a pose or the session, from standing to standing."""

    def __init__(self, player: Player, session: tuple[Segment, ...], seed: int = 3) -> None:
        self.player = player
        poses = tuple(dict.fromkeys(FITTING))
        segments = (Stand(HOLD_S), *(segment_of(p, HOLD_S, None) for p in poses), Stand(2.0))
        self.poses = perform(player, SessionPlan(segments), float(BODY_HZ), seed, LAYOUT)
        self.session = perform(player, SessionPlan(session), float(BODY_HZ), seed + 1, LAYOUT)
        self._counts = {foot: self._read(foot, seed) for foot in Foot}
        edges = [round(s * BODY_HZ) for s in self.poses.segments_s]
        self.clips: dict[Pose | str, Clip] = {
            pose: Clip(edges[k + 1], edges[k + 2]) for k, pose in enumerate(poses)
        }
        n = len(self.poses.t_s)
        self.clips["session"] = Clip(n, n + len(self.session.t_s))
        self._idle = edges[1]
        self._done: list[tuple[int, Clip]] = []

    def _read(self, foot: Foot, seed: int) -> NDArray[np.uint16]:
        sensor = SensorModel(
            hysteresis=0.0, drift_n=0.0, dead_kpa=0.0, noise_kpa=0.3, step_kpa=0.0,
            saturation_kpa=2000.0, gain_left=GAINS[Foot.LEFT], gain_right=GAINS[Foot.RIGHT],
        )  # fmt: skip
        read: list[FloatArray] = []
        for done in (self.poses, self.session):
            read.append(sensor.read(done, seed)[list(Foot).index(foot)])
        counts = ZEROS + converted(np.maximum(np.concatenate(read), 0.0))
        return np.clip(np.rint(counts), 0, 65535).astype(np.uint16)

    def do(self, what: Pose | str, t_s: float) -> None:
        """Do something from a time of the body's on, or from the end of what is under way."""
        begin = round(t_s * BODY_HZ)
        if self._done:
            at, clip = self._done[-1]
            begin = max(begin, at + clip.last - clip.first)
        self._done.append((begin, self.clips[what]))

    def duration_s(self, what: Pose | str) -> float:
        """How long something takes, s of the body's."""
        clip = self.clips[what]
        return (clip.last - clip.first) / BODY_HZ

    def at(self, foot: Foot, t_s: FloatArray) -> NDArray[np.uint16]:
        """A foot's counts at times of the body, s."""
        rows = np.rint(t_s * BODY_HZ).astype(np.int64)
        where = rows % self._idle
        for begin, clip in self._done[-2:]:
            during = (rows >= begin) & (rows < begin + clip.last - clip.first)
            where[during] = rows[during] - begin + clip.first
        return self._counts[foot][where]


def performed(body: Body) -> Performance:
    """What the body does in its session."""
    return body.session


class OtherInsole:
    """One insole on the air.

    `said` and `curve` are its values of the profile's §8; None: it has no such characteristic.
    """

    def __init__(
        self,
        air: Air,
        foot: Foot,
        body: Body,
        clock: BodyClock,
        said: bytes | None,
        curve: bytes | None = None,
        zones: int = 16,
    ) -> None:
        self.foot, self.serial = foot, 0x0C0FFE00 + list(Foot).index(foot)
        self._body, self._clock, self._zones = body, clock, zones
        self._period_us, self._frames = 10_000, 2
        self._stream: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        kind = Characteristic.Properties
        read, none = Characteristic.READABLE, Characteristic.Permissions(0)
        self._data = Characteristic(UUID_OF.format(2), kind.NOTIFY, none, b"")
        self._point: Characteristic[bytes] = Characteristic(
            UUID_OF.format(3),
            kind.WRITE | kind.INDICATE,
            Characteristic.WRITEABLE,
            CharacteristicValue(write=self._written),
        )
        status = struct.pack("<BBBBII", 1, 0, 64, 0, 0, 5)
        offered: list[Characteristic[Any]] = [
            self._data,
            self._point,
            Characteristic(UUID_OF.format(4), kind.READ | kind.NOTIFY, read, status),
        ]
        for number, value in ((5, said), (6, curve)):
            if value is not None:
                offered.append(Characteristic(UUID_OF.format(number), kind.READ, read, value))
        battery = Characteristic("2A19", kind.READ | kind.NOTIFY, read, bytes([64]))
        host, self._controller = host_on(air, f"other {foot}")
        address = hci.Address(f"F0:00:00:00:00:0{self.serial & 1}", hci.AddressType.RANDOM_DEVICE)
        config = DeviceConfiguration(
            name="other", address=address, advertising_interval_min=50, advertising_interval_max=50
        )
        self._device = Device(config=config, host=host)
        self._device.gatt_server.max_mtu = 247
        self._device.add_services([Service(UUID_OF.format(1), offered), Service("180F", [battery])])
        self._device.on(Device.EVENT_CONNECTION, self._connected)

    async def start(self) -> None:
        """Switch it on."""
        await self._device.power_on()
        service = UUID(UUID_OF.format(1)).to_bytes()
        bit = list(Foot).index(self.foot)
        name = f"Insole {'LR'[bit]}".encode()
        kind = AdvertisingData.Type
        parts = [(kind(1), b"\x06"), (kind(7), service), (kind(9), name)]
        answer = service + struct.pack("<BBHBI", 1, bit, LENGTH_MM, 64, self.serial)
        await self._device.start_advertising(
            auto_restart=True,
            advertising_data=bytes(
                AdvertisingData([(AdvertisingData.Type(k), v) for k, v in parts])
            ),
            scan_response_data=bytes(AdvertisingData([(AdvertisingData.Type(0x21), answer)])),
        )

    async def close(self) -> None:
        """Switch it off."""
        self._end()
        await self._device.power_off()

    def _connected(self, connection: Connection) -> None:
        connection.on(Connection.EVENT_DISCONNECTION, lambda _: self._end())

    def _end(self) -> None:
        if self._stream is not None:
            self._stream.cancel()
            self._stream = None

    def _written(self, connection: Connection, value: bytes) -> None:
        subscribed = self._device.gatt_server.subscribers.get(connection, {})
        if not subscribed.get(self._point.handle, b"\0")[0] & 0x02:
            raise ATT_Error(ErrorCode(0xFD))
        clock_us = int(self._clock.t_s * 1e6) & 0xFFFFFFFF
        task = asyncio.create_task(self._answer(connection, bytes(value), clock_us))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _answer(self, connection: Connection, value: bytes, clock_us: int) -> None:
        kind, token = value[1], value[2]
        answer = struct.pack("<BBBBB", 1, 0x20, token, kind, 0)
        if kind == 0x10:
            self._end()
            self._stream = asyncio.create_task(self._run(connection))
        elif kind == 0x11:
            self._end()
        elif kind == 0x12:
            (self._period_us,) = struct.unpack_from("<H", value, 3)
        elif kind == 0x13:
            self._frames = value[3]
        elif kind == 0x14:
            bit = list(Foot).index(self.foot)
            answer = struct.pack(
                "<BBBBBBHBBHI", 1, 0x21, token, bit, self._zones, self._frames, self._period_us, 64,
                int(self._stream is not None), FIRMWARE, self.serial,
            )  # fmt: skip
        elif kind == 0x15:
            answer = struct.pack("<BBBI", 1, 0x22, token, clock_us)
        else:
            answer = struct.pack("<BBBBB", 1, 0x20, token, kind, 1)
        with contextlib.suppress(TimeoutError, asyncio.CancelledError):
            await self._device.indicate_subscriber(connection, self._point, answer)

    async def _run(self, connection: Connection) -> None:
        counter = 0
        next_us = (int(self._clock.t_s * 1e6) // self._period_us + 1) * self._period_us
        while True:
            frames, period_us = self._frames, self._period_us
            at_us = next_us + period_us * np.arange(frames)
            await self._clock.until(at_us[-1] / 1e6)
            counts = self._body.at(self.foot, at_us / 1e6)[:, : self._zones]
            packet = struct.pack(
                "<BBBBIIHBB", 1, 1, list(Foot).index(self.foot), int(counter == 0), counter,
                next_us & 0xFFFFFFFF, period_us, self._zones, frames,
            )  # fmt: skip
            body = struct.pack(f"<{counts.size}H", *counts.ravel().tolist())
            await self._device.notify_subscriber(connection, self._data, packet + body)
            if counter % 8 == 0:
                await connection.drain()
            counter += 1
            next_us += frames * period_us
