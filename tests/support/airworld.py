"""A pair of virtual insoles, the air, and a live source that listens: for tests of the link."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace

import numpy as np
from bumble.transport.common import AsyncPipeSink
from numpy.typing import NDArray
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Entry, Kind
from plantigrade_gateway.sources.bluetooth import Radio, Sighting, scan
from plantigrade_gateway.sources.inbox import Inbox
from plantigrade_gateway.sources.live import LiveSource, StreamConfig
from plantigrade_gateway.virtual.air import Air, AirController, RadioConditions
from plantigrade_gateway.virtual.backend import AirRadio
from plantigrade_gateway.virtual.peripheral import AirInsole
from plantigrade_gateway.virtual.player import LENGTH_MM, DeviceSettings, GaitSource, usual_pair
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.stream import PacketRun, StreamEvent

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT


def known(settings: DeviceSettings) -> KnownInsole:
    """The insole as pairing remembers it."""
    return KnownInsole(
        settings.serial, settings.foot, f"{settings.serial:08X}", settings.address, LENGTH_MM
    )


@dataclass(frozen=True)
class TimeLine:
    """What the gateway makes of a record: which rows of its time line each foot has."""

    t_s: NDArray[np.float64]
    has: dict[Foot, NDArray[np.bool_]]

    def hole_s(self, foot: Foot) -> float:
        """The longest stretch without the foot between its first and its last row; 0: none."""
        there = np.flatnonzero(self.has[foot])
        rows = int(np.diff(there).max(initial=1)) - 1
        return rows * float(self.t_s[1] - self.t_s[0])

    def late_s(self, foot: Foot) -> float:
        """How long after the line's beginning the foot came; infinite: it never did."""
        there = np.flatnonzero(self.has[foot])
        return float(self.t_s[there[0]] - self.t_s[0]) if len(there) else np.inf


class Given(Inbox):
    """An inbox that holds nothing: each entry is given on as it comes."""

    def __init__(self, emit: Callable[[Entry], None]) -> None:
        super().__init__()
        self._emit = emit

    def put(self, entry: Entry) -> None:
        self._emit(entry)


@dataclass
class World:
    air: Air
    steps: GaitSource
    insoles: dict[Foot, AirInsole]
    radio: AirRadio
    entries: list[Entry] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    source: LiveSource | None = None
    speed: float = 1.0

    @property
    def backend(self) -> Radio:
        return Radio(self.radio.scanner, self.radio.client)

    async def insole(self, settings: DeviceSettings) -> AirInsole:
        began_s = asyncio.get_running_loop().time()
        insole = AirInsole(settings, self.air, self.steps, began_s)
        insole.sent = []
        await insole.start()
        return insole

    def now_ns(self) -> int:
        """The host's clock, as fast as the insoles'."""
        return int(asyncio.get_running_loop().time() * self.speed * 1e9)

    @contextlib.asynccontextmanager
    async def listening(
        self,
        *insoles: KnownInsole,
        wish: StreamConfig | None = None,
        emit: Callable[[Entry], None] | None = None,
        bridged_s: float | None = None,
    ) -> AsyncIterator[LiveSource]:
        """A live source of these insoles, the pair by default."""
        wanted = insoles or tuple(known(i.settings) for i in self.insoles.values())

        def tell(text: str) -> None:
            self.said.append(text)

        inbox = Given(emit or self.entries.append)
        self.source = LiveSource(wanted, self.backend, tell, wish, self.now_ns, inbox=inbox)
        if bridged_s is not None:
            self.source.bridged_s = bridged_s
        async with self.source:
            yield self.source
        async for _ in self.source:
            raise AssertionError("nothing waits: all was given at once")

    def of(self, foot: Foot, kind: Kind) -> list[Entry]:
        return [e for e in self.entries if e.insole == INSOLE_OF[foot] and e.kind is kind]

    def data(self, foot: Foot) -> list[bytes]:
        return [e.data for e in self.of(foot, Kind.NOTIFICATION)]

    def sent(self, foot: Foot) -> list[bytes]:
        sent = self.insoles[foot].sent
        assert sent is not None
        return sent

    def decoded(self, foot: Foot) -> tuple[Decoder, list[StreamEvent], list[PacketRun]]:
        decoder = Decoder(INSOLE_OF[foot])
        batch = Batch.of(self.of(foot, Kind.NOTIFICATION))
        out = decoder.feed(batch.arrival_ns, batch.length, batch.payload)
        return (
            decoder,
            [item for item in out if isinstance(item, StreamEvent)],
            [item for item in out if isinstance(item, PacketRun)],
        )

    def line(self) -> TimeLine:
        """The record so far, through the gateway's pipeline in one go."""
        pipeline = Pipeline()
        rows = [*pipeline.push(Batch.of(self.entries)).rows, *pipeline.flush().rows]
        t_s = np.concatenate([block.t_s for block in rows])
        np.testing.assert_allclose(np.diff(t_s), t_s[1] - t_s[0], atol=1e-9)  # never back, no jump
        has = {
            foot: np.concatenate([~np.isnan(block.foot(foot)[:, 0]) for block in rows])
            for foot in (LEFT, RIGHT)
        }
        return TimeLine(t_s, has)

    async def until(self, done: Callable[[], object], limit_s: float = HANG_S) -> None:
        """Wait for something to be so."""
        async with asyncio.timeout(limit_s):
            while not done():
                await asyncio.sleep(0.01)

    async def told(self, text: str) -> None:
        """Wait until people are told something; on a busy machine not of all it is the first."""
        await self.until(lambda: any(text in said for said in self.said))

    async def heard(self, least: int = 2, backend: Radio | None = None) -> list[Sighting]:
        """Scan until so many insoles are heard, however long a busy machine takes."""
        async with asyncio.timeout(HANG_S):
            while len(found := await scan(backend or self.backend, 0.4)) < least:
                pass
        return found

    async def streams(self, foot: Foot, packets: int = 5) -> None:
        """Wait for so many packets more of a foot."""
        goal = len(self.data(foot)) + packets
        await self.until(lambda: len(self.data(foot)) >= goal)


@contextlib.asynccontextmanager
async def world(
    steps: GaitSource,
    conditions: RadioConditions | None = None,
    mtu: int = 247,
    left: DeviceSettings | None = None,
    right: DeviceSettings | None = None,
    **settings: object,
) -> AsyncIterator[World]:
    """The air with a pair on it, and a radio."""
    air = Air(conditions or RadioConditions(interval_s=0.0, supervision_s=0.4))
    gateway = AirController("gateway", link=air)
    radio = await AirRadio.on(gateway, AsyncPipeSink(gateway), mtu)
    made = World(air, steps, {}, radio)
    usual = usual_pair(0, **settings)
    for one, given in zip(usual, (left, right), strict=True):
        turned = given or one
        made.insoles[turned.foot] = await made.insole(turned)
        made.speed = turned.speed
    try:
        yield made
    finally:
        await radio.close()
        for insole in made.insoles.values():
            await insole.close()


def turned(foot: Foot, **settings: object) -> DeviceSettings:
    """One of the pair, with settings turned."""
    pair = dict(zip((LEFT, RIGHT), usual_pair(), strict=True))
    return replace(pair[foot], **settings)  # type: ignore[arg-type]
