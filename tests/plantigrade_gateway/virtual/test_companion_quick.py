"""What the companion's process is told, and how what it says goes on the air; it is a fake here.

Frames are those of `hardware_notes/firmware/host/README.md`: a letter, two bytes of length,
a value.
"""

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.turns import limits_over_at_once, turns_until

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement, Status

try:
    from bumble.att import ATT_Error
    from bumble.core import InvalidStateError

    from plantigrade_gateway.virtual import companion as companion_module
    from plantigrade_gateway.virtual.air import Air, RadioConditions
    from plantigrade_gateway.virtual.companion import SERIAL, Companion, usual_companion
    from plantigrade_gateway.virtual.player import INFORMATION, DeviceSettings, GaitSource
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

STEPS = GaitSource(
    {
        Foot.LEFT: np.arange(36, dtype=np.uint16).reshape(2, 18),
        Foot.RIGHT: np.zeros((2, 18), np.uint16),
    }
)
SETTINGS = DeviceSettings(Foot.LEFT, SERIAL, drift_ppm=20.0, clock_us=5_000_000, speed=2.0)
UNLIKELY = 0x0E  # ATT's "unlikely error" (Bluetooth Core, Vol 3 Part F, from memory)


def framed(what: str, value: bytes = b"") -> bytes:
    return what.encode() + len(value).to_bytes(2, "little") + value


class FakeProcess:
    """A process by its pipes: how it was begun, what it is told, what it is made to say."""

    def __init__(self, arguments: tuple[Any, ...], says: bytes) -> None:
        self.arguments = arguments
        self.stdin = SimpleNamespace(write=self._write)
        self.stdout = asyncio.StreamReader()
        self.stdout.feed_data(says)
        self.told: list[tuple[str, bytes]] = []
        self.killed = False
        self.gone = False

    def _write(self, data: bytes) -> None:
        length = int.from_bytes(data[1:3], "little")
        assert len(data) == 3 + length
        self.told.append((data[:1].decode(), data[3:]))

    def say(self, what: str, value: bytes = b"") -> None:
        self.stdout.feed_data(framed(what, value))

    def kill(self) -> None:
        if self.gone:
            raise ProcessLookupError
        self.killed = True
        self.stdout.feed_eof()

    async def wait(self) -> None:
        pass


class Beginning:
    """Stands for `asyncio.create_subprocess_exec`."""

    def __init__(self) -> None:
        self.says = framed("o", INFORMATION.encode())
        self.ends = False
        self.made: list[FakeProcess] = []

    async def __call__(self, *arguments: Any, **_: Any) -> FakeProcess:
        process = FakeProcess(arguments, self.says)
        if self.ends:
            process.stdout.feed_eof()
        self.made.append(process)
        return process


@pytest.fixture
def begun(monkeypatch) -> Beginning:
    made = Beginning()
    monkeypatch.setattr(asyncio, "create_subprocess_exec", made)
    return made


class Link:
    """A connection of the insole's, and the device that tells its host."""

    att_mtu = 185

    def __init__(self) -> None:
        self.said: list[tuple[Any, ...]] = []
        self.parameters = SimpleNamespace(connection_interval=15.0)
        self.heard: dict[str, Any] = {}
        self.fails: BaseException | None = None

    def on(self, event: str, what: Any) -> None:
        self.heard[event] = what

    async def drain(self) -> None:
        self.said.append(("drain",))

    async def disconnect(self) -> None:
        self.said.append(("disconnect",))
        if self.fails:
            raise self.fails

    async def update_parameters(self, *values: Any, **how: Any) -> None:
        self.said.append(("update", *values, how))
        if self.fails:
            raise self.fails

    async def notify_subscriber(self, to: Any, one: Any, value: bytes) -> None:
        self.said.append(("notify", str(one.uuid), value))

    async def indicate_subscriber(self, to: Any, one: Any, value: bytes) -> None:
        self.said.append(("indicate", str(one.uuid), value))
        if self.fails:
            raise self.fails


def switched_off(began_s: float = 0.0) -> Companion:
    conditions = RadioConditions(interval_s=0.0)
    return Companion(SETTINGS, Air(conditions), STEPS, began_s, Path("companion"))


async def started(began_s: float = 0.0) -> Companion:
    made = switched_off(began_s)
    await made.start()
    return made


async def linked(companion: Companion) -> Link:
    """A host connected: seen by the companion as the device would have it."""
    link = Link()
    told = companion.device
    companion.device = SimpleNamespace(  # type: ignore[assignment]
        connections={1: link},
        notify_subscriber=link.notify_subscriber,
        indicate_subscriber=link.indicate_subscriber,
        power_off=told.power_off,
        is_advertising=False,
    )
    companion._connected(link)  # type: ignore[arg-type]
    return link


async def test_its_process_is_told_foot_serial_clock_rate_body_and_files(begun, monkeypatch):
    loop = asyncio.get_running_loop()
    now_s = loop.time()
    monkeypatch.setattr(loop, "time", lambda: now_s)
    companion = await started(began_s=now_s - 3.0)
    program, *words = begun.made[0].arguments
    assert str(program) == "companion"
    # the left foot; its own µs and the body's in a second, twice as fast; and 6 s of body so far
    assert words[:6] == ["0", str(SERIAL), "5000000", "2000040", "2000000", "6000000"]
    counts, kept, fault, chip = words[6:]
    read = np.frombuffer(Path(counts).read_bytes(), "<u2")
    assert read.tolist() == list(range(36))
    assert fault == "0" and len({Path(name).parent for name in (counts, kept, chip)}) == 1
    await companion.close()
    assert not Path(counts).parent.exists()


async def test_it_begins_with_its_cell_and_says_what_it_is(begun):
    companion = await started()
    # gatt_profile.md §2: the battery's percent; millivolts little endian; not on a charger
    assert begun.made[0].told == [("B", bytes([87, 0x3C, 0x0F, 0]))]  # 3900 mV = 0x0F3C
    assert companion.device.powered_on
    assert str(companion.device.random_address).startswith("C0:00:51:A7:00:03")
    status = await companion._offer.status.read_value(None)  # type: ignore[arg-type]
    assert gatt.read_status(status) == Status(False, False, False, None, 0, 0, 0)
    await companion.close()
    assert begun.made[0].killed and not companion.device.powered_on
    assert not companion._tasks


@pytest.mark.parametrize("says", [b"", framed("x"), b"o\x0e"])
async def test_a_process_that_does_not_begin_is_ended_and_said(begun, says):
    begun.says, begun.ends = says, True
    companion = switched_off()
    with pytest.raises(BluetoothError, match=r"^companion: its process does not begin"):
        await companion.start()
    assert begun.made[0].killed
    await companion.close()


async def test_what_happens_to_its_board_is_told(begun):
    companion = await started()
    process = begun.made[0]
    process.told.clear()
    companion.set_cell(9, 3300, on_charger=True)
    companion.weaken()
    companion.ship()
    assert process.told == [("B", bytes([9, 0xE4, 0x0C, 1])), ("F", b""), ("X", b"")]
    await companion.close()
    companion.weaken()  # nothing listens
    assert len(process.told) == 3


async def test_a_reset_kills_its_process_and_begins_another_with_its_clock_at_0(begun, monkeypatch):
    companion = await started()
    away: list[float] = []
    monkeypatch.setattr(companion, "vanish", away.append)
    companion.set_cell(33)
    await companion.restart()
    first, second = begun.made
    assert first.killed and not second.killed
    assert second.arguments[3] == "0" and second.told == [("B", bytes([33, 0x3C, 0x0F, 0]))]
    assert away == [pytest.approx(1.1 * 2.0)]  # until the link is surely lost
    second.say("s", Status(True, False, False, 50, 7, 0, 3).encode())
    await turns_until(lambda: companion._status.resets == 7)
    second.gone = True
    await companion.close()


async def test_out_of_range_it_leaves_the_air_and_comes_back(begun):
    companion = await started()
    companion.vanish(0.0)
    assert companion._controller in companion._air._far
    await turns_until(lambda: companion._controller not in companion._air._far)
    await companion.close()


async def test_its_status_is_what_it_last_said_that_can_be_read(begun):
    companion = await started()
    said = Status(True, False, True, 12, 3, 4, 5)
    begun.made[0].say("s", said.encode())
    begun.made[0].say("s", b"odd")
    begun.made[0].say("x")
    begun.made[0].say("l", b"\x05")
    await turns_until(lambda: len(companion.said) == 2)
    assert companion.said == [("x", b""), ("l", b"\x05")]
    read = await companion._offer.status.read_value(None)  # type: ignore[arg-type]
    assert gatt.read_status(read) == said
    await companion.close()


async def test_it_advertises_what_it_says_at_its_interval_and_is_quiet_when_it_says_so(
    begun, monkeypatch
):
    companion = await started()
    advertised: list[tuple[Announcement, float, bool]] = []

    async def advertise(
        device: Any, said: Announcement, interval_ms: float, *, again: bool
    ) -> None:
        advertised.append((said, interval_ms, again))

    monkeypatch.setattr(companion_module, "advertise", advertise)
    stops: list[bool] = []

    async def stop() -> None:
        stops.append(True)

    companion.device = SimpleNamespace(  # type: ignore[assignment]
        connections={}, is_advertising=False, stop_advertising=stop, power_off=stop
    )
    said = Announcement(Foot.LEFT, 270, 64, SERIAL)
    begun.made[0].say("a", (668).to_bytes(2, "little") + said.encode())
    await turns_until(lambda: advertised)
    # 668 · 0.625 ms, as gatt_profile.md §2 has it; not again by itself: the companion decides
    assert advertised == [(said, 417.5, False)] and stops == []
    companion.device.is_advertising = True  # type: ignore[misc]
    begun.made[0].say("a", (160).to_bytes(2, "little") + said.encode())
    await turns_until(lambda: len(advertised) == 2)
    assert advertised[1][1] == 100.0 and stops == [True]
    begun.made[0].say("q")
    await turns_until(lambda: len(stops) == 2)
    companion.device.connections[1] = Link()  # type: ignore[assignment]
    begun.made[0].say("a", (160).to_bytes(2, "little") + said.encode())
    begun.made[0].say("x")
    await turns_until(lambda: companion.said)
    assert len(advertised) == 2  # one central at a time
    companion.device.connections.clear()
    await companion.close()


async def test_a_link_s_beginning_changes_and_end_are_told(begun):
    companion = await started()
    process = begun.made[0]
    process.told.clear()
    link = await linked(companion)
    # 15 ms are 12 units of 1.25 ms
    assert process.told == [("C", b"\x0c\x00")]
    link.heard["connection_att_mtu_update"]()
    link.parameters.connection_interval = 45.0
    link.heard["connection_parameters_update"]()
    assert process.told[1:] == [("M", b"\xb9\x00"), ("V", b"\x24\x00")]
    (running,) = companion._linked
    link.heard["disconnection"](8)
    assert process.told[3:] == [("D", b"")]
    await turns_until(running.cancelled)
    await companion.close()


async def test_subscriptions_are_told_by_their_number(begun):
    companion = await started()
    process = begun.made[0]
    process.told.clear()
    offer = companion._offer
    five: tuple[Any, ...] = (offer.data, offer.point, offer.status, offer.battery, offer.log)
    for number, one in enumerate(five):
        one.emit("subscription", None, number != 1, number == 1)
        one.emit("subscription", None, False, False)
    assert process.told == [("S", bytes([k // 2, k % 2 == 0])) for k in range(10)]
    await companion.close()


async def test_notifications_go_on_the_air_in_order_and_each_is_said_to_be_on_its_way(begun):
    companion = await started()
    process = begun.made[0]
    process.say("n", b"\x00lost: of no link")
    await turns_until(lambda: not companion._told.empty())
    link = await linked(companion)
    process.told.clear()
    process.say("n", b"\x00packet")
    process.say("n", b"\x03\x0b")
    process.say("n", b"\x04page")
    await turns_until(lambda: len(process.told) == 3)
    told = [one for one in link.said if one[0] != "drain"]
    uuids = [str(one.uuid) for one in (companion._offer.data, companion._offer.battery)]
    assert [one[1] for one in told[:2]] == uuids
    assert [one[2] for one in told] == [b"packet", 11, b"page"]
    assert [one[0] for one in link.said[:4]] == ["notify", "drain", "notify", "drain"]
    assert process.told == [("N", b"")] * 3
    assert companion.sent == [b"packet"]
    await companion.close()


@pytest.mark.parametrize("fails", [None, TimeoutError()])
async def test_an_indication_is_confirmed_or_given_up(begun, fails):
    companion = await started()
    link = await linked(companion)
    link.fails = fails
    process = begun.made[0]
    process.told.clear()
    process.say("i", b"answer")
    await turns_until(lambda: process.told == [("I", b"")])
    assert link.said == [("indicate", str(companion._offer.point.uuid), b"answer")]
    await companion.close()


@pytest.mark.parametrize("fails", [None, InvalidStateError("no")])
async def test_an_interval_is_asked_for_in_ms_and_a_refusal_is_told(begun, fails):
    """By an L2CAP connection parameter update request (gatt_profile.md §5)."""
    companion = await started()
    link = await linked(companion)
    link.fails = fails
    process = begun.made[0]
    process.told.clear()
    asked = b"".join(number.to_bytes(2, "little") for number in (12, 24, 3, 200))
    process.say("v", asked)
    await turns_until(lambda: link.said)
    assert link.said == [("update", 15.0, 30.0, 3, 2000.0, {"use_l2cap": True})]
    assert companion.said == [("v", asked)]
    process.say("x")
    await turns_until(lambda: len(companion.said) == 2)
    assert process.told == ([("R", b"")] if fails else [])
    await companion.close()


@pytest.mark.parametrize("fails", [None, InvalidStateError("no")])
async def test_it_hangs_up_when_it_says_so(begun, fails):
    companion = await started()
    link = await linked(companion)
    link.fails = fails
    begun.made[0].say("h")
    await turns_until(lambda: link.said == [("disconnect",)])
    await companion.close()


async def test_without_a_link_nothing_is_indicated_asked_or_hung_up(begun):
    companion = await started()
    for what in "ih":
        begun.made[0].say(what, b"")
    begun.made[0].say("v", bytes(8))
    begun.made[0].say("x")
    await turns_until(lambda: ("x", b"") in companion.said)
    assert companion.said == [("i", b""), ("h", b""), ("v", bytes(8)), ("x", b"")]
    assert not companion._linked
    await companion.close()


async def test_writes_and_reads_wait_for_its_answer_one_at_a_time(begun):
    companion = await started()
    process = begun.made[0]
    process.told.clear()
    nobody: Any = None
    first = asyncio.create_task(companion._asked(nobody, b"one"))
    second = asyncio.create_task(companion._asked_log(nobody, b"two"))
    third = asyncio.create_task(companion._log_state())
    await turns_until(lambda: process.told)
    for _ in range(10):
        await asyncio.sleep(0)
    assert process.told == [("W", b"one")]
    process.say("w", b"\x00")
    await first
    await turns_until(lambda: len(process.told) == 2)
    process.say("w", b"\xfd")
    with pytest.raises(ATT_Error) as error:
        await second
    assert error.value.error_code == 0xFD
    await turns_until(lambda: len(process.told) == 3)
    process.say("g", b"state")
    assert await third == b"state"
    assert process.told[1:] == [("L", b"two"), ("G", b"")]
    await companion.close()


async def test_a_process_that_does_not_answer_is_an_error_of_the_link(begun, monkeypatch):
    companion = await started()
    set_s = limits_over_at_once(monkeypatch)
    with pytest.raises(ATT_Error) as error:
        await companion._log_state()
    assert error.value.error_code == UNLIKELY
    assert set_s == [2.0]  # the host waits 2 s for an answer (gatt_profile.md §1)
    await companion.close()


async def test_the_usual_one_is_a_left_insole_of_the_speed_that_is_asked(monkeypatch):
    monkeypatch.setattr(companion_module, "companion_program", lambda: Path("built"))
    made = await usual_companion(Air(RadioConditions()), STEPS, 1.0, 3.0)
    assert (made.settings.foot, made.settings.serial) == (Foot.LEFT, 0x51A70003)
    assert made.settings.speed == 3.0
    assert abs(made.settings.drift_ppm) <= 50.0  # gatt_profile.md §5, clock
    await made.close()
