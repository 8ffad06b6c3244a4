"""A virtual insole's settings, and what it answers to its host (`wire_format.md` §4).

Bytes in, bytes out; no Bluetooth in here. `peripheral.py` puts it behind a control point.
"""

from typing import Protocol

from plantigrade_gateway.errors import WireError
from plantigrade_gateway.virtual.player import SHORTEST_PERIOD_US, DeviceSettings
from plantigrade_gateway.wire.codec import VERSION, MessageKind, decode, encode
from plantigrade_gateway.wire.messages import (
    HEADER_BYTES,
    MAX_MESSAGE_BYTES,
    Ack,
    AckStatus,
    Clock,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    Start,
    Stop,
    Time,
    frame_bytes,
)

Request = Start | Stop | Rate | Frames | Identify | Time
_REQUESTS = range(MessageKind.START, MessageKind.TIME + 1)
_TOKEN_BYTES = 3  # version, kind, token: the shortest request


class Streaming(Protocol):
    """What requests do to an insole."""

    @property
    def is_streaming(self) -> bool:
        """Whether packets are made."""

    def battery_percent(self) -> int:
        """Return the battery's level."""

    def begin(self) -> None:
        """Stream, with counter 0; again where it already does."""

    def end(self) -> None:
        """Stop streaming."""


class Control:
    """How a virtual insole is set, and its answers.

    Parameters
    ----------
    settings : DeviceSettings
    insole : Streaming

    Attributes
    ----------
    period_us, frames : int
        As the host asked; they hold from the next packet on.
    charging : bool
        On its charger: then it does not start.
    subscribed : bool
        Somebody is subscribed to data: else it does not start either.
    value_bytes : int
        The largest notification that the link carries whole.
    requests : list of Request
        What hosts asked.
    """

    def __init__(self, settings: DeviceSettings, insole: Streaming) -> None:
        self.charging = False
        self.subscribed = True
        self.value_bytes = MAX_MESSAGE_BYTES
        self.requests: list[Request] = []
        self._settings = settings
        self._insole = insole
        self.reset()

    def reset(self) -> None:
        """Go back to the insole's own settings."""
        self.period_us, self.frames = self._settings.period_us, self._settings.frames

    @property
    def most_frames(self) -> int:
        """How many frames of a packet the link lets through."""
        room = min(self.value_bytes, MAX_MESSAGE_BYTES) - HEADER_BYTES
        return max(0, room // frame_bytes(self._settings.zones, self._settings.sample_format))

    @property
    def frames_to_come(self) -> int:
        """Frames in the next packet."""
        return min(self.frames, self.most_frames) or self.frames

    def answer(self, data: bytes, clock_us: int) -> bytes:
        """Do what a host wrote, and return the answer; empty: none.

        Parameters
        ----------
        data : bytes
            Whatever was written to the control point.
        clock_us : int
            The insole's clock when the write came in.
        """
        if not _TOKEN_BYTES <= len(data) <= MAX_MESSAGE_BYTES or data[0] != VERSION:
            return b""
        kind, token = data[1], data[2]
        if kind not in _REQUESTS:
            return encode(Ack(token, kind, AckStatus.UNKNOWN_REQUEST))
        try:
            request = decode(data)
        except WireError:
            return encode(Ack(token, kind, AckStatus.VALUE_NOT_POSSIBLE))
        assert isinstance(request, Request)
        self.requests.append(request)
        return encode(self._answer(request, kind, clock_us))

    def _answer(self, request: Request, kind: int, clock_us: int) -> Message:
        match request:
            case Identify(token):
                return self._identity(token)
            case Time(token):
                return Clock(token, clock_us)
            case _:
                return Ack(request.token, kind, self._handle(request))

    def _handle(self, request: Start | Stop | Rate | Frames) -> AckStatus:
        match request:
            case Start():
                if self.charging or not self.subscribed or not self.most_frames:
                    return AckStatus.NOT_NOW
                self._insole.begin()
            case Stop():
                self._insole.end()
            case Rate(_, period_us):
                if period_us < SHORTEST_PERIOD_US:
                    return AckStatus.VALUE_NOT_POSSIBLE
                self.period_us = period_us
            case Frames(_, frames):
                if frames > self.most_frames:
                    return AckStatus.VALUE_NOT_POSSIBLE
                self.frames = frames
        return AckStatus.DONE

    def _identity(self, token: int) -> Identity:
        answers = self._settings.answers_serial
        return Identity(
            token=token,
            foot=self._settings.foot,
            sample_format=self._settings.sample_format,
            zones=self._settings.zones,
            frames=self.frames_to_come,
            period_us=self.period_us,
            battery_percent=self._insole.battery_percent(),
            streaming=self._insole.is_streaming,
            firmware=self._settings.firmware,
            serial=self._settings.serial if answers is None else answers,
        )
