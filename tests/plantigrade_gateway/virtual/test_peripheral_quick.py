"""A virtual insole by a clock that is set by hand, and what its host writes, in moments."""

import asyncio
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from tests.support.turns import turns_until

from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.log import LogEnd, LogRequest, is_end, read_end, read_page, read_state
from plantigrade_gateway.wire.messages import Ack, AckStatus, Clock, DataPacket, Start, Stop, Time

try:
    from bumble.att import ATT_Error
    from tests.support.airworld import LEFT, turned

    from plantigrade_gateway.virtual.air import Air, RadioConditions
    from plantigrade_gateway.virtual.peripheral import AirInsole
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )


class OwnTime:
    """What presses: each zone reads the body's time, in ms."""

    def at(self, foot: object, t_s: np.ndarray) -> np.ndarray:
        return np.rint(np.asarray(t_s) * 1000.0).astype(np.uint16)[:, None].repeat(18, axis=1)


class HandSet(AirInsole):
    """An insole whose time is set, and whose radio keeps what it is given and when."""

    now_s = 100.0

    def __init__(self, **settings: Any) -> None:
        made = turned(LEFT, **{"drift_ppm": 0.0, **settings})
        super().__init__(made, Air(), OwnTime(), began_s=100.0)
        self.given: list[tuple[float, DataPacket]] = []
        self.link: Any = object()

    def _now_s(self) -> float:
        return self.now_s

    @property
    def connection(self) -> Any:
        return self.link

    async def _send(self, connection: object, data: bytes, counter: int) -> None:
        packet = decode(data)
        assert isinstance(packet, DataPacket) and packet.counter == counter
        self.given.append((self.now_s, packet))

    async def streams(self, packets: int, monkeypatch: pytest.MonkeyPatch) -> list[float]:
        """Stream until so many packets were due; return what it waited for, s."""
        waits: list[float] = []

        async def sleep(wait_s: float) -> None:
            waits.append(wait_s)
            if len(waits) > packets:
                raise asyncio.CancelledError
            self.now_s += wait_s

        with monkeypatch.context() as patched:
            patched.setattr(asyncio, "sleep", sleep)
            with pytest.raises(asyncio.CancelledError):
                await self._stream(self.link)
        return waits


@pytest.mark.parametrize(
    ("ppm", "speed", "began_us"), [(0.0, 1.0, 0), (200.0, 1.0, 50_000), (-200.0, 4.0, 12_345)]
)
async def test_packets_come_when_their_last_sample_is_due(ppm, speed, began_us, monkeypatch):
    """1.5 ms after it; own time is the host's by the drift and the speed of the body."""
    insole = HandSet(drift_ppm=ppm, speed=speed, clock_us=2**32 - 20_000)
    own = (1.0 + ppm / 1e6) * speed
    insole.now_s = 100.0 + (began_us + 0.5) / 1e6 / own
    waits = await insole.streams(6, monkeypatch)
    assert len(waits) == 7 and len(insole.given) == 6
    first_us = (began_us // 10_000 + 1) * 10_000
    for k, (at_s, packet) in enumerate(insole.given):
        at_us = first_us + 20_000 * k
        assert at_s == pytest.approx(100.0 + (at_us + 10_000) / 1e6 / own + 0.0015 / speed)
        assert packet.clock_us == (2**32 - 20_000 + at_us) % 2**32
        assert (packet.first, packet.dropped, packet.counter) == (k == 0, False, k)
        # the body's time goes at its own speed beside the host's
        body_ms = (at_us + np.array([0, 10_000])) / 1e3 / own * speed
        assert packet.counts[:, 0].tolist() == np.rint(body_ms).tolist()


async def test_what_a_stall_or_loss_takes_is_counted_and_not_sent(monkeypatch):
    insole = HandSet()
    insole.stall(0.05)  # packets are due at 21.5, 41.5, 61.5 … ms
    await insole.streams(5, monkeypatch)
    assert [packet.counter for _, packet in insole.given] == [2, 3, 4]
    assert insole.status().dropped == 2
    lossy = HandSet(loss=0.3)
    await lossy.streams(200, monkeypatch)
    sent = {packet.counter for _, packet in lossy.given}
    assert len(sent) + lossy.status().dropped == 200
    assert 90 < len(sent) < 180
    await lossy.streams(1, monkeypatch)  # begins again: counters too
    assert lossy.status().dropped in (0, 1)


async def test_packets_that_are_late_are_sent_at_once_and_the_link_may_drain(monkeypatch):
    insole = HandSet(speed=1.0)
    stream = asyncio.create_task(insole._stream(insole.link))
    slept: list[float] = []

    async def sleep(wait_s: float, *, real: Any = asyncio.sleep) -> None:
        slept.append(wait_s)
        if len(insole.given) >= 20:
            raise asyncio.CancelledError
        if len(slept) == 1:
            insole.now_s += 10.0  # the machine was busy
        await real(0)

    monkeypatch.setattr(asyncio, "sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await stream
    assert slept == [pytest.approx(0.0215), 0, 0, 0]  # of packets 8, 16 and 24
    assert len(insole.given) == 24


async def test_time_once_covered_is_not_covered_again(monkeypatch):
    insole = HandSet()
    await insole.streams(3, monkeypatch)
    assert insole._covered_us == 70_000
    insole.now_s = 100.0 + 0.035
    await insole.streams(1, monkeypatch)
    assert insole.given[-1][1].clock_us == insole.settings.clock_us + 70_000


async def test_the_battery_goes_down_with_the_body_s_hours():
    insole = HandSet(battery_percent=90.0, battery_hours=10.0, speed=2.0)
    assert insole.battery_percent() == 90
    insole.now_s += 3600.0  # two of ten hours
    assert insole.battery_percent() == 70
    insole.set_battery(15.4)
    assert (insole.status().battery_percent, insole.status().battery_low) == (15, False)
    assert not insole._packet(np.array([0]), 10_000, 0).battery_low
    insole.now_s += 180.0  # a tenth of an hour: 1 %
    assert (insole.status().battery_percent, insole.status().battery_low) == (14, True)
    assert insole._packet(np.array([0]), 10_000, 0).battery_low
    insole.now_s += 36_000.0
    assert insole.battery_percent() == 0


async def test_its_clock_and_uptime_begin_again_after_a_reset(monkeypatch):
    """It is back after 0.3 s, or when the link has heard nothing for long enough."""
    away: list[float] = []
    insole = HandSet(clock_us=5_000_000, drift_ppm=100.0, speed=2.0)
    monkeypatch.setattr(insole, "vanish", away.append)
    insole.now_s = 110.0
    assert insole._since_boot_us() == 20_002_000
    assert insole._clock_now_us() == 25_002_000
    assert (insole.status().uptime_s, insole.status().resets) == (20, 0)
    insole.control.period_us, insole._covered_us = 7000, 9
    insole.restart()
    assert away == [pytest.approx(1.1 * 2.0)]
    assert (insole.control.period_us, insole._covered_us) == (10_000, 0)
    assert (insole._clock_now_us(), insole.status().uptime_s) == (0, 0)
    insole.now_s = 110.3 + 1.0
    assert insole._clock_now_us() == pytest.approx(2_000_200, abs=1)
    assert (insole.status().uptime_s, insole.status().resets) == (2, 1)
    insole._resets = 256
    assert insole.status().resets == 255


async def test_level_and_status_are_notified_when_they_change_and_every_ten_seconds(monkeypatch):
    insole = HandSet(battery_percent=50.0, battery_hours=10_000.0)
    said: list[tuple[int, str]] = []
    names = {insole._offer.battery: "level", insole._offer.status: "status"}
    script = {3: lambda: insole.set_battery(49.0), 5: lambda: insole.charge(True)}
    second = 0

    async def notify(characteristic: Any) -> None:
        said.append((second, names[characteristic]))

    async def sleep(wait_s: float) -> None:
        nonlocal second
        assert wait_s == 1.0
        second += 1
        insole.now_s += 1.0
        script.get(second, lambda: None)()
        if second == 28:
            raise asyncio.CancelledError

    monkeypatch.setattr(insole, "_notify", notify)
    monkeypatch.setattr(asyncio, "sleep", sleep)
    insole._streaming = cast(Any, object())
    monkeypatch.setattr(insole, "_halt", lambda: None)
    with pytest.raises(asyncio.CancelledError):
        await insole._report()
    first = [(1, "status")]  # it streams, and nothing was said yet
    assert said[:1] == first
    assert (3, "level") in said and (5, "status") in said
    assert [at for at, what in said if what == "status"][1:] == [5, 15, 25]
    assert [at for at, what in said if what == "level"] == [3]


@pytest.mark.parametrize("streaming", [True, False])
async def test_a_start_and_a_stop(streaming, monkeypatch):
    insole = HandSet()
    assert not insole.is_streaming and not insole.started.is_set()
    if not streaming:
        insole.link = None
    insole.begin()
    assert insole.is_streaming is insole.started.is_set() is streaming
    before = insole._streaming
    insole.begin()
    assert not streaming or insole._streaming is not before
    insole.end()
    assert not insole.is_streaming
    await asyncio.sleep(0)
    assert before is None or before.cancelled() or before.cancelling()


async def test_a_log_goes_on_where_the_stream_left_it(monkeypatch):
    """What was not in a packet is logged; a stream after it begins where the log is."""
    insole = HandSet(log_pages=64, clock_us=0)
    assert insole.keeper is not None
    await insole.streams(2, monkeypatch)  # samples of 10 to 40 ms
    assert insole.keeper.sampled_us == 50_000
    insole.now_s = 100.08955001
    state = read_state(insole._log_state())
    assert (state.logging, state.boot, state.clock_us) == (True, 1, 89_550)
    assert insole.keeper.sampled_us == 90_000
    insole.now_s = 100.1195
    await insole.streams(1, monkeypatch)
    assert insole.given[-1][1].clock_us == 120_000
    insole.now_s = 100.1695
    insole.end()
    assert not insole.keeper.log.logging
    # the samples of 10 to 160 ms fill two pages: one frame more says that it ends
    assert insole._covered_us == insole.keeper.sampled_us == 180_000
    page = read_page(next(p for p in insole.keeper.log.pages(LogRequest(0, 1, 0, 1 << 47)) if p))
    assert (page.clock_us, page.counts[:, 0].tolist()) == (10_000, [10 * k for k in range(1, 9)])


# ---- with a host that writes ----

NOTIFY, INDICATE = b"\x01\x00", b"\x02\x00"
"""Client characteristic configuration, bits 0 and 1 (Bluetooth Core, Vol 3 Part G, from memory)."""
IMPROPER = 0xFD  # gatt_profile.md §1


class Link:
    """A link of some MTU, and the device that tells its host: what was said, in order."""

    def __init__(self, insole: AirInsole, mtu: int = 247) -> None:
        offer = insole._offer
        self.att_mtu = mtu
        self.handles = {"point": offer.point.handle, "data": offer.data.handle}
        self.handles["log"] = offer.log.handle
        self.said: list[tuple[str, bytes]] = []
        self.names: dict[Any, str] = {offer.point: "point", offer.data: "data", offer.log: "log"}
        self.names |= {offer.battery: "battery", offer.status: "status"}
        self.gatt_server = SimpleNamespace(subscribers={self: {}})

    def subscribe(self, **bits: bytes) -> None:
        handles = {self.handles[name]: value for name, value in bits.items()}
        self.gatt_server.subscribers[self].update(handles)

    async def notify_subscriber(self, to: object, one: object, value: bytes | None = None) -> None:
        assert to is self
        self.said.append((f"notify {self.names[cast(Any, one)]}", value or b""))

    async def indicate_subscriber(self, to: object, one: object, value: bytes) -> None:
        assert to is self
        self.said.append((f"indicate {self.names[cast(Any, one)]}", value))

    async def drain(self) -> None:
        self.said.append(("drain", b""))

    async def disconnect(self) -> None:
        self.said.append(("disconnect", b""))


def linked(mtu: int = 247, **settings: Any) -> tuple[HandSet, Link]:
    insole = HandSet(**settings)
    link = Link(insole, mtu)
    insole.link, insole.device = link, cast(Any, link)
    return insole, link


def refused(write: Callable[[], object]) -> int:
    with pytest.raises(ATT_Error) as error:
        write()
    return int(error.value.error_code)


@pytest.mark.parametrize("bits", [None, b"\x00\x00", NOTIFY])
async def test_a_request_without_an_indication_s_subscription_is_refused(bits):
    insole, link = linked()
    if bits is not None:
        link.subscribe(point=bits, data=NOTIFY)
    assert refused(lambda: insole._asked(cast(Any, link), encode(Start(1)))) == IMPROPER
    assert not insole._tasks and insole.requests == []


@pytest.mark.parametrize("bits", [None, b"\x00\x00", INDICATE])
async def test_a_log_request_without_a_subscription_is_refused(bits):
    insole, link = linked(log_pages=64)
    if bits is not None:
        link.subscribe(log=bits)
    wanted = LogRequest(1, 1, 0, 1 << 40).encode()
    assert refused(lambda: insole._asked_log(cast(Any, link), wanted)) == IMPROPER


async def test_a_request_is_indicated_with_the_clock_of_when_it_came():
    insole, link = linked(clock_us=2**32 - 1_000_000)
    link.subscribe(point=INDICATE, data=NOTIFY)
    insole.now_s = 102.0
    insole._asked(cast(Any, link), encode(Time(7)))
    insole.now_s = 150.0  # busy meanwhile: wire_format.md §4, time
    await turns_until(lambda: link.said)
    assert link.said == [("indicate point", encode(Clock(7, 1_000_000)))]
    assert insole.requests == [Time(7)]
    await turns_until(lambda: not insole._tasks)


@pytest.mark.parametrize(
    ("bits", "mtu", "status"),
    [
        (NOTIFY, 247, AckStatus.DONE),
        (b"\x00\x00", 247, AckStatus.NOT_NOW),  # nobody is subscribed to data
        (INDICATE, 247, AckStatus.NOT_NOW),
        (None, 247, AckStatus.NOT_NOW),
        # one frame of eighteen zones is 16 + 27 bytes of value, 46 with ATT's own three
        (NOTIFY, 46, AckStatus.DONE),
        (NOTIFY, 45, AckStatus.NOT_NOW),
    ],
)
async def test_start_needs_somebody_who_hears_it_and_room_for_a_frame(bits, mtu, status):
    insole, link = linked(mtu)
    link.subscribe(point=INDICATE, **({} if bits is None else {"data": bits}))
    insole._asked(cast(Any, link), encode(Start(3)))
    await turns_until(lambda: link.said)
    assert link.said[0] == ("indicate point", encode(Ack(3, MessageKind.START, status)))
    assert insole.is_streaming is (status is AckStatus.DONE)
    insole._asked(cast(Any, link), encode(Stop(4)))
    await turns_until(lambda: len([what for what, _ in link.said if what == "indicate point"]) == 2)
    assert not insole.is_streaming


async def test_what_deserves_no_answer_gets_none_and_a_host_that_is_deaf_harms_nothing():
    insole, link = linked()
    link.subscribe(point=INDICATE)
    await insole._answer(cast(Any, link), b"\x01", 0)
    assert link.said == []

    async def deaf(*_: object) -> None:
        raise TimeoutError

    cast(Any, link).indicate_subscriber = deaf
    await insole._answer(cast(Any, link), encode(Time(1)), 0)


def logged(link: Link) -> list[str]:
    """What a log's answer was made of, pages by their numbers."""
    kinds = []
    for what, data in link.said:
        if what == "notify log":
            kinds.append("end" if is_end(data) else str(read_page(data).page))
        else:
            kinds.append(what)
    return kinds


def logging() -> tuple[HandSet, Link]:
    """An insole with a log in 64 pages, whose clock begins at 0, and a host that listens."""
    insole, link = linked(log_pages=64, clock_us=0)
    link.subscribe(log=NOTIFY, point=INDICATE, data=NOTIFY)
    return insole, link


async def test_pages_come_two_at_a_time_and_then_the_end(monkeypatch):
    """What is sampled until the request is asked for too; two in the queue (profile, §11)."""
    insole, link = logging()
    await insole.streams(1, monkeypatch)
    insole.now_s = 100.4805  # samples of 10 to 480 ms: six pages of eight
    insole._asked_log(cast(Any, link), LogRequest(9, 1, 0, 1 << 40).encode())
    await turns_until(lambda: link.said and logged(link)[-1] == "end")
    assert logged(link) == ["0", "1", "drain", "2", "3", "drain", "4", "5", "drain", "end"]
    assert read_end(link.said[-1][1]) == LogEnd(9, AckStatus.DONE, 6, 0)


async def test_torn_slots_are_passed_over_and_counted(monkeypatch):
    insole, link = logging()
    await insole.streams(1, monkeypatch)
    insole.now_s = 100.4805
    assert insole.keeper is not None
    insole._log_state()
    whole = list(insole.keeper.log.pages(LogRequest(9, 1, 0, 1 << 40)))
    some = [whole[0], None, None, *whole[1:3]]
    monkeypatch.setattr(insole.keeper.log, "pages", lambda _: iter(some))
    insole._asked_log(cast(Any, link), LogRequest(9, 1, 0, 1 << 40).encode())
    await turns_until(lambda: link.said and logged(link)[-1] == "end")
    assert logged(link) == ["0", "1", "drain", "2", "end"]
    assert read_end(link.said[-1][1]) == LogEnd(9, AckStatus.DONE, 3, 2)


async def test_a_new_request_ends_the_one_under_way_without_an_end(monkeypatch):
    insole, link = logging()
    await insole.streams(1, monkeypatch)
    insole.now_s = 100.4805
    stuck = asyncio.Event()

    async def drain() -> None:
        link.said.append(("drain", b""))
        await stuck.wait()

    cast(Any, link).drain = drain
    insole._asked_log(cast(Any, link), LogRequest(1, 1, 0, 1 << 40).encode())
    await turns_until(lambda: logged(link)[-1:] == ["drain"])
    first = insole._serving
    insole._asked_log(cast(Any, link), LogRequest(2, 1, 0, 0).encode())
    await turns_until(lambda: logged(link)[-1] == "end")
    assert logged(link) == ["0", "1", "drain", "end"]
    assert read_end(link.said[-1][1]) == LogEnd(2, AckStatus.DONE, 0, 0)
    assert first is not None and first.cancelled()


@pytest.mark.parametrize(
    ("mtu", "written", "end"),
    [
        (247, LogRequest(5, 1, 0, 0).encode(), LogEnd(5, AckStatus.DONE, 0, 0)),
        (246, LogRequest(5, 1, 0, 0).encode(), LogEnd(5, AckStatus.NOT_NOW)),  # profile §11
        (247, b"\x01\x39\x05", LogEnd(5, AckStatus.UNKNOWN_REQUEST)),
        (247, b"\x01\x38\x05", LogEnd(5, AckStatus.VALUE_NOT_POSSIBLE)),
        (247, b"\x01\x38", None),
    ],
)
async def test_what_a_log_request_is_answered_at_once(mtu, written, end):
    insole, link = linked(mtu, log_pages=64)
    link.subscribe(log=NOTIFY)
    insole._asked_log(cast(Any, link), written)
    if end is None:
        assert insole._serving is None
        return
    await turns_until(lambda: link.said)
    assert [read_end(data) for _, data in link.said] == [end]


# ---- what happens to it ----


async def test_a_reset_in_the_midst_of_logging_goes_on_in_the_next_boot(monkeypatch):
    insole, _ = logging()
    monkeypatch.setattr(insole, "vanish", lambda _: None)
    await insole.streams(1, monkeypatch)
    insole.now_s = 100.2005  # samples of 10 to 200 ms: two whole pages and four frames
    insole.restart()
    assert insole.keeper is not None
    first = [read_page(p) for p in insole.keeper.log.pages(LogRequest(0, 1, 0, 1 << 40)) if p]
    assert [page.clock_us for page in first] == [10_000, 90_000]
    insole.now_s = 100.5 + 0.2  # it booted for 0.3 s
    state = read_state(insole._log_state())
    assert (state.boot, state.logging, state.next) == (2, True, 4)


async def test_out_of_range_it_leaves_the_air_and_comes_back():
    air = Air(RadioConditions(interval_s=0.0))
    insole = AirInsole(turned(LEFT), air, cast(Any, OwnTime()), began_s=0.0)
    insole.vanish(0.0)
    assert insole._controller in air._far
    await turns_until(lambda: insole._controller not in air._far)


@pytest.mark.parametrize(("supervision_s", "away_s"), [(2.0, 2.2), (0.1, 0.3)])
async def test_after_a_reset_it_is_away_until_its_link_is_lost(supervision_s, away_s, monkeypatch):
    """And at least as long as it boots."""
    insole = HandSet()
    insole._air.conditions = RadioConditions(supervision_s=supervision_s)
    away: list[float] = []
    monkeypatch.setattr(insole, "vanish", away.append)
    insole.restart()
    assert away == [pytest.approx(away_s)]


async def test_it_ends_its_link_where_it_has_one():
    insole, link = linked()
    await insole.hang_up()
    assert link.said == [("disconnect", b"")]
    insole.link = None
    await insole.hang_up()
    assert len(link.said) == 1


async def test_a_lost_link_ends_the_stream_and_the_log_goes_on_for_a_while(monkeypatch):
    insole, link = logging()
    heard: dict[str, Callable[[int], None]] = {}
    cast(Any, link).on = lambda event, what: heard.update({event: what})
    insole._connected(cast(Any, link))
    assert insole.keeper is not None
    await insole.streams(1, monkeypatch)
    insole.begin()
    (lost,) = heard.values()
    lost(8)
    assert not insole.is_streaming and insole.keeper.log.logging
    insole.now_s += 3600.0  # 32 of its 64 pages hold the first 2.56 s of it
    state = read_state(insole._log_state())
    assert not state.logging and state.next == pytest.approx(32, abs=1)


async def test_what_is_sent_is_kept_and_every_eighth_packet_waits_for_the_link():
    insole, link = linked()
    insole.sent = []
    for counter in range(17):
        await AirInsole._send(insole, cast(Any, link), bytes([counter]), counter)
    assert insole.sent == [bytes([k]) for k in range(17)]
    told = [data for what, data in link.said if what == "notify data"]
    assert told == insole.sent
    drains = [k for k, (what, _) in enumerate(link.said) if what == "drain"]
    assert drains == [1, 10, 19]  # behind packets 0, 8 and 16
    insole.sent = None
    await AirInsole._send(insole, cast(Any, link), b"x", 1)
    assert link.said[-1] == ("notify data", b"x")


async def test_level_and_status_are_told_to_who_is_connected():
    insole, link = linked()
    await insole._notify(insole._offer.battery)
    await insole._notify(insole._offer.status)
    assert [what for what, _ in link.said] == ["notify battery", "notify status"]
    insole.link = None
    await insole._notify(insole._offer.battery)
    assert len(link.said) == 2


async def test_it_is_switched_on_and_off():
    """On it advertises what it is (profile, §2); off nothing of it runs any more."""
    insole = AirInsole(
        turned(LEFT), Air(RadioConditions(interval_s=0.0)), cast(Any, OwnTime()), 0.0
    )
    assert insole.connection is None
    await insole.start()
    assert insole.device.powered_on and insole.device.is_advertising
    (report,) = insole._tasks
    serving: Any = asyncio.create_task(asyncio.Event().wait())
    insole._serving = serving
    await asyncio.sleep(0)
    await insole.close()
    assert report.cancelled() and serving.cancelled()
    assert not insole.device.powered_on


async def test_its_announcement_is_that_of_the_pair_s_left_one():
    said = HandSet()._announcement()
    assert (said.foot, said.length_mm, said.battery_percent, said.serial) == (
        *(LEFT, 270, 87),
        0x51A70001,
    )


@pytest.mark.parametrize(("speed", "wait_s"), [(1.0, 1.0), (10.0, 1.0), (40.0, 0.25)])
async def test_how_it_is_is_looked_at_every_second_and_every_ten_of_the_body_s(
    speed, wait_s, monkeypatch
):
    insole = HandSet(speed=speed)
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        raise asyncio.CancelledError

    monkeypatch.setattr(asyncio, "sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await insole._report()
    assert waits == [wait_s]


async def test_without_a_stream_the_status_is_told_only_when_it_changes(monkeypatch):
    """Profile, §3."""
    insole = HandSet(battery_percent=50.0, battery_hours=10_000.0, has_battery=False)
    said: list[tuple[int, str]] = []
    names = {insole._offer.battery: "level", insole._offer.status: "status"}
    second = 0

    async def notify(characteristic: Any) -> None:
        said.append((second, names[characteristic]))

    async def sleep(_: float) -> None:
        nonlocal second
        second += 1
        insole.now_s += 1.0
        if second == 10:
            insole.set_battery(14.0)  # low now; and another level, without a service to tell it
        if second == 30:
            raise asyncio.CancelledError

    monkeypatch.setattr(insole, "_notify", notify)
    monkeypatch.setattr(asyncio, "sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await insole._report()
    assert said == [(10, "status")]
