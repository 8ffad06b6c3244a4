"""The record → events: decoder, clock, calibration, pairing and detectors for one pair of insoles.

Pure: no I/O, no time but the record's. What comes out is a function of the ordered record alone;
how it is cut into batches never changes a bit of it. One implementation for live and stored.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from plantigrade.baseline import BaselineState
from plantigrade.block import FloatArray, Foot, PressureBlock
from plantigrade.calibrate import Calibration, Calibrator, default_calibration
from plantigrade.clock import ClockModel, ClockState
from plantigrade.limits import setup_for
from plantigrade.load import LoadReducer
from plantigrade.monitor import ZoneMonitor
from plantigrade_gateway.analysis.late import log_said, read_late
from plantigrade_gateway.analysis.streams import Stream, alike, joined, restarted, shape_of
from plantigrade_gateway.analysis.timeline import AWAY_S, Output, Tallies, TimeLine
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Kind, read_exchange
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import TrialName
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.log import boots_between
from plantigrade_gateway.wire.messages import LONGEST_PERIOD_US
from plantigrade_gateway.wire.stream import Counts, PacketRun, StreamEventKind

LATE_APART_S = 1.0
"""Samples that came late with less between them are told of together (ours)."""
AWAY_NS = round(AWAY_S * 1e9)
"""In the record a foot is away by the arrival of its packets: what is lost has no sample time."""
IntArray = NDArray[np.int64]
INSOLES = (0, 1)
_TRIALS = (Kind.CHECK, Kind.CHECK_END, Kind.SET)
"""What ends a trial of a guided check; the first begins one."""
_NOTIFICATION, _RESTART = int(Kind.NOTIFICATION), StreamEventKind.RESTART  # looked up once
_SAMPLES = (_NOTIFICATION, int(Kind.LATE))
_ZERO = np.zeros(1, dtype=np.int64)
Tap = Callable[[PressureBlock, float], None]
"""Told each foot's zone readings as they pass, calibrated, and the gain their load is taken by."""


@dataclass(slots=True)
class _Insole:
    """One insole's way from bytes to loads."""

    decoder: Decoder
    clock: ClockModel
    foot: Foot | None = None
    calibration: Calibration | None = None
    calibrator: Calibrator | None = None
    reducer: LoadReducer | None = None
    monitor: ZoneMonitor | None = None
    shape: tuple[Foot, int, int] | None = None
    """Foot, sample period and zones that it last said."""
    last_ns: int = 0
    away: bool = False
    missed: Foot | None = None
    """The foot whose rows go on without it."""
    ignored: int = 0
    late: list[tuple[float, float]] = field(default_factory=list)
    """From when to when samples came late, session times, s."""
    late_samples: int = 0
    boot: int | None = None
    """Of its log, at the link that holds."""
    heard_boot: int | None = None
    """Of the samples that came last."""
    boots_unheard: int = 0


class Pipeline:
    """Analyse one session's record, batch by batch.

    Parameters
    ----------
    tap : callable, optional
        Looks on; it changes nothing.
    tallies : Tallies, optional
        Kept of the time line where given.
    """

    def __init__(
        self,
        tap: Tap | None = None,
        tallies: Tallies | None = None,
    ) -> None:
        self._tap = tap
        self.settings = SessionSettings()
        self._layout = self.settings.zone_layout()
        self._origin_ns: int | None = None
        self._insoles: dict[int, _Insole] = {}
        self._line = TimeLine(tallies)
        self._calibrations: dict[int, Calibration] = {}

    @property
    def rate_hz(self) -> float | None:
        """Rows a second of the time line; None before the first sample."""
        return self._line.rate_hz

    @property
    def origin_ns(self) -> int | None:
        """Monotonic host time at which the session's seconds begin; None before the first entry."""
        return self._origin_ns

    def push(self, batch: Batch) -> Output:
        """Take consecutive entries; return what they decided."""
        out = self._line.out = Output()
        if len(batch):
            if self._origin_ns is None:
                self._begin(int(batch.arrival_ns[0]))
            self._take(batch)
        return out

    def flush(self) -> Output:
        """End the record: return what can still be decided."""
        out = self._line.out = Output()
        self._line.end()
        return out

    # ---- what is shown ----

    def counts(self) -> dict[int, Counts]:
        """Return each insole's counters."""
        return {k: insole.decoder.counts for k, insole in self._insoles.items()}

    def feet(self) -> dict[int, Foot | None]:
        """Return which foot each insole says it is."""
        return {k: insole.foot for k, insole in self._insoles.items()}

    def clocks(self) -> dict[int, ClockState]:
        """Return how well each insole's clock is known."""
        return {
            k: insole.clock.state for k, insole in self._insoles.items() if insole.foot is not None
        }

    def saturated(self) -> dict[int, int]:
        """Return each insole's zone samples at full scale."""
        return {k: i.calibrator.saturated for k, i in self._insoles.items() if i.calibrator}

    def stuck(self) -> dict[int, tuple[int, ...]]:
        """Return the ids of each insole's zones that are stuck now."""
        return {
            k: tuple(zone + 1 for zone in insole.monitor.stuck)
            for k, insole in self._insoles.items()
            if insole.monitor
        }

    def calibrations(self) -> dict[int, Calibration]:
        """Return what each insole's counts are read with; unheard insoles are left out."""
        return {k: i.calibrator.calibration for k, i in self._insoles.items() if i.calibrator}

    def ignored(self) -> dict[int, int]:
        """Return the packets left out because another insole is that foot, or zones do not fit."""
        return {k: insole.ignored for k, insole in self._insoles.items()}

    def late(self) -> dict[int, tuple[int, tuple[tuple[float, float], ...]]]:
        """Return how many of each insole's samples came late, and from when to when, s."""
        return {k: (i.late_samples, tuple(i.late)) for k, i in self._insoles.items()}

    def boots_unheard(self) -> dict[int, int]:
        """Return how often each insole began anew and logged, with no packet of that time heard.

        Nothing tells when such samples were taken: they are in no place of the session.
        """
        return {k: insole.boots_unheard for k, insole in self._insoles.items()}

    def baselines(self) -> dict[Foot, BaselineState]:
        """Return each foot's baseline; none before the time line begins and after it ends."""
        return self._line.baselines()

    # ---- the record in pieces ----

    def _begin(self, origin_ns: int) -> None:
        self._origin_ns = origin_ns
        self._insoles = {
            k: _Insole(Decoder(k), ClockModel(origin_ns), last_ns=origin_ns) for k in INSOLES
        }

    def _take(self, batch: Batch) -> None:
        ends = np.concatenate((_ZERO, batch.length.cumsum()))
        for start, stop in self._pieces(batch):
            self._settle_absence(batch, start)
            if batch.kind[start] == _NOTIFICATION:
                self._notifications(batch, start, stop, ends)
            else:
                data = batch.payload[int(ends[start]) : int(ends[start + 1])]
                kind, arrival_ns = Kind(int(batch.kind[start])), int(batch.arrival_ns[start])
                self._entry(int(batch.insole[start]), kind, data, arrival_ns)

    def _pieces(self, batch: Batch) -> Iterator[tuple[int, int]]:
        """Cut a batch: entries that are not notifications alone, and where a foot goes or comes.

        Within a piece both feet are there, or away, from its first entry to its last.
        """
        n = len(batch)
        heard = min(insole.last_ns for insole in self._insoles.values())
        near = batch.arrival_ns[-1] - heard <= AWAY_NS
        if near and not (batch.kind != _NOTIFICATION).any() and not self._anyone_away():
            yield 0, n
            return
        cuts = {0, n}
        for at in np.flatnonzero(batch.kind != _NOTIFICATION).tolist():
            cuts |= {at, at + 1}
        for k, insole in self._insoles.items():
            mine = np.flatnonzero((batch.insole == k) & np.isin(batch.kind, _SAMPLES))
            times = np.concatenate(
                ([insole.last_ns], batch.arrival_ns[mine], batch.arrival_ns[-1:])
            )
            for gap in np.flatnonzero(np.diff(times) > AWAY_NS).tolist():
                gone = np.searchsorted(batch.arrival_ns, times[gap] + AWAY_NS, side="right")
                cuts.add(int(gone))
                if gap < len(mine):
                    cuts.add(int(mine[gap]))
        edges = sorted(cuts)
        yield from pairwise(edges)

    def _anyone_away(self) -> bool:
        return any(insole.away for insole in self._insoles.values())

    def _settle_absence(self, batch: Batch, start: int) -> None:
        """Say which feet are away at the entry that begins a piece."""
        now = int(batch.arrival_ns[start])
        sends = int(batch.insole[start]) if batch.kind[start] in _SAMPLES else SESSION
        for k, insole in self._insoles.items():
            comes = k == sends
            if not insole.away and now - insole.last_ns > AWAY_NS:
                insole.away = True
                self._tell_away(insole)
            if insole.away and comes:
                insole.away = False
                if insole.missed is not None:
                    self._line.back(insole.missed)
                insole.missed = None

    def _tell_away(self, insole: _Insole) -> None:
        """Let the rows go on without an insole's foot; an unheard one is the foot nobody is."""
        heard = {i.foot for i in self._insoles.values() if i.foot is not None}
        unheard = [foot for foot in Foot if foot not in heard]
        insole.missed = insole.foot or (unheard[0] if len(unheard) == 1 else None)
        if insole.missed is not None:
            self._line.away(insole.missed)

    def _entry(self, insole: int, kind: Kind, data: bytes, arrival_ns: int) -> None:
        if kind is Kind.SETTINGS:
            self._line.end()
            self.settings = SessionSettings.from_json(data)
            self._layout = self.settings.zone_layout()
            for other in self._insoles.values():
                other.calibrator = None
        elif kind is Kind.EXCHANGE and insole in self._insoles:
            exchange = read_exchange(data)
            if exchange is not None:
                self._insoles[insole].clock.exchange(*exchange)
        elif kind is Kind.CONNECTED and insole in self._insoles:
            said = log_said(data)
            self._insoles[insole].boot = None if said is None else said[0]
        elif kind is Kind.CALIBRATION and insole != SESSION:
            self._calibrations[insole] = Calibration.from_json(data)
            if insole in self._insoles:
                self._insoles[insole].calibrator = None
        elif kind is Kind.LATE and insole in self._insoles:
            self._push_late(insole, data, arrival_ns)
        elif kind is Kind.END:
            self._line.end()
        elif kind in _TRIALS:
            assert self._origin_ns is not None
            self._line.end_trial((arrival_ns - self._origin_ns) / 1e9)
            trial = _trial(data) if kind is Kind.CHECK else None
            if trial is not None:
                self._line.begin_trial(trial.step, (arrival_ns - self._origin_ns) / 1e9)

    def _notifications(self, batch: Batch, start: int, stop: int, ends: IntArray) -> None:
        """Decode a piece of notifications, and push what both insoles say.

        Between two places where an insole says something new of itself the order of the insoles
        does not matter; there it does, so the piece is cut at them.
        """
        payload = batch.payload[int(ends[start]) : int(ends[stop])]
        lengths, arrival_ns = batch.length[start:stop], batch.arrival_ns[start:stop]
        whose = batch.insole[start:stop]
        first = int(whose[0])
        if stop - start == 1 or (whose == first).all():  # as nearly always live: nothing to order
            if first in self._insoles:
                self._push_runs(first, self._decode(first, arrival_ns, lengths, payload))
            return
        raw = np.frombuffer(payload, dtype=np.uint8)
        streams: list[Stream] = []
        cuts = {0, stop - start}
        for k, insole in self._insoles.items():
            mine = whose == k
            places = mine.nonzero()[0]
            if not len(places):
                continue
            before = insole.decoder.counts.notifications
            its = raw[np.repeat(mine, lengths)].tobytes()
            runs = self._decode(k, arrival_ns[mine], lengths[mine], its)
            stream = Stream(k, runs, places, before)
            cuts.update(stream.changes(insole.shape))
            streams.append(stream)
        for low, high in pairwise(sorted(cuts)):
            parts = [stream.between(low, high) for stream in streams]
            for _, k, runs in sorted((p for p in parts if p[2]), key=lambda p: p[0]):
                self._push_runs(k, runs)

    def _decode(
        self, k: int, arrival_ns: IntArray, lengths: IntArray, payload: bytes
    ) -> list[PacketRun]:
        """Decode consecutive notifications of one insole; note its facts.

        A restart stands among the runs as an empty one.
        """
        insole = self._insoles[k]
        runs: list[PacketRun] = []
        for item in insole.decoder.feed(arrival_ns, lengths, payload):
            if isinstance(item, PacketRun):
                runs.append(item)
            else:
                self._line.out.facts.append(item)
                if item.kind is _RESTART:
                    runs.append(restarted(item))
        insole.last_ns = int(arrival_ns[-1])
        return runs

    def _push_runs(self, k: int, runs: list[PacketRun]) -> None:
        for group in alike(runs):
            self._push_run(self._insoles[k], joined(group))

    def _push_run(self, insole: _Insole, run: PacketRun) -> None:
        if len(run) == 0:
            insole.clock.restart()
            return
        if insole.boot is not None:
            if insole.heard_boot is not None and insole.heard_boot != insole.boot:
                insole.boots_unheard += boots_between(insole.heard_boot, insole.boot)
            insole.heard_boot = insole.boot
        t_s = insole.clock.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)
        self._push_frames(insole, run, t_s)

    def _push_late(self, number: int, data: bytes, arrival_ns: int) -> None:
        """Take what came late in its own place, with its times."""
        insole = self._insoles[number]
        first_s, step_s, packet = read_late(data)
        frames = len(packet.counts)
        t_s = first_s + step_s * np.arange(frames, dtype=np.float64)
        arrivals = np.array([arrival_ns])
        run = PacketRun(
            *(number, packet.foot, arrivals, arrivals, packet.period_us, frames, packet.counts, 0)
        )
        insole.last_ns = arrival_ns
        insole.late_samples += frames
        begins, ends = float(t_s[0]), float(t_s[-1])
        if insole.late and begins - insole.late[-1][1] < LATE_APART_S:
            begins = insole.late.pop()[0]
        insole.late.append((begins, ends))
        self._push_frames(insole, run, t_s)

    def _push_frames(self, insole: _Insole, run: PacketRun, t_s: FloatArray) -> None:
        shape = shape_of(run)
        is_new, insole.shape = insole.shape != shape, shape
        if not self._is_usable(insole, run):
            insole.ignored += len(run)
            return
        rate_hz = self._line.rate_hz
        if rate_hz is None or (is_new and rate_hz != 1e6 / run.period_us):
            self._begin_line(1e6 / run.period_us)
        if insole.calibrator is None or is_new:
            self._calibrate(insole, run)
        assert insole.calibrator and insole.monitor
        if self._line.is_prompted:
            full = run.counts >= insole.calibrator.calibration.full_scale
            if full.any():
                self._line.note_full_scale(run.foot, t_s, full)
        pressure = insole.calibrator.block(t_s, run.counts)
        at = 0
        for to, stuck in insole.monitor.push(pressure.pressure):
            self._push_pressure(insole, pressure, at, to)
            insole.reducer = LoadReducer(self._layout, insole.calibrator.calibration.gain, stuck)
            at = to
        self._push_pressure(insole, pressure, at, len(t_s))

    def _push_pressure(self, insole: _Insole, block: PressureBlock, start: int, stop: int) -> None:
        if start == stop:
            return
        assert insole.reducer and insole.foot
        if stop - start < len(block.t_s) or insole.foot is not block.foot:
            rows = slice(start, stop)
            block = PressureBlock(insole.foot, block.t_s[rows], block.pressure[rows])
        if self._tap is not None and insole.calibrator is not None:
            self._tap(block, insole.calibrator.calibration.gain)
        self._line.push(insole.reducer.reduce(block))

    def _is_usable(self, insole: _Insole, run: PacketRun) -> bool:
        """Give an insole its run's foot; False where the run cannot be used."""
        if run.zones != self._layout.n_zones or run.period_us > LONGEST_PERIOD_US:
            return False
        if insole.foot is run.foot:
            return True
        others = [i.foot for i in self._insoles.values() if i is not insole]
        if run.foot in others:
            if run.foot.other not in others:
                self._line.away(run.foot.other)
            return False
        insole.foot = run.foot
        insole.calibrator = None
        self._line.back(run.foot)
        return True

    def _calibrate(self, insole: _Insole, run: PacketRun) -> None:
        """Set up the way from an insole's counts to loads."""
        calibration = self._calibrations.get(run.insole)
        if calibration is None or calibration.n_zones != self._layout.n_zones:
            calibration = default_calibration(self._layout, run.foot)
        insole.calibrator = Calibrator(calibration)
        insole.monitor = ZoneMonitor(self._layout, 1e6 / run.period_us)
        insole.reducer = LoadReducer(self._layout, calibration.gain)

    def _begin_line(self, rate_hz: float) -> None:
        settings = self.settings
        self._line.begin(
            setup_for(self._layout, rate_hz, settings.body_weight_n, settings.lead, settings.limits)
        )
        for insole in self._insoles.values():
            if insole.away:
                self._tell_away(insole)


def _trial(data: bytes) -> TrialName | None:
    """Return which trial begins; None where another version wrote what is not understood."""
    try:
        return TrialName.from_json(data)
    except RecordError:
        return None
