"""What the virtual air does to packets, by controllers that note what they are given.

Error codes and "not available" values are Bluetooth's own (Core, Vol 1 Part F and Vol 4 Part E,
from memory).
"""

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.turns import turns_until

from plantigrade_gateway.errors import InputError

try:
    from bumble import hci
    from bumble.core import PhysicalTransport

    from plantigrade_gateway.virtual.air import Air, AirController, RadioConditions
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

CONNECTION_TIMEOUT, UNKNOWN_CONNECTION = 0x08, 0x02
NO_RSSI = NO_POWER = 127
NO_SET = 0xFF
LE = PhysicalTransport.LE


@pytest.mark.parametrize(
    "settings", [{}, {"interval_s": 0.0}, {"interval_s": 4.0}, {"retry": 0.89}]
)
def test_conditions_that_can_be(settings):
    made = RadioConditions(**settings)
    assert (made.retry, made.seed) == (settings.get("retry", 0.0), 0)
    assert made.supervision_s == 2.0  # gatt_profile.md §5
    assert made.interval_s == settings.get("interval_s", 0.015)


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"interval_s": -0.001}, "connection interval is -0.001 s, expected 0 to 4"),
        ({"interval_s": 4.1}, "connection interval is 4.1 s, expected 0 to 4"),
        ({"retry": -0.1}, "retry is -0.1, expected 0 to below 0.9"),
        ({"retry": 0.9}, "retry is 0.9, expected 0 to below 0.9"),
        ({"supervision_s": 0.0}, "supervision timeout is 0.0 s, expected over 0"),
    ],
)
def test_conditions_that_cannot_be_are_refused(settings, said):
    with pytest.raises(InputError) as error:
        RadioConditions(**settings)
    assert str(error.value) == f"virtual air: {said}"


def test_half_a_second_of_supervision_can_be():
    assert RadioConditions(supervision_s=0.5).supervision_s == 0.5


class Node(AirController):
    """A controller that notes what the air brings, with the other end's address as `peer`."""

    def __init__(self, air: Air, address: str) -> None:
        super().__init__(address, link=air)
        self._random_address = hci.Address(address)
        self.got: list[bytes] = []
        self.ended: list[tuple[str, int]] = []
        self.adverts: list[object] = []
        self.told: list[Any] = []

    def link_to(self, other: "Node") -> None:
        for one, peer in ((self, other), (other, self)):
            link: Any = SimpleNamespace(
                self_address=one.random_address, peer_address=peer.random_address
            )
            one.le_connections[peer.random_address] = link

    def on_link_acl_data(self, sender: object, transport: object, data: bytes) -> None:
        assert transport is LE
        self.got.append(data)

    def on_le_disconnected(self, link: Any, reason: int) -> None:
        self.ended.append((str(link.peer_address), int(reason)))
        del self.le_connections[link.peer_address]

    def on_ll_advertising_pdu(self, packet: object) -> None:
        self.adverts.append(packet)

    def send_hci_packet(self, packet: Any) -> None:
        self.told.append(packet)


def nodes(**conditions: Any) -> tuple[Air, Node, Node]:
    air = Air(RadioConditions(**{"interval_s": 0.0, **conditions}))
    one, other = Node(air, "C0:00:00:00:00:01"), Node(air, "C0:00:00:00:00:02")
    one.link_to(other)
    return air, one, other


def send(air: Air, one: Node, other: Node, *packets: bytes) -> None:
    for data in packets:
        air.send_acl_data(one, other.random_address, LE, data)


async def some_turns() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


class HandClock:
    """The loop's own timers, at a time that is set."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, now_s: float) -> None:
        self.now_s = now_s
        self.due: list[tuple[float, Any, tuple[Any, ...]]] = []
        loop = asyncio.get_running_loop()
        monkeypatch.setattr(loop, "time", lambda: self.now_s)
        monkeypatch.setattr(
            loop, "call_at", lambda at_s, what, *a: self.due.append((at_s, what, a))
        )
        monkeypatch.setattr(
            loop, "call_later", lambda s, what, *a: self.due.append((self.now_s + s, what, a))
        )

    def run(self) -> None:
        for at_s, what, arguments in sorted(self.due, key=lambda one: one[0]):
            self.now_s = max(self.now_s, at_s)
            what(*arguments)
        self.due.clear()


async def test_packets_of_a_link_come_whole_and_in_order():
    air, one, other = nodes()
    send(air, one, other, b"1", b"2", b"3")
    send(air, other, one, b"4")
    await some_turns()
    assert (other.got, one.got) == ([b"1", b"2", b"3"], [b"4"])
    assert air.retries == 0


async def test_what_has_no_link_or_no_receiver_is_carried_nowhere():
    air, one, other = nodes()
    air.send_acl_data(one, hci.Address("C0:00:00:00:00:09"), LE, b"x")
    del one.le_connections[other.random_address]
    send(air, one, other, b"x")
    await some_turns()
    assert other.got == one.got == []


async def test_packets_leave_at_the_multiples_of_the_interval(monkeypatch):
    air, one, other = nodes(interval_s=0.5)
    clock = HandClock(monkeypatch, 100.2)
    send(air, one, other, b"1")
    clock.now_s = 100.5  # on the multiple: it is the next one's
    send(air, one, other, b"2")
    assert [at_s for at_s, *_ in clock.due] == [100.5, 101.0]
    clock.run()
    assert other.got == [b"1", b"2"]


async def test_a_try_that_fails_waits_for_the_next_interval_and_holds_up_who_comes_after(
    monkeypatch,
):
    air, one, other = nodes(interval_s=0.5, retry=0.5)
    clock = HandClock(monkeypatch, 10.1)
    tries = iter([0.49, 0.2, 0.5, 0.7])  # two fail; then one goes, and the next at once
    monkeypatch.setattr(air._rng, "random", lambda: next(tries))
    send(air, one, other, b"1", b"2")
    # event 21 fails, 22 fails, 23 is at 11.5 s; the second would have gone at 10.5 s
    assert [at_s for at_s, *_ in clock.due] == [11.5, 11.5]
    assert air.retries == 2
    clock.run()
    assert other.got == [b"1", b"2"]


async def test_the_same_seed_fails_the_same_tries():
    drawn = [Air(RadioConditions(seed=seed))._rng.random() for seed in (3, 3, 4)]
    assert drawn[0] == drawn[1] != drawn[2]
    assert Air()._rng.random() == Air(RadioConditions())._rng.random()


@pytest.mark.parametrize("who", ["one", "other"])
async def test_what_is_sent_out_of_range_is_carried_when_it_is_back_in_order(who):
    air, one, other = nodes()
    away = {"one": one, "other": other}[who]
    send(air, one, other, b"1")
    air.leave(away)
    await some_turns()  # the first was on its way
    send(air, one, other, b"2", b"3")
    send(air, other, one, b"4")
    await some_turns()
    assert other.got == one.got == []
    air.come_back(away)
    await turns_until(lambda: len(other.got) == 3)
    assert (other.got, one.got) == ([b"1", b"2", b"3"], [b"4"])


async def test_who_comes_back_brings_nothing_of_others_links():
    air, one, _ = nodes()
    third = Node(air, "C0:00:00:00:00:03")
    fourth = Node(air, "C0:00:00:00:00:04")
    third.link_to(fourth)
    air.leave(third)
    air.leave(one)
    send(air, third, fourth, b"far")
    air.come_back(one)
    scheduled: list[object] = []
    patched: Any = air
    patched._schedule = scheduled.append
    air.come_back(one)
    assert scheduled == []
    air.come_back(fourth)
    assert scheduled == [(third, fourth.random_address)]


async def test_who_stays_away_loses_the_links_and_what_they_hold(monkeypatch):
    """On both sides, as the supervision timeout does."""
    air, one, other = nodes(supervision_s=0.7)
    clock = HandClock(monkeypatch, 5.0)
    air.leave(one)
    air.leave(one)
    assert [at_s for at_s, *_ in clock.due] == [pytest.approx(5.7)]
    send(air, other, one, b"x")
    clock.run()
    assert one.ended == [(str(other.random_address), CONNECTION_TIMEOUT)]
    assert other.ended == [(str(one.random_address), CONNECTION_TIMEOUT)]
    assert air._ways == {}
    air.come_back(one)
    one.link_to(other)
    await some_turns()
    assert one.got == []


async def test_who_is_back_in_time_keeps_the_links(monkeypatch):
    air, one, other = nodes()
    clock = HandClock(monkeypatch, 5.0)
    air.leave(one)
    air.come_back(one)
    clock.run()
    assert one.ended == other.ended == []


async def test_a_cut_ends_the_controller_s_own_links_alone():
    air, one, other = nodes()
    third, fourth = Node(air, "C0:00:00:00:00:03"), Node(air, "C0:00:00:00:00:04")
    third.link_to(fourth)
    one.link_to(third)
    air.cut(one)
    assert sorted(one.ended) == [
        (str(other.random_address), CONNECTION_TIMEOUT),
        (str(third.random_address), CONNECTION_TIMEOUT),
    ]
    assert len(other.ended) == len(third.ended) == 1
    assert fourth.ended == []


async def test_an_advertisement_is_heard_by_all_others_in_range():
    air, one, other = nodes()
    third = Node(air, "C0:00:00:00:00:03")
    air.leave(third)
    pdu: Any = object()
    air.send_advertising_pdu(one, pdu)
    air.send_advertising_pdu(third, pdu)
    await some_turns()
    assert (one.adverts, other.adverts, third.adverts) == ([], [pdu], [])


# ---- the controller


def advert(sender: Node, data: bytes = b"\x02\x01\x06") -> Any:
    from bumble import ll

    return ll.AdvInd(sender.random_address, data)


def reports(node: Node) -> list[Any]:
    return [report for event in node.told for report in event.reports]


async def test_an_advertisement_is_reported_with_its_scan_response_and_strength():
    _, one, other = nodes()
    one.rssi = -71
    one.le_legacy_advertiser.scan_response_data = b"\x03\x09Hi"
    other.le_scan_enable = True
    other.on_advertising_pdu(advert(one))
    first, second = reports(other)
    assert (bytes(first.data), bytes(second.data)) == (b"\x02\x01\x06", b"\x03\x09Hi")
    for report in (first, second):
        assert report.address == one.random_address
        assert report.rssi == -71
        assert (report.tx_power, report.advertising_sid) == (NO_POWER, NO_SET)
        assert report.periodic_advertising_interval == report.secondary_phy == 0
    # legacy PDU, connectable, scannable; and the answer to a scan request too (bits 4, 0, 1, 3)
    assert (int(first.event_type), int(second.event_type)) == (0x13, 0x1B)
    assert other.le_scan_enable is True


async def test_who_does_not_scan_is_told_nothing():
    _, one, other = nodes()
    other.le_scan_enable = False
    other.on_advertising_pdu(advert(one))
    assert other.told == [] and other.le_scan_enable is False


async def test_of_a_sender_that_is_not_ours_the_strength_is_unknown_and_no_answer_comes():
    air, one, other = nodes()
    other.le_scan_enable = True
    pdu = advert(one)
    air.controllers.discard(one)
    other.on_advertising_pdu(pdu)
    first, second = reports(other)
    assert (first.rssi, bytes(second.data)) == (NO_RSSI, b"")


async def test_the_scan_response_is_that_of_the_advertised_address():
    _, one, other = nodes()
    mine: Any = SimpleNamespace(address=one.random_address, scan_response_data=b"mine")
    its: Any = SimpleNamespace(address=hci.Address("C0:00:00:00:00:77"), scan_response_data=b"its")
    one.advertising_sets = {0: its, 1: mine}
    other.le_scan_enable = True
    other.on_advertising_pdu(advert(one))
    assert bytes(reports(other)[1].data) == b"mine"


async def test_a_connection_attempt_that_is_cancelled_ends_with_an_event():
    _, one, _ = nodes()
    command: Any = object()
    done = one.on_hci_le_create_connection_cancel_command(command)
    assert done.status == hci.HCI_ErrorCode.SUCCESS and one.told == []
    peer = hci.Address("C0:00:00:00:00:05")
    one.pending_le_connection = SimpleNamespace(peer_address=peer)  # type: ignore[assignment]
    one.on_hci_le_create_connection_cancel_command(command)
    (event,) = one.told
    assert isinstance(event, hci.HCI_LE_Connection_Complete_Event)
    assert (event.status, event.peer_address) == (UNKNOWN_CONNECTION, peer)
    assert (event.connection_handle, event.connection_interval) == (0, 0)
    assert (event.peripheral_latency, event.supervision_timeout) == (0, 0)
    assert event.central_clock_accuracy == 0
    assert one.pending_le_connection is None


async def test_a_reset_lets_go_of_everything():
    _, one, other = nodes()
    one.le_scan_enable = True
    one.pending_le_connection = object()  # type: ignore[assignment]
    command: Any = object()
    assert one.on_hci_reset_command(command).status == hci.HCI_ErrorCode.SUCCESS
    assert (one.le_scan_enable, one.pending_le_connection) == (False, None)
    assert len(one.ended) == len(other.ended) == 1


def test_packets_of_a_whole_data_length_are_taken():
    """251 bytes (gatt_profile.md §5)."""
    assert AirController.le_acl_data_packet_length == 251
    assert -90 < AirController.rssi < -30
