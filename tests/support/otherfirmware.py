"""An example of a plug-in: insoles whose (invented) firmware speaks in its own way.

A package of its own would hold this module, and in its ``pyproject.toml``::

    [project.entry-points."plantigrade.firmware"]
    otherfoot = "otherfoot:PLUGIN"

This firmware sends one frame in each notification: sequence number (u16), clock in ms (u32),
eighteen counts (u16), all big endian, 100 times a second. Writing 1 to its switch begins that, 0
ends it. Its advertisement carries foot and number as data of the test company 0xFFFF.
"""

import struct
from collections.abc import Mapping, Sequence

import numpy as np

from plantigrade.block import Foot
from plantigrade_gateway.sources.plugin import Decode
from plantigrade_gateway.wire.gatt import Announcement
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

SERVICE = "0f0a0001-1111-4a2b-8c3d-000000000000"
DATA = "0f0a0002-1111-4a2b-8c3d-000000000000"
SWITCH = "0f0a0003-1111-4a2b-8c3d-000000000000"
COMPANY = 0xFFFF
FRAME = struct.Struct(">HI18H")


class OtherFoot:
    """What the program asks of a plug-in (`plantigrade_gateway.sources.plugin.Firmware`)."""

    name = "otherfoot"
    service = SERVICE
    data = DATA

    def announcement(
        self,
        local_name: str,
        service_data: Mapping[str, bytes],
        manufacturer_data: Mapping[int, bytes],
    ) -> Announcement | None:
        said = manufacturer_data.get(COMPANY, b"")
        if len(said) != 3:
            return None
        foot = Foot.RIGHT if said[0] else Foot.LEFT
        return Announcement(foot, 260, None, int.from_bytes(said[1:], "big"))

    def begin(self) -> Sequence[tuple[str, bytes]]:
        return [(SWITCH, b"\x01")]

    def end(self) -> Sequence[tuple[str, bytes]]:
        return [(SWITCH, b"\x00")]

    def decoder(self, said: Announcement) -> Decode:
        counter: int | None = None

        def read(data: bytes) -> list[DataPacket]:
            nonlocal counter
            sequence, ms, *counts = FRAME.unpack(data)
            first = counter is None
            counter = 0 if counter is None else counter + ((sequence - last[0]) & 0xFFFF)
            last[0] = sequence
            return [
                DataPacket(
                    foot=said.foot,
                    sample_format=SampleFormat.U16,
                    first=first,
                    dropped=False,
                    battery_low=False,
                    counter=counter & 0xFFFFFFFF,
                    clock_us=ms * 1000 & 0xFFFFFFFF,
                    period_us=10_000,
                    counts=np.array([counts], dtype=np.uint16),
                )
            ]

        last = [0]
        return read


PLUGIN = OtherFoot()
