"""What one link carries: since when no data came, whether more come than can be meant, how often.

Data that the analysis leaves out are none: of another foot or other zones than the insole's own,
or sampled too seldom (`wire_format.md` §3). Else a session would be recorded for nothing.

No system tells a link's connection interval the same way, and most do not tell it. But all that an
insole sends comes at connection events: moments that lie whole intervals apart.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.wire.codec import data_header
from plantigrade_gateway.wire.messages import LONGEST_PERIOD_US

STEP_MS = 1.25
"""Intervals are whole numbers of these (`gatt_profile.md` §5)."""
STEPS = np.arange(6, 161)
"""Looked for: 7.5 to 200 ms (ours)."""
KEPT_DATA, KEPT_ANSWERS = 200, 24
LEAST_DATA, LEAST_ANSWERS = 50, 8
IN_STEP, ANSWERS_IN_STEP = 0.8, 0.6
"""Mean resultant length of the phases (1: all alike, 0: anywhere) from which moments are in step
with an interval (ours); the answers, which come at random moments, tell an interval from its
multiples that the data alone would fit too."""


class IntervalMeter:
    """Measures one link's connection interval."""

    def __init__(self) -> None:
        self._data: deque[int] = deque(maxlen=KEPT_DATA)
        self._answers: deque[int] = deque(maxlen=KEPT_ANSWERS)

    def data(self, arrival_ns: int) -> None:
        """Note when a data packet came."""
        self._data.append(arrival_ns)

    def answer(self, arrival_ns: int) -> None:
        """Note when an answer of the control point came."""
        self._answers.append(arrival_ns)

    def interval_ms(self) -> float | None:
        """Return the interval, ms; None where too little came, or it came out of step."""
        if len(self._data) < LEAST_DATA or len(self._answers) < LEAST_ANSWERS:
            return None
        origin_ns = self._data[0]
        data_ms = (np.array(self._data, dtype=np.int64) - origin_ns) / 1e6
        answers_ms = (np.array(self._answers, dtype=np.int64) - origin_ns) / 1e6
        fits = (_resultant(data_ms) >= IN_STEP) & (_resultant(answers_ms) >= ANSWERS_IN_STEP)
        return float(STEPS[fits][-1] * STEP_MS) if fits.any() else None


def _resultant(at_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much alike the phases of moments are in each interval looked for."""
    turns = at_ms[:, None] / (STEPS * STEP_MS)
    length: NDArray[np.float64] = np.abs(np.exp(2j * np.pi * turns).mean(axis=0))
    return length


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
