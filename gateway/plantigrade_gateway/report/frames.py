"""A record's raw frames as zone CSV: both feet's zones on the session's time line.

Each insole samples at instants of its own. A zone CSV has one time for both, so the zones are put
on the paired time line as the analysis puts loads there: on a straight line between two samples,
and empty cells where samples are missing for longer than the bridged length. Readings are
as the insole's calibration makes them (the usual one where it has none), each foot's gain is
multiplied in, and no baseline is taken off.
"""

from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np

from plantigrade.block import FloatArray, Foot, PairBlock, PressureBlock
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import Batch, Kind, ZoneRows
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sources.zonecsv import write_zone_csv


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
    layout, rows = frames_of(batches)
    write_zone_csv(path, layout, rows)


def frames_of(batches: Iterable[Batch]) -> tuple[ZoneLayout, Iterator[ZoneRows]]:
    """Return a whole record's layout, and its frames as they are read.

    Raises
    ------
    StoreError
        While reading: the layout changes within the record.
    """
    frames = frame_rows(batches)
    first = next(frames, None)
    if first is None:
        return SessionSettings().zone_layout(), iter(())
    settings, rows = first

    def all_rows() -> Iterator[ZoneRows]:
        yield rows
        for later, block in frames:
            if later.layout != settings.layout:
                raise StoreError("the zone layout changes within the session: no one zone CSV")
            yield block

    return settings.zone_layout(), all_rows()


def frame_rows(batches: Iterable[Batch]) -> Iterator[tuple[SessionSettings, ZoneRows]]:
    """Give a record's frames on the paired time line, with the settings in force."""
    reader = FrameReader()
    last_s = -np.inf

    def taken(output: Output) -> Iterator[tuple[SessionSettings, ZoneRows]]:
        nonlocal last_s
        for block in output.rows:
            times = block.t_s[block.t_s > last_s]  # a new time line may begin within the old one
            if len(times):
                last_s = float(times[-1])
                yield reader.settings, reader.zones(times)

    for batch in batches:
        yield from taken(reader.push(batch))
    yield from taken(reader.flush())


def net_rows(
    batches: Iterable[Batch],
) -> Iterator[tuple[SessionSettings, PairBlock, ZoneRows, int]]:
    """Give a record's rows net of the baseline and their zones, the settings, entries so far."""
    reader, last_s, entries = FrameReader(), -np.inf, 0

    def new(blocks: list[PairBlock]) -> Iterator[tuple[PairBlock, ZoneRows]]:
        nonlocal last_s
        for block in blocks:
            # a new time line may begin within the old one
            later = int(np.searchsorted(block.t_s, last_s, side="right"))
            block = block.slice(later, len(block))
            if len(block):
                last_s = float(block.t_s[-1])
                yield block, reader.zones(block.t_s)

    for batch in batches:
        for piece in _cut_at_settings(batch):
            settings = reader.settings  # rows that new settings end are still of the old ones
            output = reader.push(piece)
            if not (len(piece) == 1 and piece.kind[0] == Kind.SETTINGS):
                settings = reader.settings
            entries += len(piece)
            for net, zones in new(output.net):
                yield settings, net, zones, entries
    for net, zones in new(reader.flush().net):
        yield reader.settings, net, zones, entries


def _cut_at_settings(batch: Batch) -> Iterator[Batch]:
    """Cut a batch so that each change of settings stands alone."""
    places = np.flatnonzero(batch.kind == Kind.SETTINGS).tolist()
    edges = sorted({0, len(batch), *places, *(place + 1 for place in places)})
    for start, stop in pairwise(edges):
        yield batch if stop - start == len(batch) else batch.slice(start, stop)


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


class FrameReader:
    """The pipeline, and what each foot's zones read on their way through it."""

    def __init__(self) -> None:
        self._pipeline = Pipeline(self._keep)
        self._sides = {foot: _Side() for foot in Foot}

    @property
    def settings(self) -> SessionSettings:
        """The settings in force."""
        return self._pipeline.settings

    def push(self, batch: Batch) -> Output:
        """Take consecutive entries."""
        return self._pipeline.push(batch)

    def flush(self) -> Output:
        """End the record."""
        return self._pipeline.flush()

    def zones(self, times: FloatArray) -> ZoneRows:
        """Return both feet's readings at rising times, later than those asked for before."""
        settings = self.settings
        n_zones, bridge_s = settings.zone_layout().n_zones, settings.limits.bridge_s
        left, right = (self._sides[foot].at(times, n_zones, bridge_s) for foot in Foot)
        return ZoneRows(times, left, right)

    def _keep(self, block: PressureBlock, gain: float) -> None:
        self._sides[block.foot].push(block.t_s, block.pressure * gain)
