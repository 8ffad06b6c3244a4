"""A session's steps, swings, stands, sets and drills (CSV, Parquet), its raw frames (zone CSV).

Reads a `Store` and writes files that other programs open. Both formats hold the same flat columns:
a nested value's name is that of its parts joined by ``_`` (``push_transfer_s``, ``left_load_n``),
units are at the end of a name, absent values are empty (null). The CoP's path of a stance stands in
a column for each point (``cop_y_at_5_pct``); the path of a push, of another length for each swing,
is left out: it is in the raw frames. Files appear whole and all together, or not at all.
"""

import os
import shutil
import tempfile
import types
import typing
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from functools import reduce
from itertools import islice
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pa_parquet

from plantigrade.events import Stand, Step, Swing
from plantigrade_gateway.analysis.serialise import EventRow
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.report.exportdrills import drill_tables
from plantigrade_gateway.report.exportsets import set_table
from plantigrade_gateway.store.store import Store

FRAMES = "frames.csv"
"""Name of the raw frames' file."""

TABLES: dict[str, tuple[str, type]] = {
    "steps": ("step", Step),
    "swings": ("swing", Swing),
    "stands": ("stand", Stand),
}
"""Name of each table's files, and the kind and class of the events in it."""

SETS = "sets"
"""Name of the table of sets (`exportsets`)."""

DRILLS = ("drills", "repetitions")
"""Names of the tables of drills (`exportdrills`)."""

_POINTS_PCT = {"cop_y": range(5, 100, 5)}  # where in the stance `Step.cop_y` is read, %
_LEFT_OUT = {
    ("push", "path_t_s"),
    ("push", "path_y"),
    ("midfoot", "impulse_share"),  # of a step: it is `Step.midfoot_impulse_share`
}
_ROWS_PER_WRITE = 2000
_STYLE = pa_csv.WriteOptions(quoting_style="needed")


@dataclass(frozen=True, slots=True)
class Column:
    """One flat column.

    Attributes
    ----------
    name : str
    type : pyarrow.DataType
    path : tuple of str or int
        Where its value lies in an event's body.
    """

    name: str
    type: pa.DataType
    path: tuple[str | int, ...]


def columns(cls: type) -> list[Column]:
    """Return the flat columns of an event class, in the order of its fields."""
    return list(_columns(cls, "", ()))


def file_names(*, with_frames: bool) -> list[str]:
    """Return the names of the files that an export writes."""
    names = [f"{table}.{form}" for table in (*TABLES, SETS, *DRILLS) for form in ("csv", "parquet")]
    return names + ([FRAMES] if with_frames else [])


def export(
    store: Store,
    session_id: str,
    folder: Path,
    *,
    write_frames: Callable[[Path], None] | None = None,
    replace: bool = False,
) -> list[Path]:
    """Write a session's tables, and its raw frames when told how, into a folder.

    Parameters
    ----------
    store : Store
    session_id : str
    folder : Path
        Made if it is missing.
    write_frames : callable, optional
        Writes the raw frames as zone CSV to the path it is given (`zonecsv.write_zone_csv` on what
        the decoder makes of the record).
    replace : bool
        Whether files that are there already are replaced.

    Returns
    -------
    list of Path
        The files, in a fixed order; a kind without events gives files without rows.

    Raises
    ------
    StoreError
        No such session, a file is there already, the folder cannot be written, or an event was
        made by another version. Nothing is left in the folder then.
    """
    store.session(session_id)
    names = file_names(with_frames=write_frames is not None)
    try:
        if folder.exists() and not folder.is_dir():
            raise StoreError(f"export to {folder}: is a file, expected a folder")
        there = [name for name in names if (folder / name).exists()]
        if there and not replace:
            raise StoreError(
                f"export to {folder}: {', '.join(there)} is there already; "
                "choose another folder or allow replacing"
            )
        with _staged(folder, names) as staging:
            for table, (kind, cls) in TABLES.items():
                _write_table(store, session_id, kind, columns(cls), staging / table)
            flat = {SETS: set_table(store, session_id), **drill_tables(store, session_id)}
            for table, made in flat.items():
                pa_csv.write_csv(made, staging / f"{table}.csv", write_options=_STYLE)
                pa_parquet.write_table(made, staging / f"{table}.parquet")
            if write_frames is not None:
                write_frames(staging / FRAMES)
    except OSError as error:
        raise StoreError(
            f"export to {folder}: cannot be written ({error.strerror or error}), nothing was kept"
        ) from error
    return [folder / name for name in names]


def _columns(annotation: object, name: str, path: tuple[str | int, ...]) -> Iterator[Column]:
    if typing.get_origin(annotation) is types.UnionType:
        annotation = next(a for a in typing.get_args(annotation) if a is not types.NoneType)
    if typing.get_origin(annotation) is tuple:
        for k, pct in enumerate(_POINTS_PCT[str(path[-1])]):
            yield Column(f"{name}_at_{pct}_pct", pa.float64(), (*path, k))
    elif is_dataclass(annotation) and isinstance(annotation, type):
        hints = typing.get_type_hints(annotation)
        for field in fields(annotation):
            inner = (*path, field.name)
            if inner not in _LEFT_OUT:
                yield from _columns(hints[field.name], "_".join(map(str, inner)), inner)
    else:
        plain = {bool: pa.bool_(), int: pa.int64(), float: pa.float64()}
        yield Column(name, plain.get(typing.cast(type, annotation), pa.string()), path)


@contextmanager
def _staged(folder: Path, names: Iterable[str]) -> Iterator[Path]:
    """Give a folder to write in; at the end its files come to lie in `folder` together."""
    new = not folder.exists()
    parent = folder.parent if new else folder
    parent.mkdir(parents=True, exist_ok=True)
    staging = Path(tempfile.mkdtemp(prefix=".export-", dir=parent))
    try:
        yield staging
        if new:
            staging.rename(folder)  # it stays open to its owner only: it is data on a person
        else:
            for name in names:
                os.replace(staging / name, folder / name)
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _write_table(store: Store, session_id: str, kind: str, table: list[Column], stem: Path) -> None:
    """Write one kind of events to ``<stem>.csv`` and ``<stem>.parquet``, some at a time."""
    schema = pa.schema(
        [("session_id", pa.string()), ("event_id", pa.string())]
        + [(column.name, column.type) for column in table]
    )
    rows = iter(store.events(session_id, kind))
    with (
        pa_csv.CSVWriter(stem.with_suffix(".csv"), schema, write_options=_STYLE) as as_csv,
        pa_parquet.ParquetWriter(stem.with_suffix(".parquet"), schema) as as_parquet,
    ):
        while some := list(islice(rows, _ROWS_PER_WRITE)):
            batch = pa.RecordBatch.from_arrays(
                [
                    pa.array([session_id] * len(some), pa.string()),
                    pa.array([row.event_id for row in some], pa.string()),
                    *(pa.array([_value(row, c) for row in some], c.type) for c in table),
                ],
                schema=schema,
            )
            as_csv.write_batch(batch)
            as_parquet.write_batch(batch)


def _value(row: EventRow, column: Column) -> object:
    try:
        return reduce(lambda part, key: part[key], column.path, typing.cast(typing.Any, row.body))
    except (KeyError, IndexError, TypeError) as error:
        raise StoreError(
            f"event {row.event_id}: has no {column.name}, it was made by another version; "
            "run plantigrade reanalyse"
        ) from error
