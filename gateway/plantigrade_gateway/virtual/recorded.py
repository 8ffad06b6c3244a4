"""A virtual insole: what one foot's sensors read, as the notifications a host would receive.

It samples on its own drifting clock, packs frames into packets of the wire format
(`hardware_notes/wire_format.md`), and sends them over a link with a connection interval, repeated
tries, stalls and losses. It does no I/O: it makes `record.Entry` rows with arrival times.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration
from plantigrade.synth import Performance, SensorModel
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.wire.codec import encode_data
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat, max_frames

_CLOCK_WRAP = 1 << 32
_READY_S = 0.0015
"""From the last sample of a packet to its being ready to send (ours)."""
_IN_EVENT_S = 0.0006
"""Between two packets in one connection event, about 1M PHY air time of a short packet (ours)."""


@dataclass(frozen=True, slots=True)
class RadioChannel:
    """How packets reach the host; the sizes are simulation settings, ours.

    Attributes
    ----------
    interval_s : float
        Connection interval: packets leave only at its multiples. 7.5 ms to 4 s by the Bluetooth
        specification.
    retry : float
        Probability that a try fails and waits for the next interval.
    stall_every_s, stall_s : float
        Mean time between stalls, and the longest; what was held back comes as a burst. 0: none.
    host_jitter_s : float
        Mean of the host's own delay to the callback, exponentially distributed.
    loss : float
        Fraction of packets that were made but never sent: their numbers are missing.
    loss_run : float
        Mean number of packets lost in a row.
    """

    interval_s: float = 0.015
    retry: float = 0.05
    stall_every_s: float = 40.0
    stall_s: float = 0.15
    host_jitter_s: float = 0.0006
    loss: float = 0.0
    loss_run: float = 1.5

    def __post_init__(self) -> None:
        if not 0.0075 <= self.interval_s <= 4.0:
            raise InputError(
                f"virtual link: connection interval is {self.interval_s} s, expected 0.0075 to 4"
            )
        for name in ("retry", "loss"):
            if not 0.0 <= getattr(self, name) < 0.9:
                raise InputError(
                    f"virtual link: {name} is {getattr(self, name)}, expected 0 to below 0.9"
                )
        if self.loss_run < 1.0:
            raise InputError(f"virtual link: loss_run is {self.loss_run}, expected 1 or more")

    @classmethod
    def steady(cls) -> "RadioChannel":
        """Return a link without retries, stalls, jitter and loss."""
        return cls(retry=0.0, stall_every_s=0.0, host_jitter_s=0.0)

    def arrivals_s(self, ready_s: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return when packets that were ready at `ready_s` (rising, s) arrive, in order."""
        if not len(ready_s):
            return ready_s.copy()
        free = self._unstalled(ready_s, rng)
        tries = rng.geometric(1.0 - self.retry, len(free)) - 1
        phase = rng.uniform(0.0, self.interval_s)
        event = np.ceil((free - phase) / self.interval_s) + tries
        event = np.maximum.accumulate(event)
        first = np.concatenate(([True], np.diff(event) > 0))
        start = np.maximum.accumulate(np.where(first, np.arange(len(event)), 0))
        queue = np.arange(len(event)) - start
        sent = phase + event * self.interval_s + queue * _IN_EVENT_S
        heard = (
            sent + rng.exponential(self.host_jitter_s, len(sent)) if self.host_jitter_s else sent
        )
        return np.asarray(np.maximum.accumulate(np.maximum(heard, ready_s)))

    def _unstalled(self, ready_s: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Put off what falls into a stall until the stall's end."""
        free = ready_s.copy()
        if not self.stall_every_s:
            return free
        at = ready_s[0] + rng.exponential(self.stall_every_s)
        while at < ready_s[-1]:
            end = at + rng.uniform(0.3, 1.0) * self.stall_s
            free[(free >= at) & (free < end)] = end
            at = end + rng.exponential(self.stall_every_s)
        return free

    def lost(self, n: int, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Return which of `n` packets are never sent, in runs."""
        if not self.loss:
            return np.zeros(n, dtype=np.bool_)
        leave = 1.0 / self.loss_run
        enter = leave * self.loss / (1.0 - self.loss)
        draws, out, bad = rng.random(n), np.zeros(n, dtype=np.bool_), False
        for k in range(n):
            bad = draws[k] >= leave if bad else draws[k] < enter
            out[k] = bad
        return out


@dataclass(frozen=True, slots=True)
class _Boot:
    """One stretch of running between resets: host times, and the insole's clock at its start."""

    from_s: float
    to_s: float
    clock_us: int


@dataclass(frozen=True, slots=True)
class RecordedInsole:
    """One insole.

    Attributes
    ----------
    foot : Foot
    insole : int
        Its number in the record, 0 or 1.
    calibration : Calibration
        Run backwards to make counts.
    period_us : int
        Sample period on the insole's own clock.
    frames : int
        Frames per packet.
    sample_format : SampleFormat
    drift_ppm : float
        How much the insole's clock runs fast; a fast clock samples a little more often.
    clock_us : int
        The insole's clock at the session's beginning; near 2³² it wraps.
    phase_s : float
        Host time of the first sample from the session's beginning.
    link : RadioChannel
    resets_s : tuple of float
        Host times at which the insole resets; it is away for `reset_away_s`, then begins with its
        clock near 0.
    reset_away_s : float
    drops_s : tuple of (float, float)
        Host times between which the insole itself loses samples; the next packet says so.
    battery_low_from_s : float or None
    """

    foot: Foot
    insole: int
    calibration: Calibration
    period_us: int = 10_000
    frames: int = 2
    sample_format: SampleFormat = SampleFormat.PACKED12
    drift_ppm: float = 0.0
    clock_us: int = 0
    phase_s: float = 0.0
    link: RadioChannel = RadioChannel()
    resets_s: tuple[float, ...] = ()
    reset_away_s: float = 2.0
    drops_s: tuple[tuple[float, float], ...] = ()
    battery_low_from_s: float | None = None

    def __post_init__(self) -> None:
        most = max_frames(self.calibration.n_zones, self.sample_format)
        if not 1 <= self.frames <= most:
            raise InputError(
                f"virtual insole: {self.frames} frames of {self.calibration.n_zones} zones in a "
                f"packet, expected 1 to {most}"
            )
        if not 0 <= self.clock_us < _CLOCK_WRAP:
            raise InputError(f"virtual insole: clock is {self.clock_us} µs, expected 32 bits")
        if list(self.resets_s) != sorted(self.resets_s):
            raise InputError("virtual insole: resets are out of order, expected rising times")

    @property
    def _host_period_s(self) -> float:
        return self.period_us * 1e-6 / (1.0 + self.drift_ppm * 1e-6)

    def _boots(self, duration_s: float) -> list[_Boot]:
        boots, start, clock = [], self.phase_s, self.clock_us
        for reset in self.resets_s:
            if reset < duration_s:
                boots.append(_Boot(start, reset, clock))
                start, clock = reset + self.reset_away_s, 150_000
        return [*boots, _Boot(start, duration_s, clock)]

    def _boot_times_s(self, boot: _Boot) -> FloatArray:
        n = max(0, int(np.ceil((boot.to_s - boot.from_s) / self._host_period_s - 1e-9)))
        return np.asarray(boot.from_s + np.arange(n) * self._host_period_s)

    def sample_times_s(self, duration_s: float) -> FloatArray:
        """Return the host times at which it samples in a session, s from its beginning."""
        return np.concatenate([self._boot_times_s(boot) for boot in self._boots(duration_s)])

    def read(self, performance: Performance, sensor: SensorModel, seed: int) -> FloatArray:
        """Return what it reads of a performance at its own sample times, shape (n, n_zones).

        A performance at a higher rate than the insole's makes the interpolation between its samples
        finer. The sensor's own loss is left out: packets are lost on the link.
        """
        own = self.sample_times_s(float(performance.t_s[-1]))

        def at(zones: FloatArray) -> FloatArray:
            return np.stack([np.interp(own, performance.t_s, z) for z in zones.T], axis=1)

        mine = replace(performance, t_s=own, left=at(performance.left), right=at(performance.right))
        left, right = replace(sensor, loss=0.0).read(mine, seed)
        return left if self.foot is Foot.LEFT else right

    def entries(
        self, pressure: FloatArray, duration_s: float, start_ns: int, seed: int
    ) -> list[Entry]:
        """Return the record's entries of a session.

        Parameters
        ----------
        pressure : ndarray of float64, shape (n, n_zones)
            In the layout's unit, at `sample_times_s(duration_s)`; without NaN.
        duration_s : float
        start_ns : int
            Monotonic host time of the session's beginning, ns.
        seed : int

        Returns
        -------
        list of Entry
            CONNECTED, NOTIFICATION and, round a reset, DISCONNECTED, in order of arrival.

        Raises
        ------
        InputError
            The number of rows is not the number of sample times.
        """
        times = self.sample_times_s(duration_s)
        if len(times) != len(pressure):
            raise InputError(
                f"virtual insole: {len(pressure)} rows of pressure, expected {len(times)} for "
                f"{duration_s} s"
            )
        counts = self.calibration.counts(pressure)
        rng = np.random.default_rng([seed, self.insole])
        out: list[Entry] = []
        first, now = 0, start_ns

        def link(kind: Kind, at_s: float) -> None:
            ns = max(now, start_ns + round(1e9 * max(0.0, at_s)))
            out.append(Entry(ns, self.insole, kind, b""))

        for n, boot in enumerate(self._boots(duration_s)):
            last = first + len(self._boot_times_s(boot))
            if n:
                link(Kind.DISCONNECTED, self.resets_s[n - 1] + 0.5 * self.reset_away_s)
            link(Kind.CONNECTED, boot.from_s - 0.05)
            now = out[-1].arrival_ns
            rows = slice(first, last)
            out += self._boot_entries(boot, times[rows], counts[rows], start_ns, now, rng)
            first, now = last, out[-1].arrival_ns
        return out

    def _boot_entries(
        self,
        boot: _Boot,
        times_s: FloatArray,
        counts: NDArray[np.uint16],
        start_ns: int,
        earliest_ns: int,
        rng: np.random.Generator,
    ) -> list[Entry]:
        heads, dropped = self._packets(times_s)
        ready = times_s[heads + self.frames - 1] + _READY_S if len(heads) else np.empty(0)
        arrival = start_ns + np.rint(1e9 * self.link.arrivals_s(ready, rng)).astype(np.int64)
        arrival = np.maximum(arrival, earliest_ns)
        lost = self.link.lost(len(heads), rng)
        out = []
        for k, head in enumerate(heads.tolist()):
            if lost[k]:
                continue
            low = self.battery_low_from_s
            packet = DataPacket(
                foot=self.foot,
                sample_format=self.sample_format,
                first=k == 0,
                dropped=bool(dropped[k]),
                battery_low=low is not None and times_s[head] >= low,
                counter=k,
                clock_us=(boot.clock_us + head * self.period_us) % _CLOCK_WRAP,
                period_us=self.period_us,
                counts=counts[head : head + self.frames],
            )
            row = Entry(int(arrival[k]), self.insole, Kind.NOTIFICATION, encode_data(packet))
            out.append(row)
        return out

    def _packets(self, times_s: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """First sample of each packet, and whether samples were dropped just before it.

        A packet that a drop leaves half filled is dropped with the rest.
        """
        gone = np.zeros(len(times_s), dtype=np.bool_)
        for start, end in self.drops_s:
            gone |= (times_s >= start) & (times_s < end)
        heads: list[int] = []
        dropped: list[bool] = []
        k, missing = 0, False
        while k + self.frames <= len(times_s):
            hole = np.flatnonzero(gone[k : k + self.frames])
            if len(hole):
                k, missing = k + int(hole[-1]) + 1, True
                continue
            heads.append(k)
            dropped.append(missing)
            k, missing = k + self.frames, False
        return np.array(heads, dtype=np.int64), np.array(dropped, dtype=np.bool_)


def merged(*records: Iterable[Entry]) -> list[Entry]:
    """Return several insoles' entries in order of arrival; equal times keep their order."""
    return sorted(chain(*records), key=lambda entry: entry.arrival_ns)
