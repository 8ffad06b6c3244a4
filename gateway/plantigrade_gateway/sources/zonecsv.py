"""Zone CSV files, read in blocks of bounded memory and written.

A first pass gives what a whole file is like (rate, dead zones, irregular times), the next ones its
rows. Which column is what, and where exactly a bad cell is, `zonecolumns.py` says.
"""

import os
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pc
from numpy.typing import NDArray

from plantigrade.zones import ZoneLayout
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import PIPE, is_pipe
from plantigrade_gateway.record.entries import ZoneFacts, ZoneRows
from plantigrade_gateway.sources.zonecolumns import (
    LATEST_S,
    Columns,
    count,
    find_columns,
    find_fault,
)

FloatArray = NDArray[np.float64]

SLOWEST_HZ, FASTEST_HZ = 20.0, 1000.0
"""Sample rates the detectors take (`plantigrade.limits`)."""

_STEP_S, _LONG_S = 1e-5, 1e3  # time steps are told apart to 10 µs, up to 1000 s


class Tally:
    """What is learnt of a file while its blocks pass by, in memory that does not grow with it."""

    def __init__(self, n_zones: int) -> None:
        self._rows = 0
        self._there = np.zeros((2, n_zones), dtype=np.int64)
        self._last_s: FloatArray = np.empty(0)
        self._longest_s = 0.0
        self._steps: dict[int, tuple[int, float]] = {}  # by length in STEP_S: count, sum in s

    def add(self, piece: ZoneRows) -> ZoneRows:
        """Take the next rows in; give them back as they are."""
        self._rows += len(piece.t_s)
        for k, foot in enumerate((piece.left, piece.right)):
            self._there[k] += (~np.isnan(foot)).sum(axis=0)
        steps = np.diff(np.concatenate([self._last_s, piece.t_s]))
        self._last_s = piece.t_s[-1:].copy()
        if len(steps):
            self._longest_s = max(self._longest_s, float(steps.max()))
            bins = np.rint(np.minimum(steps, _LONG_S) / _STEP_S).astype(np.int64)
            keys, where = np.unique(bins, return_inverse=True)
            counts, sums = np.bincount(where), np.bincount(where, weights=steps)
            for key, count, total in zip(keys.tolist(), counts.tolist(), sums, strict=True):
                before = self._steps.get(key, (0, 0.0))
                self._steps[key] = (before[0] + count, before[1] + float(total))
        return piece

    def facts(self, source: str, columns: Columns) -> ZoneFacts:
        """Return what the rows were like.

        Raises
        ------
        InputError
            Fewer than two rows, or times that are no sample rate.
        """
        if self._rows < 2:
            raise InputError(
                f"{source}: {count(self._rows, 'row')} of readings, expected 2 or more"
            )
        rate_hz, odd = self._rate(source)
        notes = [*columns.notes]
        if odd:
            notes.append(
                f"times are irregular: {odd} of {self._rows - 1} steps differ from the usual "
                f"{1 / rate_hz:.4g} s by more than a quarter, the longest is "
                f"{self._longest_s:.6g} s"
            )
        dead: list[tuple[int, ...]] = [(), ()]
        for k, side in enumerate(("left", "right")):
            ids = tuple((np.flatnonzero(self._there[k] == 0) + 1).tolist())
            if len(ids) == self._there.shape[1]:  # not worn: as 0 it would halve the body weight
                notes.append(
                    f"no reading of the {side} foot: nothing is found that needs both feet, as "
                    "steps, swings and stands do"
                )
            elif ids:
                dead[k] = ids
                shown = ", ".join(map(str, ids))
                notes.append(f"{side} zones without a single reading, taken as 0: {shown}")
        missing = int((self._rows - self._there[self._there > 0]).sum())
        if missing:
            notes.append(f"{missing} of {self._rows * self._there.size} cells are empty")
        return ZoneFacts(self._rows, rate_hz, tuple(notes), dead[0], dead[1])

    def _rate(self, source: str) -> tuple[float, int]:
        """Return the rate, and how many steps are not of its length."""
        keys = np.array(sorted(self._steps))
        counts = np.array([self._steps[key][0] for key in keys.tolist()])
        sums = np.array([self._steps[key][1] for key in keys.tolist()])
        middle = keys[np.searchsorted(np.cumsum(counts), counts.sum() / 2)]
        usual = np.abs(keys - middle) <= middle / 2
        step_s = float(sums[usual].sum() / counts[usual].sum())
        rate_hz = float(f"{1.0 / step_s:.6g}") if step_s > 0 else np.inf
        if not SLOWEST_HZ <= rate_hz <= FASTEST_HZ:
            raise InputError(
                f"{source}: times step by {step_s:.6g}, expected seconds at {SLOWEST_HZ:g} to "
                f"{FASTEST_HZ:g} samples per second"
            )
        return rate_hz, int(counts[np.abs(keys * _STEP_S - step_s) > step_s / 4].sum())


_BLOCK_BYTES = 1 << 20  # the parser reads some forty of these ahead
_HEAD_BYTES = 1 << 16


@dataclass(frozen=True, slots=True, eq=False)
class ZoneRecording(ZoneRows):
    """A whole zone CSV: its rows, and as `ZoneFacts` its rate, notes and dead zones."""

    rate_hz: float
    notes: tuple[str, ...]
    dead_left: tuple[int, ...]
    dead_right: tuple[int, ...]


def read_zone_csv(path: str | Path, layout: ZoneLayout) -> ZoneRecording:
    """Read a zone CSV into memory.

    Parameters
    ----------
    path : str or Path
        UTF-8 text, comma-separated, with or without byte-order mark, any line ends.
    layout : ZoneLayout

    Returns
    -------
    ZoneRecording

    Raises
    ------
    InputError
        One sentence naming the file, the line and column, and what was expected.
    """
    path = Path(path)
    columns, skip = _open(path, layout)
    tally = Tally(layout.n_zones)
    pieces = [tally.add(piece) for piece in _pieces(path, columns, skip)]
    facts = tally.facts(str(path), columns)
    whole = _join(pieces)
    _raise_the_dead(whole, facts)
    return ZoneRecording(
        whole.t_s,
        whole.left,
        whole.right,
        facts.rate_hz,
        facts.notes,
        facts.dead_left,
        facts.dead_right,
    )


def scan_zone_csv(path: str | Path, layout: ZoneLayout) -> ZoneFacts:
    """Check a zone CSV from end to end without keeping its readings.

    Parameters, errors: as `read_zone_csv`.
    """
    path = Path(path)
    columns, skip = _open(path, layout)
    tally = Tally(layout.n_zones)
    for piece in _pieces(path, columns, skip):
        tally.add(piece)
    return tally.facts(str(path), columns)


def iter_zone_csv(
    path: str | Path, layout: ZoneLayout, rows: int = 65536, facts: ZoneFacts | None = None
) -> Iterator[ZoneRows]:
    """Read a zone CSV of any length in pieces.

    Parameters
    ----------
    path, layout
        As `read_zone_csv`.
    rows : int
        Rows in each piece but the last.
    facts : ZoneFacts or None
        Of `scan_zone_csv`; scanned first where None, so that a bad file gives no rows at all.

    Yields
    ------
    ZoneRows

    Raises
    ------
    InputError
        As `read_zone_csv`.
    """
    if rows < 1:
        raise InputError(f"pieces of {rows} rows, expected 1 or more")
    path = Path(path)
    facts = facts or scan_zone_csv(path, layout)
    columns, skip = _open(path, layout)
    waiting: list[ZoneRows] = []
    held = 0
    for piece in _pieces(path, columns, skip):
        _raise_the_dead(piece, facts)
        waiting.append(piece)
        held += len(piece.t_s)
        if held < rows:
            continue
        joined = _join(waiting)
        whole = held - held % rows
        for start in range(0, whole, rows):
            yield _cut(joined, start, start + rows)
        waiting, held = [_cut(joined, whole, held)], held - whole
    if held:
        yield _join(waiting)


def write_zone_csv(path: str | Path, layout: ZoneLayout, blocks: Iterable[ZoneRows]) -> None:
    """Write a zone CSV; the file appears whole or not at all.

    Parameters
    ----------
    path : str or Path
        Replaced where it exists.
    layout : ZoneLayout
    blocks : iterable of ZoneRows
        Consecutive rows; every digit is kept, NaN becomes an empty cell.

    Raises
    ------
    InputError
        The folder cannot be written, or rows do not fit the layout or hold infinite values.
    """
    path = Path(path)
    names = ["time_s", *(f"{side}{k + 1}" for side in "LR" for k in range(layout.n_zones))]
    schema = pa.schema([(name, pa.float64()) for name in names])
    style = pc.WriteOptions(include_header=False, quoting_style="none")
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            file.write((",".join(names) + "\n").encode())
            with pc.CSVWriter(file, schema, write_options=style) as writer:
                for block in blocks:
                    writer.write_batch(_batch(path, block, layout.n_zones, schema))
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _batch(path: Path, block: ZoneRows, n_zones: int, schema: pa.Schema) -> pa.RecordBatch:
    if not block.left.shape == block.right.shape == (len(block.t_s), n_zones):
        raise InputError(
            f"{path}: rows of {block.left.shape} and {block.right.shape} for {len(block.t_s)} "
            f"times, expected {n_zones} zones of each foot"
        )
    table = np.column_stack([block.t_s, block.left, block.right])
    if np.isinf(table).any() or np.isnan(block.t_s).any():
        raise InputError(f"{path}: a reading is infinite or a time missing, nothing written")
    arrays = [pa.array(column, mask=np.isnan(column)) for column in np.asfortranarray(table).T]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _open(path: Path, layout: ZoneLayout) -> tuple[Columns, int]:
    """Read the first line; return its columns and how many lines come before the rows."""
    if is_pipe(path):
        raise InputError(PIPE.format(path))
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    if b"\0" in head:
        raise InputError(f"{path}: not UTF-8 text, expected a zone CSV")
    lines = re.split("\r\n|\n|\r", head.decode("utf-8-sig", errors="replace"))
    for number, line in enumerate(lines):
        if line:
            columns = find_columns(str(path), line, layout)
            return columns, number + columns.has_header
    raise InputError(f"{path}: empty, expected a header and rows of readings")


def _pieces(path: Path, columns: Columns, skip: int) -> Iterator[ZoneRows]:
    """Yield the file's rows in blocks as they are parsed, each checked."""
    names = [str(k) for k in range(columns.width)]
    used = [names[k] for k in columns.used]
    done, last_s = 0, -np.inf
    if next(_lines(path, skip, 0), None) is None:
        return
    try:
        reader = pc.open_csv(
            path,
            read_options=pc.ReadOptions(
                column_names=names, skip_rows=skip, block_size=_BLOCK_BYTES
            ),
            convert_options=pc.ConvertOptions(
                column_types={name: pa.float64() for name in used},
                include_columns=used,
                null_values=[""],
            ),
        )
        for batch in reader:
            if batch.num_rows:
                piece = _checked(batch, columns, last_s)
                if piece is None:
                    raise pa.ArrowInvalid("a reading is out of range")
                done, last_s = done + len(piece.t_s), piece.t_s[-1]
                yield piece
    except pa.ArrowInvalid as error:
        before_s = float(last_s) if done else None
        fault = find_fault(_lines(path, skip, done), columns, before_s)
        raise InputError(f"{path}: {fault or ' '.join(str(error).split())}") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error


def _checked(batch: pa.RecordBatch, columns: Columns, last_s: float) -> ZoneRows | None:
    """Return a parsed block's rows, or None where a value in it is not acceptable."""
    t_s = batch.column(0).to_numpy(zero_copy_only=False)
    if not ((np.abs(t_s) <= LATEST_S).all() and t_s[0] > last_s and (np.diff(t_s) > 0).all()):
        return None
    feet = np.full((2, len(t_s), columns.n_zones), np.nan)  # a foot without columns stays so
    for k, name in enumerate(columns.names[1:]):
        column = batch.column(k + 1)
        values = column.to_numpy(zero_copy_only=False)
        within = (values >= columns.lowest[k]) & (values <= columns.highest[k])
        if int(within.sum()) + column.null_count != len(values):
            return None
        feet["LR".index(name[0]), :, int(name[1:]) - 1] = values
    return ZoneRows(np.array(t_s), feet[0], feet[1])


def _lines(path: Path, skip: int, done: int) -> Iterator[tuple[int, str]]:
    """Yield (number, text) of the lines that are not blank, after `done` rows."""
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        for number, line in enumerate(file, 1):
            text = line.rstrip("\n")
            if number <= skip or not text:
                continue
            if done:
                done -= 1
            else:
                yield number, text


def _raise_the_dead(rows: ZoneRows, facts: ZoneFacts) -> None:
    for foot, dead in ((rows.left, facts.dead_left), (rows.right, facts.dead_right)):
        foot[:, [zone - 1 for zone in dead]] = 0.0


def _join(pieces: list[ZoneRows]) -> ZoneRows:
    if len(pieces) == 1:
        return pieces[0]
    return ZoneRows(
        np.concatenate([p.t_s for p in pieces]),
        np.concatenate([p.left for p in pieces]),
        np.concatenate([p.right for p in pieces]),
    )


def _cut(rows: ZoneRows, start: int, stop: int) -> ZoneRows:
    return ZoneRows(rows.t_s[start:stop], rows.left[start:stop], rows.right[start:stop])
