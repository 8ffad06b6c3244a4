"""Virtual air: what carries link-layer packets between virtual Bluetooth controllers.

Everything above it, from HCI to GATT, is a real Bluetooth stack (bumble, the optional extra
``virtual``). The air adds what the library's own link lacks: connection events, tries that fail,
range, and the supervision timeout. A link loses nothing while it holds: a try that failed is
repeated, in order. Lost data packets are the insole's doing (`peripheral.py`).
"""

import asyncio
import contextlib
import random
import socket
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from functools import partial

from bumble import hci, ll
from bumble.controller import Controller
from bumble.core import PhysicalTransport
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink, PacketParser

from plantigrade_gateway.errors import InputError

_Report = hci.HCI_LE_Extended_Advertising_Report_Event.Report
_EventType = hci.HCI_LE_Extended_Advertising_Report_Event.EventType
_ADVERTISING = (
    _EventType.CONNECTABLE_ADVERTISING
    | _EventType.SCANNABLE_ADVERTISING
    | _EventType.LEGACY_ADVERTISING_PDU_USED
)
_NO_POWER = 127  # "not available" (Core specification, LE Extended Advertising Report; from memory)
_NO_SET = 0xFF


@dataclass(frozen=True, slots=True)
class RadioConditions:
    """What the air does to packets; sizes are simulation settings, ours.

    Attributes
    ----------
    interval_s : float
        Connection interval, s; packets leave at its multiples. 0: at once.
    retry : float
        Probability that a try fails and waits for the next connection event.
    supervision_s : float
        A link that hears nothing for so long is lost, s.
    seed : int
    """

    interval_s: float = 0.015
    retry: float = 0.0
    supervision_s: float = 2.0
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0.0 <= self.interval_s <= 4.0:
            raise InputError(
                f"virtual air: connection interval is {self.interval_s} s, expected 0 to 4"
            )
        if not 0.0 <= self.retry < 0.9:
            raise InputError(f"virtual air: retry is {self.retry}, expected 0 to below 0.9")
        if self.supervision_s <= 0.0:
            raise InputError(
                f"virtual air: supervision timeout is {self.supervision_s} s, expected over 0"
            )


class AirController(Controller):
    """A virtual controller that answers as real ones do.

    Attributes
    ----------
    rssi : int
        At which others receive it, dBm.
    """

    le_acl_data_packet_length = 251  # data length extension; the library's 27 cuts every packet up
    rssi = -60

    def on_hci_le_create_connection_cancel_command(
        self, _command: hci.HCI_LE_Create_Connection_Cancel_Command
    ) -> hci.HCI_StatusReturnParameters:
        """End a connection attempt; the library's own controller leaves it pending for ever."""
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is not None:
            self.send_hci_packet(
                hci.HCI_LE_Connection_Complete_Event(
                    status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                    connection_handle=0,
                    role=hci.Role.CENTRAL,
                    peer_address_type=pending.peer_address.address_type,
                    peer_address=pending.peer_address,
                    connection_interval=0,
                    peripheral_latency=0,
                    supervision_timeout=0,
                    central_clock_accuracy=0,
                )
            )
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def release(self) -> None:
        """Stop scanning and connecting, and end all links."""
        self.le_scan_enable = False
        self.pending_le_connection = None
        if isinstance(self.link, Air):
            self.link.cut(self)

    def on_hci_reset_command(
        self, _command: hci.HCI_Reset_Command
    ) -> hci.HCI_StatusReturnParameters:
        """Let go of everything, as a chip does when a new host takes it over."""
        self.release()
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_advertising_pdu(self, pdu: ll.AdvInd | ll.AdvExtInd) -> None:
        """Report an advertisement and its scan response, with the sender's signal strength."""
        scanning, self.le_scan_enable = self.le_scan_enable, False
        try:
            super().on_advertising_pdu(pdu)  # a pending connection; its reports are incomplete
        finally:
            self.le_scan_enable = scanning
        if not scanning or not isinstance(self.link, Air):
            return
        sender = self.link.find_le_controller(pdu.advertiser_address)
        response = b"" if sender is None else _scan_response(sender, pdu.advertiser_address)
        rssi = sender.rssi if isinstance(sender, AirController) else _NO_POWER
        for event_type, data in (
            (_ADVERTISING, bytes(pdu.data)),
            (_ADVERTISING | _EventType.SCAN_RESPONSE, response),
        ):
            report = _Report(
                event_type=event_type,
                address_type=pdu.advertiser_address.address_type,
                address=pdu.advertiser_address,
                primary_phy=hci.Phy.LE_1M,
                secondary_phy=0,
                advertising_sid=_NO_SET,
                tx_power=_NO_POWER,
                rssi=rssi,
                periodic_advertising_interval=0,
                direct_address_type=0,
                direct_address=hci.Address.ANY,
                data=data,
            )
            self.send_hci_packet(hci.HCI_LE_Extended_Advertising_Report_Event([report]))


def _scan_response(sender: Controller, address: hci.Address) -> bytes:
    for advertising_set in sender.advertising_sets.values():
        if advertising_set.address == address:
            return bytes(advertising_set.scan_response_data)
    return bytes(sender.le_legacy_advertiser.scan_response_data)


_Way = tuple[Controller, hci.Address]


class Air(LocalLink):
    """The air between virtual controllers.

    Parameters
    ----------
    weather : RadioConditions

    Attributes
    ----------
    retries : int
        Tries that failed so far.
    """

    def __init__(self, conditions: RadioConditions | None = None) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.conditions = conditions or RadioConditions()
        self.retries = 0
        self._rng = random.Random(self.conditions.seed)
        self._far: set[Controller] = set()
        self._ways: dict[_Way, deque[Callable[[], None]]] = {}
        self._last_s: dict[_Way, float] = {}

    def send_advertising_pdu(
        self, sender_controller: Controller, packet: ll.AdvertisingPdu
    ) -> None:
        """Let all in range hear an advertisement."""
        loop = asyncio.get_running_loop()
        for controller in self.controllers:
            if controller is not sender_controller and self._hear(controller, sender_controller):
                loop.call_soon(controller.on_ll_advertising_pdu, packet)

    def send_acl_data(
        self,
        sender_controller: Controller,
        destination_address: hci.Address,
        transport: PhysicalTransport,
        data: bytes,
    ) -> None:
        """Carry a packet at the next connection event whose try succeeds."""
        receiver = self.find_le_controller(destination_address)
        link = sender_controller.le_connections.get(destination_address)
        if receiver is None or link is None:
            return
        way = (sender_controller, destination_address)
        queue = self._ways.setdefault(way, deque())
        queue.append(partial(receiver.on_link_acl_data, link.self_address, transport, data))
        if self._hear(sender_controller, receiver):
            self._schedule(way)

    def _schedule(self, way: _Way) -> None:
        """Have one packet more of a way delivered; which one is decided then, so order holds."""
        loop = asyncio.get_running_loop()
        interval_s = self.conditions.interval_s
        if not interval_s:
            loop.call_soon(self._deliver, way)
            return
        event = int(loop.time() / interval_s) + 1
        while self._rng.random() < self.conditions.retry:
            event += 1
            self.retries += 1
        at_s = max(event * interval_s, self._last_s.get(way, 0.0))
        self._last_s[way] = at_s
        loop.call_at(at_s, self._deliver, way)

    def _deliver(self, way: _Way) -> None:
        queue = self._ways.get(way)
        receiver = self.find_le_controller(way[1])
        if queue and receiver is not None and self._hear(way[0], receiver):
            queue.popleft()()

    def _hear(self, one: Controller, other: Controller) -> bool:
        return one not in self._far and other not in self._far

    def leave(self, controller: Controller) -> None:
        """Take a controller out of range: silence now, its links lost after the timeout."""
        if controller not in self._far:
            self._far.add(controller)
            loop = asyncio.get_running_loop()
            loop.call_later(self.conditions.supervision_s, self._supervise, controller)

    def come_back(self, controller: Controller) -> None:
        """Bring a controller back into range; what its links still hold is carried now."""
        self._far.discard(controller)
        for way, queue in self._ways.items():
            if way[0] is controller or self.find_le_controller(way[1]) is controller:
                for _ in range(len(queue)):
                    self._schedule(way)

    def _supervise(self, controller: Controller) -> None:
        if controller in self._far:
            self.cut(controller)

    def cut(self, controller: Controller) -> None:
        """End all of a controller's links as the supervision timeout does, on both sides."""
        reason = hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR
        ends = [(controller, link) for link in controller.le_connections.values()]
        for other in self.controllers - {controller}:
            for peer, link in other.le_connections.items():
                if self.find_le_controller(peer) is controller:
                    ends.append((other, link))
        for end, link in ends:
            self._ways.pop((end, link.peer_address), None)
        for end, link in ends:
            end.on_le_disconnected(link, reason)


def host_on(air: Air, name: str) -> tuple[Host, AirController]:
    """Return a Bluetooth host with a virtual controller of its own on the air."""
    controller = AirController(name, link=air)
    return Host(controller, AsyncPipeSink(controller)), controller


@contextlib.asynccontextmanager
async def serve_radio(controller: AirController, listener: socket.socket) -> AsyncIterator[None]:
    """Let a host in another process take a controller, by HCI over TCP; a second one waits.

    A host that goes away, however it ends, leaves no link behind.
    """
    taken = asyncio.Lock()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with taken:
                await _serve_host(controller, reader, writer)
        finally:
            writer.close()

    server = await asyncio.start_server(serve, sock=listener)
    try:
        yield
    finally:
        server.close()


async def _serve_host(
    controller: AirController, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> None:
    parser = PacketParser(controller)
    controller.host = _Sink(writer)
    try:
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(65536):
                parser.feed_data(data)
    finally:
        controller.release()
        controller.host = None


class _Sink:
    """Where a controller's packets to its host go."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self._writer = writer

    def on_packet(self, packet: bytes) -> None:
        """Send a packet."""
        self._writer.write(packet)
