"""The line under a cloud of delays: what an insole's clock reads when nothing is late.

Takes points (clock, arrival − clock); gives a line under all of them. Knows nothing of packets.
"""

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
