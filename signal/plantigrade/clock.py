"""One insole's clock → host time, from arrivals and, where there are any, time exchanges.

Takes the arrival time and the insole's clock of each packet, in order; gives the host time of each
frame. Causal: a frame's time follows from its own packet and earlier ones and is never revised,
however the packets are cut into calls. Losses and restarts are the decoder's to find; this model is
told to `restart`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray

WINDOW_US = 1_200_000_000
"""Points older than this are forgotten: crystals follow temperature, so a line holds for some
twenty minutes."""
MAX_DRIFT = 150e-6
"""Steepest line: two crystals at ± 50 ppm, Bluetooth's limit for active clocks, with room."""

_TRIM_US = 300_000_000  # the window grows by this much before it is cut back
_RECENT = 1.2  # how far from the oldest point the line lies closest, against the points' mean
_DRIFT_SD = 50e-6
_DELAY_S = 5e-3  # spread of the least delays of some seconds
_MEMORY_US = 10_000_000  # least delays nearer than this tell the same
_PULL = _DRIFT_SD**2 / (_DELAY_S * 1e-6 * _MEMORY_US)  # 1/s²


class Envelope:
    """A line under all points of the last twenty minutes.

    Delays are never negative, so the true line lies under all points. Of the lines that do, the
    classic choice is the nearest by sum of distances: an edge of the lower convex hull, the one
    over the points' mean (Moon, Skelly and Towsley 1999, "Estimation and removal of clock skew from
    network delay measurements", INFOCOM, pp. 227–234; as hull: Zhang, Liu and Xia 2002, "Clock
    synchronization algorithms for network measurements", INFOCOM). That is the likeliest line for
    exponential delays. We add what is known beforehand, that a drift is about 0 ± 50 ppm (normal),
    so that a young cloud of a few seconds has no slope of its own, and put the mean a little nearer
    to the present, so that a change of the steady delay is forgotten sooner. A point counts for the
    time since the one before it, up to ten seconds: what lies on the far side of a silence has no
    more say than it has heard.

    A false drift is read where delays change slowly and steadily: when packets and connection
    events keep step, until the cloud holds two moments at which a packet hardly waited.

    Attributes
    ----------
    points : list of (int, int)
        Clock, µs, and arrival − clock, ns; clocks rise.
    hull : list of (int, int)
        Those of them that are the lower convex hull.
    """

    def __init__(self) -> None:
        self.points: list[tuple[int, int]] = []
        self.hull: list[tuple[int, int]] = []
        self._heard_us = 0  # the time that the points count for
        self._moment = 0  # the sum of time × (clock − the first point's)

    def add(self, clock_us: int, delay_ns: int) -> None:
        """Add a point, with a clock beyond all others."""
        if self.points and clock_us - self.points[0][0] > WINDOW_US + _TRIM_US:
            self.keep([p for p in self.points if p[0] >= clock_us - WINDOW_US])
        self._extend(clock_us, delay_ns)

    def keep(self, points: list[tuple[int, int]]) -> None:
        """Forget all points but these."""
        self.points, self.hull = [], []
        self._heard_us = self._moment = 0
        for clock_us, delay_ns in points:
            self._extend(clock_us, delay_ns)

    def _extend(self, x: int, y: int) -> None:
        """Extend the hull to the right (Andrew 1979, monotone chain; from memory)."""
        hull = self.hull
        if self.points:
            heard_us = min(x - self.points[-1][0], _MEMORY_US)
            self._heard_us += heard_us
            self._moment += heard_us * (x - self.points[0][0])
        self.points.append((x, y))
        while len(hull) > 1:
            (x1, y1), (x2, y2) = hull[-2], hull[-1]
            if (y2 - y1) * (x - x2) < (y - y2) * (x2 - x1):
                break
            hull.pop()
        hull.append((x, y))

    def line(self) -> tuple[float, int, int]:
        """Return the line: its slope (s/s), and clock µs and delay ns of a point on it.

        At slope s a line under the points touches the hull at x(s), which moves right as s grows.
        The likelihood is greatest where s = −pull · (x(s) − middle), the pull growing with the
        time heard: at a vertex whose own s lies between the slopes of its edges, or along an edge.
        """
        hull = self.hull
        middle = hull[0][0] + _RECENT * self._moment / max(self._heard_us, 1)
        pull = _PULL * 1e-12 * self._heard_us
        slope, left = 0.0, -MAX_DRIFT
        for k, (x, y) in enumerate(hull):
            slope = max(left, -pull * (x - middle))
            if k + 1 == len(hull):
                break
            right = 1e-3 * (hull[k + 1][1] - y) / (hull[k + 1][0] - x)  # ns/µs
            if slope <= right:
                break
            left = right
        slope = min(max(slope, -MAX_DRIFT), MAX_DRIFT)
        x, y = min(hull, key=lambda p: p[1] - 1e3 * slope * (p[0] - middle))
        return slope, x, y

    def drift_sd(self, spread_s: float) -> float:
        """Return how uncertain the slope is when delays hide up to `spread_s`, s/s."""
        span_s = 1e-6 * (self.hull[-1][0] - self.hull[0][0]) if self.hull else 0.0
        return min(_DRIFT_SD, spread_s / span_s) if span_s else _DRIFT_SD


IntArray = NDArray[np.int64]

_YOUNG_US = 10_000_000  # for so long after a beginning the model corrects itself quickly
_YOUNG_EPOCH_US = 100_000
_EPOCH_US = 2_000_000
_YOUNG_TIME_S, _YOUNG_SLEW = 0.2, 0.5  # time constant, and largest change of pace
_TIME_S, _SLEW = 5.0, 0.002
_FAR_S, _FAR_SLEW = 0.05, 0.05  # when this far off, a settled model corrects faster
_LOCKED_S = 5e-3

_SILENCE_US = 2_000_000  # over a silence this long times may jump
_LEAST_STEP_S = 1e-6  # between the times on both sides of a jump
_MOVED_NS = 40_000_000  # a delay this far under the line: all before it waited, or the clock moved
_STALE_NS = 250_000_000  # delays this far over the line for so long are no delays
_STALE_US = 20_000_000

_RECENT_US = 60_000_000  # exchanges of the last minute say how sure the newest times are
_LEAST_EXCHANGES = 8  # fewer are not trusted
_LONGEST_EXCHANGE_NS = 200_000_000  # a slower answer tells too little
_EXCHANGE_NEAR_US = 60_000_000  # an answer further from the last frame is of another boot
_CLOCK_WRAP_US = 1 << 32
_SURE = 0.95
_MOST_RECENT = 64


@dataclass(frozen=True, slots=True)
class ClockState:
    """How well an insole's clock is known.

    Attributes
    ----------
    offset_s : float
        Host time less insole clock at the last frame, s.
    drift_ppm : float
        How much faster than the insole's clock host time goes, parts per million.
    error_s : float
        How wrong a time may be, s: the steady delay that one-way arrivals cannot show, what is
        still to be corrected, and what the drift's uncertainty may have made since a packet last
        came without delay.
    locked : bool
        Ten seconds have passed since the beginning and no correction over 5 ms is under way.
    """

    offset_s: float
    drift_ppm: float
    error_s: float
    locked: bool


class ClockModel:
    """Host time of an insole's frames.

    Within an epoch (0.1 s of insole clock at first, later 2 s) the map is a straight line. Each
    epoch gives its least arrival − clock to the envelope (`plantigrade.clock`), whose line is
    where the next epoch's map heads for, without a step: by changing its pace, by up to a half in
    the first ten seconds, later by 0.2 % (5 % when over 50 ms off). Over a silence of more than 2 s
    times may jump onto the line, never back over times already given. A silence longer than the
    envelope's window is a new beginning.

    What arrivals cannot show is a delay that every packet has, such as the wait for the next
    connection event when packets and events keep step: times are late by it, up to one connection
    interval. Where the two slide past each other slowly, the changing wait looks like a drift, and
    times may be early by half an interval. Two feet may differ by both together.

    Exchanges show it. A request that left the host at s met the insole's clock c: host time at c
    is s or later, by the request's own wait for a connection event. The points (c, s − c) lie under
    the true line as arrivals lie over it, and since requests leave at random moments their waits do
    not slide: once there are some, the map heads for the line over them, not for that of arrivals.

    Parameters
    ----------
    origin_ns : int
        Monotonic host time that is 0 s, ns.
    unseen_s : float
        The largest steady delay expected, s; only stated, in `ClockState.error_s`. Default: the
        longest connection interval that insoles should ask for.
    """

    def __init__(self, origin_ns: int, unseen_s: float = 0.030) -> None:
        self._origin_ns = origin_ns
        self._unseen_s = unseen_s
        self._envelope = Envelope()
        self._line = (0.0, 0, 0)  # the envelope's
        self._drift = 0.0  # of this epoch
        self._least: tuple[int, int] | None = None  # this epoch's point for the envelope
        self._stale: list[tuple[int, int]] = []  # epochs' points that lie far over the line
        self._begun = False
        self._exchanges = Envelope()  # of (clock, clock − host send): upside down
        self._floor_s = -math.inf  # no time may lie under this
        self._zero_us = 0  # clock at the beginning
        self._until_us = 0  # clock at which this epoch ends
        self._end_us = 0  # clock of the last frame
        self._from_us, self._from_s = 0, 0.0  # where this epoch's line begins
        self._slew, self._s_per_us = 0.0, 1e-6
        self._left_s = 0.0  # how far from the envelope's line this epoch began

    def restart(self) -> None:
        """Forget the insole's clock, which began again. Times go on rising."""
        if self._begun:
            self._floor_s = self._last_s() + _LEAST_STEP_S
        self._begun = False

    @property
    def state(self) -> ClockState:
        """How well the clock is known now."""
        touched_us = self._line[1]
        drift_s = self._envelope.drift_sd(self._unseen_s) * 1e-6 * (self._end_us - touched_us)
        unseen_s, recent = self._unseen_s, self._recent_exchanges()
        if recent >= _LEAST_EXCHANGES:
            # The line lies about on the least wait of the older half and that of the newer, and
            # goes on by half their distance: it is wrong by up to one and a half of them. The least
            # of n / 2 waits that are even over an interval is, this surely, under this part.
            unseen_s *= min(1.0, 1.5 * (1.0 - (1.0 - _SURE) ** (2.0 / recent)))
            drift_s = 0.0  # the line goes through the last minute
        settled = self._begun and self._end_us - self._zero_us >= _YOUNG_US
        return ClockState(
            offset_s=self._last_s() - 1e-6 * self._end_us,
            drift_ppm=1e6 * self._drift,
            error_s=unseen_s + abs(self._left_s) + drift_s,
            locked=settled and abs(self._left_s) <= _LOCKED_S,
        )

    def exchange(self, send_ns: int, receive_ns: int, clock_us: int) -> None:
        """Take a time exchange, in its place among the packets.

        Parameters
        ----------
        send_ns, receive_ns : int
            Monotonic host time at which the request was sent and its answer came, ns.
        clock_us : int
            The insole's clock, 32 bits, when the request reached it, µs.
        """
        if not self._begun or not 0 <= receive_ns - send_ns <= _LONGEST_EXCHANGE_NS:
            return
        half = _CLOCK_WRAP_US // 2
        ahead_us = (clock_us - self._end_us + half) % _CLOCK_WRAP_US - half
        if abs(ahead_us) > _EXCHANGE_NEAR_US:
            return
        at_us = self._end_us + ahead_us
        if not self._exchanges.points or at_us > self._exchanges.points[-1][0]:
            self._exchanges.add(at_us, 1000 * at_us - (send_ns - self._origin_ns))

    def _recent_exchanges(self) -> int:
        since_us = self._end_us - _RECENT_US
        return sum(at_us >= since_us for at_us, _ in self._exchanges.points[-_MOST_RECENT:])

    def _aim(self) -> tuple[float, int, int]:
        """Return the line to head for: slope, and clock µs and delay ns of a point on it."""
        if len(self._exchanges.points) < _LEAST_EXCHANGES:
            return self._line
        slope, touched_us, early_ns = self._exchanges.line()
        return -slope, touched_us, -early_ns

    def map_frames(
        self, arrival_ns: IntArray, clock_us: IntArray, period_us: int, frames: int
    ) -> FloatArray:
        """Return the host time of each frame of consecutive packets.

        Parameters
        ----------
        arrival_ns : ndarray of int64, shape (p,)
            Monotonic arrival times, ns.
        clock_us : ndarray of int64, shape (p,)
            Insole clock at each packet's first frame, µs, unwrapped: beyond the last frame of the
            packet before, of an earlier call too.
        period_us : int
        frames : int
            Frames in each packet. A packet leaves after its last frame was sampled: it is that
            frame's clock that is held against the arrival.

        Returns
        -------
        ndarray of float64, shape (p × frames,)
            Seconds since the origin, strictly increasing, from call to call too.
        """
        if len(clock_us) == 0:
            return np.empty(0)
        span_us = (frames - 1) * period_us
        delay_ns = arrival_ns - (self._origin_ns + 1000 * span_us) - 1000 * clock_us
        times_s = np.empty((len(clock_us), frames))
        at = 0
        while at < len(clock_us):  # epoch by epoch
            self._reach(int(clock_us[at]), int(delay_ns[at]))
            stop = int(clock_us.searchsorted(self._until_us))
            least = at + int(delay_ns[at:stop].argmin())
            end_us = int(clock_us[stop - 1]) + span_us
            self._observe(int(clock_us[least]) + span_us, int(delay_ns[least]), end_us)
            first_s = self._from_s + (clock_us[at:stop] - self._from_us) * self._s_per_us
            steps_s = np.arange(frames) * (period_us * self._s_per_us)
            np.add(first_s[:, np.newaxis], steps_s, out=times_s[at:stop])
            at = stop
        return times_s.ravel()

    def _reach(self, clock_us: int, delay_ns: int) -> None:
        """Begin, or turn to a new epoch, if this packet asks for it."""
        if self._begun and clock_us - self._end_us > WINDOW_US:
            self.restart()
        if not self._begun:
            self._begin(clock_us, delay_ns)
        elif clock_us >= self._until_us:
            self._turn(clock_us)

    def _begin(self, clock_us: int, delay_ns: int) -> None:
        self._envelope = Envelope()
        self._exchanges = Envelope()
        self._line = (0.0, clock_us, delay_ns)
        self._drift = 0.0
        self._least = None
        self._stale = []
        self._begun = True
        self._zero_us = self._from_us = clock_us
        self._until_us = clock_us + _YOUNG_EPOCH_US
        self._from_s = max((1000 * clock_us + delay_ns) / 1e9, self._floor_s)
        self._slew, self._s_per_us, self._left_s = 0.0, 1e-6, 0.0

    def _observe(self, clock_us: int, delay_ns: int, end_us: int) -> None:
        """Note an epoch's least delay so far, and the clock of the last frame."""
        if self._least is None or delay_ns < self._least[1]:
            self._least = (clock_us, delay_ns)
        self._end_us = end_us

    def _last_s(self) -> float:
        """Return the last frame's time."""
        return self._from_s + (self._end_us - self._from_us) * self._s_per_us

    def _turn(self, clock_us: int) -> None:
        """Close the epoch and draw the line of the next, which begins at this clock."""
        silent = clock_us - self._end_us > _SILENCE_US
        last_s, drift = self._last_s(), self._drift
        slewed_us = min(clock_us, max(self._until_us, self._end_us)) - self._from_us
        here_s = self._from_s + 1e-6 * (
            (clock_us - self._from_us) * (1.0 + drift) + slewed_us * self._slew
        )
        self._learn(silent)
        drift, touched_us, delay_ns = self._aim()
        self._drift = drift
        aim_s = (1000 * clock_us + delay_ns) / 1e9 + 1e-6 * drift * (clock_us - touched_us)
        if silent:
            here_s = max(aim_s, last_s + _LEAST_STEP_S)
        self._from_us, self._from_s, self._left_s = clock_us, here_s, aim_s - here_s
        since_us = clock_us - self._zero_us
        if since_us < _YOUNG_US:
            time_s, limit, epoch_us = _YOUNG_TIME_S, _YOUNG_SLEW, _YOUNG_EPOCH_US
        else:
            limit = _FAR_SLEW if abs(self._left_s) > _FAR_S else _SLEW
            time_s, epoch_us = _TIME_S, _EPOCH_US
        self._slew = min(max(self._left_s / time_s, -limit), limit)
        self._s_per_us = 1e-6 * (1.0 + drift + self._slew)
        self._until_us = clock_us + epoch_us - since_us % epoch_us

    def _learn(self, silent: bool) -> None:
        """Give the epoch's least delay to the envelope, and read its line."""
        assert self._least is not None
        drift, touched_us, line_ns = self._line
        clock_us, delay_ns = self._least
        self._least = None
        over_ns = delay_ns - line_ns - 1e3 * drift * (clock_us - touched_us)
        self._envelope.add(clock_us, delay_ns)
        if silent or over_ns < _STALE_NS:
            self._stale = []
        if over_ns >= _STALE_NS:
            self._stale.append((clock_us, delay_ns))
        if over_ns < -_MOVED_NS:
            self._envelope.keep([(clock_us, delay_ns)])
            self._exchanges = Envelope()
        elif self._stale and clock_us - self._stale[0][0] >= _STALE_US:
            self._envelope.keep(self._stale)
            self._exchanges = Envelope()
            self._stale = []
        self._line = self._envelope.line()
