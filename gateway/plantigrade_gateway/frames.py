"""A record's raw frames as zone CSV: both feet's zones on the session's time line.

Each insole samples at instants of its own. A zone CSV has one time for both, so the zones are put
on the paired time line as the analysis puts loads there: on a straight line between two samples,
and empty cells where samples are missing for longer than the bridged length. Readings are
calibrated, each foot's gain is multiplied in, and no baseline is taken off.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration, Calibrator, default_calibration
from plantigrade.clock import ClockModel
from plantigrade.limits import Limits
from plantigrade_gateway.decoder import Decoder
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.pipeline import Pipeline
from plantigrade_gateway.record import Batch, Kind
from plantigrade_gateway.settings import SessionSettings
from plantigrade_gateway.stream import FactKind, Run
from plantigrade_gateway.zonecsv import ZoneRows, write_zone_csv


def write_frames(path: Path, batches: Iterable[Batch]) -> None:
    """Write a record's frames as zone CSV in its own layout; the file appears whole or not at all.

    Parameters
    ----------
    path : Path
    batches : iterable of Batch
        The whole record in order.

    Raises
    ------
    StoreError
        The layout changes within the record.
    InputError
        The file cannot be written.
    """
    frames = frame_rows(batches)
    first = next(frames, None)
    layout = SessionSettings().zone_layout() if first is None else first[0].zone_layout()

    def rows() -> Iterator[ZoneRows]:
        if first is not None:
            yield first[1]
        for settings, block in frames:
            if settings.layout != first_layout:
                raise StoreError("the zone layout changes within the session: no one zone CSV")
            yield block

    first_layout = "" if first is None else first[0].layout
    write_zone_csv(path, layout, rows())


def frame_rows(batches: Iterable[Batch]) -> Iterator[tuple[SessionSettings, ZoneRows]]:
    """Give a record's frames on the paired time line, with the settings in force."""
    pipeline = Pipeline()  # for the times of its rows
    reader: _Reader | None = None
    last_s = -np.inf
    for batch in batches:
        if reader is None and len(batch):
            reader = _Reader(int(batch.arrival_ns[0]))
        if reader is None:
            continue
        reader.push(batch)
        for block in pipeline.push(batch).rows:
            times = block.t_s[block.t_s > last_s]  # a new time line may begin within the old one
            if len(times):
                last_s = float(times[-1])
                yield reader.settings, reader.rows(times)
    for block in pipeline.flush().rows:
        times = block.t_s[block.t_s > last_s]
        if len(times) and reader is not None:
            yield reader.settings, reader.rows(times)


@dataclass(slots=True)
class _Insole:
    decoder: Decoder
    clock: ClockModel
    foot: Foot | None = None
    calibrator: Calibrator | None = None


class _Side:
    """One foot's frames that rows may still be made from."""

    def __init__(self) -> None:
        self._t_s: list[FloatArray] = []
        self._pressure: list[FloatArray] = []

    def push(self, t_s: FloatArray, pressure: FloatArray) -> None:
        self._t_s.append(t_s)
        self._pressure.append(pressure)

    def at(self, times: FloatArray, n_zones: int, bridge_s: float) -> FloatArray:
        """Return the readings at rising times, shape (n, n_zones); NaN in gaps."""
        out = np.full((len(times), n_zones), np.nan)
        fits = [k for k, p in enumerate(self._pressure) if p.shape[1] == n_zones]
        if not fits:
            return out
        t_s = np.concatenate([self._t_s[k] for k in fits])
        pressure = np.concatenate([self._pressure[k] for k in fits])
        if len(t_s) > 1:
            before = np.clip(np.searchsorted(t_s, times, side="right") - 1, 0, len(t_s) - 2)
            span_s = t_s[before + 1] - t_s[before]
            usual_s = float(np.median(np.diff(t_s)))
            weight = (times - t_s[before]) / span_s
            inside = (weight > -1e-6) & (weight < 1 + 1e-6)
            good = inside & (span_s <= bridge_s + 1.02 * usual_s)
            low, high = pressure[before], pressure[before + 1]
            out[good] = (low + weight[:, None] * (high - low))[good]
        keep = max(int(np.searchsorted(t_s, times[-1], side="right")) - 2, 0)
        self._t_s, self._pressure = [t_s[keep:]], [pressure[keep:]]
        return out


class _Reader:
    """Reads frames out of a record as `pipeline.Pipeline` does, zone by zone."""

    def __init__(self, origin_ns: int) -> None:
        self.settings = SessionSettings()
        self._layout = self.settings.zone_layout()
        self._insoles = {k: _Insole(Decoder(k), ClockModel(origin_ns)) for k in (0, 1)}
        self._calibrations: dict[int, Calibration] = {}
        self._sides = {foot: _Side() for foot in Foot}

    def push(self, batch: Batch) -> None:
        """Take consecutive entries."""
        others = np.flatnonzero(batch.kind != Kind.NOTIFICATION).tolist()
        at = 0
        for other in [*others, len(batch)]:
            if other > at:
                self._notifications(batch.slice(at, other))
            if other < len(batch):
                (entry,) = batch.slice(other, other + 1)
                self._entry(entry.insole, entry.kind, entry.data)
            at = other + 1

    def rows(self, times: FloatArray) -> ZoneRows:
        """Return both feet's readings at rising times."""
        n_zones, bridge_s = self._layout.n_zones, Limits().bridge_s
        left, right = (self._sides[foot].at(times, n_zones, bridge_s) for foot in Foot)
        return ZoneRows(times, left, right)

    def _entry(self, insole: int, kind: Kind, data: bytes) -> None:
        if kind is Kind.SETTINGS:
            self.settings = SessionSettings.from_json(data)
            self._layout = self.settings.zone_layout()
            for other in self._insoles.values():
                other.foot = other.calibrator = None
        elif kind is Kind.CALIBRATION and insole in self._insoles:
            self._calibrations[insole] = Calibration.from_json(data.decode())
            self._insoles[insole].calibrator = None

    def _notifications(self, batch: Batch) -> None:
        for k, insole in self._insoles.items():
            mine = batch.insole == k
            if not mine.any():
                continue
            raw = np.frombuffer(batch.payload, dtype=np.uint8)
            payload = raw[np.repeat(mine, batch.length)].tobytes()
            for item in insole.decoder.feed(batch.arrival_ns[mine], batch.length[mine], payload):
                if isinstance(item, Run):
                    self._run(insole, item)
                elif item.kind is FactKind.RESTART:
                    insole.clock.restart()

    def _run(self, insole: _Insole, run: Run) -> None:
        t_s = insole.clock.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)
        if run.zones != self._layout.n_zones:
            return
        if insole.foot is not run.foot:
            if any(i.foot is run.foot for i in self._insoles.values() if i is not insole):
                return
            insole.foot, insole.calibrator = run.foot, None
        if insole.calibrator is None:
            given = self._calibrations.get(run.insole)
            if given is None or given.n_zones != self._layout.n_zones:
                given = default_calibration(self._layout, run.foot)
            insole.calibrator = Calibrator(given)
        block = insole.calibrator.block(t_s, run.counts)
        gain = insole.calibrator.calibration.gain
        self._sides[run.foot].push(t_s, block.pressure * gain)
