"""What one link carries: since when no data came, and whether more come than can be meant.

Data that the analysis leaves out are none: of another foot or other zones than the insole's own,
or sampled too seldom (`wire_format.md` §3). Else a session would be recorded for nothing.
"""

from plantigrade.block import Foot
from plantigrade_gateway.wire.codec import data_header
from plantigrade_gateway.wire.messages import LONGEST_PERIOD_US

FLOOD = 4.0
"""An insole may send so many times the packets asked for (ours): no clock is that wrong."""
QUEUE_S = 10.0
"""What it may have held back and sends at once, s: the longest queue we expect (as
`wire/sequence.py`)."""
SHORTEST_PACKET_S = 1e-3
"""Where nobody knows what a packet covers: one frame at the shortest period of the wire format."""


class Flow:
    """Counts what a link carries.

    Parameters
    ----------
    now_s : float
        A monotonic clock's, s.
    foot : Foot
    zones : int
        What the insole's data are of.
    """

    def __init__(self, now_s: float, foot: Foot, zones: int) -> None:
        self._foot, self._zones = foot, zones
        self._packet_s = SHORTEST_PACKET_S
        self._data_s = now_s
        self._looked_s: float | None = None
        self._came = 0  # since the last look
        self._surplus = 0.0
        self._strays = 0  # as told last
        self._strange = ""  # what came since the last data packet, and is none

    def expect(self, packet_s: float | None) -> None:
        """Say what one packet covers, s; None where that is not known."""
        self._packet_s = packet_s or SHORTEST_PACKET_S

    def note(self, data: bytes, now_s: float) -> None:
        """Count a notification."""
        self._came += 1
        self._strange = self._misfit(data)
        if not self._strange:
            self._data_s = now_s

    def _misfit(self, data: bytes) -> str:
        """Return what an insole sends whose notification is no data packet; empty: it is one."""
        header = data_header(data)
        if header is None:
            return "sends nothing that is a data packet"
        if header.foot is not self._foot:
            return f"sends data of the {header.foot} foot"
        if header.zones != self._zones:
            return f"sends data of {header.zones} zones, expected {self._zones}"
        if header.period_us > LONGEST_PERIOD_US:
            longest_ms = LONGEST_PERIOD_US // 1000
            return (
                f"sends a sample every {header.period_us / 1e3:g} ms, expected {longest_ms} at most"
            )
        return ""

    def note_strays(self, so_far: int) -> None:
        """Count what came besides data that nobody asked for, by how much there was of it so far.

        Each of them costs the gateway as much as a packet of data does.
        """
        self._came += max(0, so_far - self._strays)
        self._strays = so_far

    def silent_s(self, now_s: float) -> float:
        """Return since when no data packet came, s."""
        return now_s - self._data_s

    @property
    def silence(self) -> str:
        """What it sends meanwhile, for people."""
        return self._strange or "sends nothing"

    def flood(self, now_s: float) -> str | None:
        """Return what is said of a flood; None where there is none. To be asked every second or so.

        More than `FLOOD` times what was asked for is surplus; `QUEUE_S` of that is a flood.

        Parameters
        ----------
        now_s : float
            By the clock that the insole's own seconds are compared with.
        """
        elapsed_s = 0.0 if self._looked_s is None else now_s - self._looked_s
        came, self._came, self._looked_s = self._came, 0, now_s
        self._surplus = max(0.0, self._surplus + came - FLOOD * elapsed_s / self._packet_s)
        if self._surplus * self._packet_s <= QUEUE_S:
            return None
        rate = came / elapsed_s if elapsed_s else float(came)
        return f"sends {rate:.0f} notifications a second, expected {1.0 / self._packet_s:.0f}"
