"""A link to an insole over a connection that is the test's own: asked, answered, refused."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.turns import turns_until

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources import link as insolelink
from plantigrade_gateway.sources.bluetooth import Connection, Sighting
from plantigrade_gateway.sources.link import ForeignLink, InsoleLink, open_insole
from plantigrade_gateway.sources.trouble import StaleServices
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import decode, encode, encode_data
from plantigrade_gateway.wire.gatt import Announcement, Status
from plantigrade_gateway.wire.messages import (
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Identify,
    Identity,
    Rate,
    SampleFormat,
    Start,
    Stop,
    Time,
)

SAID = Announcement(Foot.LEFT, 270, 81, 0x51A70001)
device: Any = None
HEARD = Sighting(SAID, "00:11", "Insole L", -60, device)
IDENTITY = Identity(
    0, Foot.LEFT, SampleFormat.PACKED12, 18, 2, 10_000, 80, False, 0x0102, 0x51A70001
)


class Air:
    """A connection and the insole at its end."""

    label = "left insole 51A70001"

    def __init__(self) -> None:
        self.gone = asyncio.Event()
        self.carries = 244
        self.values: dict[str, bytes] = {gatt.STATUS: b"", gatt.BATTERY_LEVEL: b"\x50"}
        self.heard: dict[str, Callable[[bytearray], None]] = {}
        self.asked: list[Any] = []
        self.written: list[tuple[str, bytes]] = []
        self.identity: Any = IDENTITY
        self.refuses: dict[type, Any] = {}
        self.silent = False
        self.done: list[str] = []

    @property
    def is_up(self) -> bool:
        return not self.gone.is_set()

    def has(self, uuid: str) -> bool:
        return uuid in self.values

    def value_bytes(self, uuid: str) -> int:
        assert uuid == gatt.CONTROL
        return self.carries

    async def value_bytes_agreed(self, uuid: str, wanted: int) -> int:
        self.wanted = wanted
        return self.carries

    async def subscribe(self, uuid: str, on_data: Callable[[bytearray], None]) -> None:
        self.heard[uuid] = on_data

    async def read(self, uuid: str) -> bytes:
        return self.values[uuid]

    async def write(self, uuid: str, data: bytes) -> None:
        self.written.append((uuid, data))
        if uuid != gatt.CONTROL:
            return
        asked: Any = decode(data)
        self.asked.append(asked)
        if self.silent:
            return
        answer: Any = Ack(asked.token, 1, self.refuses.get(type(asked), AckStatus.DONE))
        if isinstance(asked, Identify) and self.identity is not None:
            answer = replace(self.identity, token=asked.token)
        if isinstance(asked, Time) and Time not in self.refuses:
            answer = Clock(asked.token, 77)
        self.tell(answer)

    def tell(self, message: Any) -> None:
        self.heard[gatt.CONTROL](bytearray(encode(message)))

    async def forget_services(self) -> None:
        self.done.append("forgets")

    async def close(self) -> None:
        self.done.append("closed")


@pytest.fixture
async def air() -> Air:
    return Air()


def times(*ns: int) -> Callable[[], int]:
    left = list(ns)
    return lambda: left.pop(0)


async def opened(air: Any, now_ns: Callable[[], int] = lambda: 5) -> InsoleLink:
    link = InsoleLink(air, HEARD, now_ns)
    await link.listen()
    return link


def kinds(air: Air) -> list[type]:
    return [type(one) for one in air.asked]


async def test_it_says_who_it_is_and_what_the_link_carries(air):
    link = await opened(air)
    assert link.who == (0x51A70001, Foot.LEFT) and link.firmware == 0x0102
    assert link.about() == {
        "serial": "51A70001",
        "foot": "left",
        "firmware": "1.2",
        "length_mm": 270,
        "zones": 18,
        "battery_percent": 80,
        "value_bytes": 244,
    }
    assert air.asked == [Identify(1, 0)] and link.log is None and link.information is None
    assert await link.stored_curve() is None
    link.check()


async def test_who_does_not_say_who_it_is_is_refused(air):
    air.identity = None
    with pytest.raises(BluetoothError, match=r"^left insole 51A70001: does not say who it is$"):
        await opened(air)


async def test_other_zones_than_the_built_in_eighteen_must_be_told_where_they_lie(air):
    air.identity = replace(IDENTITY, zones=16)
    with pytest.raises(BluetoothError) as raised:
        await opened(air)
    assert str(raised.value) == (
        "left insole 51A70001: cannot be used: it sends 16 zones and does not say where they lie; "
        "without that only the built-in eighteen can be taken"
    )
    air.values[gatt.INFORMATION] = b"x"
    with pytest.raises(BluetoothError, match=r"^left insole 51A70001: cannot be used: "):
        await opened(air)


@pytest.mark.parametrize(
    ("carries", "wanted", "frames"),
    [
        (244, 2, 2),
        (244, 200, 8),  # (244 - 16) // 27: eighteen zones of 12 bits are 27 bytes
        (69, 2, 1),
        (70, 2, 2),  # 16 + 2 * 27
        (43, 5, 1),
    ],
)
async def test_as_many_frames_are_asked_for_as_fit_the_link(air, carries, wanted, frames):
    air.carries = carries
    link = await opened(air)
    air.asked.clear()
    got: list[bytes] = []
    await link.start(got.append, 20_000, wanted)
    assert kinds(air) == [Rate, Frames, Start] and air.wanted == 43
    assert (air.asked[0].period_us, air.asked[1].frames) == (20_000, frames)
    assert link.packet_s == pytest.approx(0.02 * frames)
    air.heard[gatt.DATA](bytearray(b"abc"))
    assert got == [b"abc"] and type(got[0]) is bytes


async def test_without_a_wish_the_rate_stays_the_insoles_own(air):
    link = await opened(air)
    air.asked.clear()
    await link.start(lambda data: None, None, 2)
    assert kinds(air) == [Frames, Start]
    assert link.packet_s == pytest.approx(0.02)  # two of 10 ms


async def test_a_link_on_which_no_frame_fits_is_refused(air):
    air.carries = 42
    link = await opened(air)
    with pytest.raises(BluetoothError) as raised:
        await link.start(lambda data: None, None, 2)
    assert str(raised.value).startswith(
        "left insole 51A70001: the link carries only 42 bytes at a time, expected at least 43; "
    )


@pytest.mark.parametrize(
    ("status", "said"),
    [
        (AckStatus.NOT_NOW, "refuses start (not now)"),
        (AckStatus.VALUE_NOT_POSSIBLE, "refuses start (value not possible)"),
    ],
)
async def test_a_refusal_is_said_by_its_name(air, status, said):
    link = await opened(air)
    air.refuses[Start] = status
    with pytest.raises(BluetoothError, match=rf"^left insole 51A70001: {said[:13]}") as raised:
        await link.stream()
    assert str(raised.value) == f"left insole 51A70001: {said}"


async def test_one_on_its_charger_says_so(air):
    link = await opened(air)
    air.refuses[Start] = AckStatus.NOT_NOW
    for charging in (False, True):
        air.heard[gatt.STATUS](bytearray(Status(False, charging, False, 40, 0, 0, 9).encode()))
        with pytest.raises(BluetoothError) as raised:
            await link.stream()
        assert ("is on its charger and does not stream" in str(raised.value)) is charging
    assert link.battery_percent == 40 and link.status is not None and link.status.uptime_s == 9


async def test_times_are_exchanged_by_the_clock_of_the_host(air):
    link = await opened(air, times(1, 2, 100, 250))
    assert await link.clock() == (100, 250, 77)
    air.refuses[Time] = AckStatus.UNKNOWN_REQUEST
    link._now_ns = lambda: 0
    assert await link.clock() is None


async def test_an_answer_to_something_else_is_no_answer_and_a_stray(air):
    link = await opened(air)
    strays = link.strays
    air.silent = True
    asking = asyncio.create_task(link.clock())
    await turns_until(lambda: isinstance(air.asked[-1], Time))
    token = air.asked[-1].token
    air.tell(Clock(token + 1, 5))
    air.heard[gatt.CONTROL](bytearray(b"\xff"))
    assert link.strays == strays + 2 and not asking.done()
    air.tell(Clock(token, 6))
    air.tell(Clock(token, 7))  # again
    answer = await asking
    assert answer is not None and answer[2] == 6
    assert link.strays == strays + 3


async def test_tokens_go_round_after_a_byte(air):
    link = await opened(air)
    for _ in range(256):
        await link.clock()
    assert [one.token for one in air.asked] == [*range(1, 256), 0, 1]


async def test_silence_is_no_answer_and_a_lost_link_is_said(air, monkeypatch):
    link = await opened(air)
    air.silent = True
    assert insolelink.ANSWER_LIMIT_S == 2.0  # gatt_profile.md §1
    monkeypatch.setattr(insolelink, "ANSWER_LIMIT_S", 0.01)
    with pytest.raises(BluetoothError, match=r"^left insole 51A70001: no answer$"):
        await link.clock()
    monkeypatch.setattr(insolelink, "ANSWER_LIMIT_S", 10.0)
    air.gone.set()
    with pytest.raises(BluetoothError, match=r"^left insole 51A70001: the link was lost$"):
        await link.clock()


@pytest.mark.parametrize(
    ("told", "percent"),
    [(b"\x00", 0), (b"\x64", 100), (b"\x65", 80), (b"", 80), (b"\x05\x00", 80)],
)
async def test_a_battery_has_up_to_a_hundred_percent(air, told, percent):
    link = await opened(air)
    before = link.strays
    air.heard[gatt.BATTERY_LEVEL](bytearray(told))
    assert link.battery_percent == percent and link.strays == before + 1


async def test_without_a_battery_service_its_announcement_counts(air):
    del air.values[gatt.BATTERY_LEVEL]
    link = await opened(air)
    assert link.battery_percent == 81 and gatt.BATTERY_LEVEL not in air.heard
    air.heard[gatt.STATUS](bytearray(Status(False, False, False, None, 0, 0, 9).encode()))
    assert link.battery_percent == 81


async def test_it_is_stopped_before_the_link_ends_where_that_holds(air):
    link = await opened(air)
    air.refuses[Stop] = AckStatus.NOT_NOW
    await link.close()
    assert isinstance(air.asked[-1], Stop) and air.done == ["closed"]
    air.gone.set()
    asked = len(air.asked)
    await link.close()
    assert len(air.asked) == asked and air.done == ["closed", "closed"]


@pytest.mark.parametrize(
    ("error", "bonded", "done"),
    [
        (StaleServices("stale"), False, ["forgets", "closed"]),
        (StaleServices("stale"), True, ["closed"]),
        (BluetoothError("no"), False, ["closed"]),
        (asyncio.CancelledError(), False, ["closed"]),
    ],
)
async def test_a_link_that_cannot_be_used_is_ended(air, monkeypatch, error, bonded, done):
    async def connect(*_: Any) -> Any:
        return air

    async def listen(self: InsoleLink) -> None:
        raise error

    monkeypatch.setattr(Connection, "open", connect)
    monkeypatch.setattr(InsoleLink, "listen", listen)
    radio: Any = None
    with pytest.raises(type(error)):
        await open_insole(HEARD, radio, lambda: None, bonded=bonded)
    assert air.done == done


def packet(counter: int) -> DataPacket:
    counts = np.zeros((1, 18), dtype=np.uint16)
    return DataPacket(
        Foot.LEFT, SampleFormat.PACKED12, False, False, False, counter, 0, 10_000, counts
    )


async def test_other_firmware_is_written_to_and_read_as_its_plug_in_says(air):
    def decoder(said: Announcement) -> Any:
        assert said is SAID

        def read(data: bytes) -> list[DataPacket]:
            if data == b"bad":
                raise ValueError("seven")
            return [packet(k) for k in data]

        return read

    firmware: Any = SimpleNamespace(
        name="theirs",
        data="d",
        begin=lambda: [("a", b"1"), ("b", b"2")],
        end=lambda: [("c", b"3")],
        decoder=decoder,
    )
    link = ForeignLink(air, HEARD, firmware)
    assert link.who == (0x51A70001, Foot.LEFT)
    assert link.about() == {
        "serial": "51A70001",
        "foot": "left",
        "firmware": "theirs",
        "length_mm": 270,
        "battery_percent": 81,
    }
    got: list[bytes] = []
    await link.start(got.append, None, 2)
    assert air.written == [("a", b"1"), ("b", b"2")]
    air.heard["d"](bytearray([1, 2]))
    assert got == [encode_data(packet(1)), encode_data(packet(2))]
    link.check()
    air.heard["d"](bytearray(b"bad"))
    air.heard["d"](bytearray([3]))  # after a fault nothing more is taken
    assert len(got) == 2
    with pytest.raises(BluetoothError) as raised:
        link.check()
    assert str(raised.value) == (
        "left insole 51A70001: the plug-in theirs failed: ValueError('seven')"
    )
    await link.close()
    assert air.written[2:] == [("c", b"3")] and air.done == ["closed"]
    air.gone.set()
    await link.close()
    assert len(air.written) == 3
