"""Write a stored session's events, sets and drills as flat tables: CSV and Parquet.

Takes an open store, gives files in a folder, all of them or none; computes no measure of its own.
"""

import dataclasses
import os
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from functools import reduce
from itertools import islice
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pa_parquet

from plantigrade.events import Stand, Step, Swing
from plantigrade.halves import halves_of_set
from plantigrade.reliability import Proportion
from plantigrade.stat import Stat
from plantigrade.summary import SwingSet, summarise_swings
from plantigrade_gateway.analysis.eventrow import EventRow
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.visits import read_session
from plantigrade_gateway.report.staging import staging_in
from plantigrade_gateway.store.store import Store

_FIRST = [
    ("session_id", pa.string()),
    ("set", pa.int64()),
    ("name", pa.string()),
    ("start_s", pa.float64()),
]
_LAST = [
    ("set_id", pa.string()),
    ("intent", pa.string()),
    ("club", pa.string()),
    ("is_silent", pa.bool_()),
    ("is_withdrawn", pa.bool_()),
]


def set_table(store: Store, session_id: str) -> pa.Table:
    """Return a session's sets, of the swings that are not left out.

    A measure gives three columns (``_count``, ``_mean``, ``_sd``), a class its count and its 95 %
    Wilson interval (``_count``, ``_low``, ``_high``), what is true of those that can be told their
    number too (``_n``), and some measures ``_second_half_less_first`` (``_low``, ``_high``); absent
    values are null.

    Raises
    ------
    StoreError
        No such session, or its results were made by another version.
    """
    found = read_session(store, session_id)
    drifts = [(name, pa.float64()) for name in _drifts(())]
    flat = [(name, kind) for name, kind, _ in _flat(summarise_swings(()))]
    schema = pa.schema([*_FIRST, *flat, *drifts, *_LAST])
    rows = [
        {
            "session_id": session_id,
            "set": number,
            "name": run.name,
            "start_s": run.start_s,
            **{name: value for name, _, value in _flat(summarise_swings(run.swings))},
            **_drifts(run.swings),
            "set_id": run.set_id or None,
            "intent": run.intent or None,
            "club": run.club or None,
            "is_silent": run.is_silent,
            "is_withdrawn": run.is_withdrawn,
        }
        for number, run in enumerate(found.sets, 1)
    ]
    return pa.Table.from_pylist(rows, schema=schema)


def _flat(summary: SwingSet) -> Iterator[tuple[str, pa.DataType, int | float | None]]:
    """Give each column's name, type and value."""
    for field in dataclasses.fields(summary):
        value = getattr(summary, field.name)
        if isinstance(value, Mapping):
            for key, share in value.items():
                yield from _part(f"{field.name}_{key}", share)
        elif isinstance(value, Stat):
            yield from _part(field.name, value)
        elif isinstance(value, Proportion):
            yield f"{field.name}_n", pa.int64(), value.n  # of those that can be told, not of all
            yield from _part(field.name, value)
        else:
            yield field.name, pa.int64() if isinstance(value, int) else pa.float64(), value


def _drifts(swings: Sequence[Swing]) -> dict[str, float | None]:
    """Return how much more the second half of a set is, with its 95 % interval, by column."""
    found: dict[str, float | None] = {}
    for name, halves in halves_of_set(swings).items():
        for part, end in (("value", ""), ("low", "_low"), ("high", "_high")):
            found[f"{name}_second_half_less_first{end}"] = getattr(halves.difference, part, None)
    return found


def _part(
    name: str, value: Stat | Proportion
) -> Iterator[tuple[str, pa.DataType, int | float | None]]:
    yield f"{name}_count", pa.int64(), value.count
    for part in ("mean", "sd") if isinstance(value, Stat) else ("low", "high"):
        yield f"{name}_{part}", pa.float64(), getattr(value, part)


_RUN = pa.schema(
    [
        ("session_id", pa.string()),
        ("run", pa.int64()),
        ("name", pa.string()),
        ("title", pa.string()),
        ("judge", pa.string()),
        ("counts", pa.string()),
        ("feedback", pa.string()),
        ("start_s", pa.float64()),
        ("end_s", pa.float64()),
        ("good", pa.int64()),
        ("tried", pa.int64()),
        ("unclear", pa.int64()),
        ("best", pa.int64()),
    ]
)
_REP = pa.schema(
    [
        ("session_id", pa.string()),
        ("run", pa.int64()),
        ("name", pa.string()),
        ("t_s", pa.float64()),
        ("verdict", pa.string()),
        ("words", pa.string()),
    ]
)


def drill_tables(store: Store, session_id: str) -> dict[str, pa.Table]:
    """Return a session's runs of drills and their repetitions, by the name of their files.

    They are without the swings that are left out.

    Raises
    ------
    StoreError
        No such session, or its results were made by another version.
    """
    found = read_session(store, session_id).drills
    runs = [
        {"session_id": session_id, "run": number}
        | {field.name: getattr(run, field.name) for field in _RUN if hasattr(run, field.name)}
        for number, run in enumerate(found, 1)
    ]
    reps = [
        {
            "session_id": session_id,
            "run": number,
            "name": run.name,
            "t_s": rep.t_s,
            "verdict": str(rep.verdict),
            "words": rep.words,
        }
        for number, run in enumerate(found, 1)
        for rep in run.reps
    ]
    return {
        "drills": pa.Table.from_pylist(runs, schema=_RUN),
        "repetitions": pa.Table.from_pylist(reps, schema=_REP),
    }


FRAMES = "frames.csv"
"""Name of the raw frames' file."""

TABLES: dict[str, tuple[str, type]] = {
    "steps": ("step", Step),
    "swings": ("swing", Swing),
    "stands": ("stand", Stand),
}
"""Name of each table's files, and the kind and class of the events in it."""

SETS = "sets"
"""Name of the table of sets (`set_table`)."""

DRILLS = ("drills", "repetitions")
"""Names of the tables of drills (`drill_tables`)."""

_SWINGS = "swings"
_PLACE = [
    ("number", pa.int64()),
    ("set", pa.int64()),
    ("set_name", pa.string()),
    ("number_in_set", pa.int64()),
    ("excluded", pa.string()),
]
"""Last columns of a swing: what is not of the swing itself, but of the session it is in."""

Place = tuple[int, int | None, str | None, int | None, str | None]
"""A swing's number in the session, its set's number and name, its number there (None in no set),
and why it is left out of all numbers (None: it counts)."""

_POINTS_PCT = {"cop_y": range(5, 100, 5)}  # where in the stance `Step.cop_y` is read, %
_LEFT_OUT = {
    ("push", "path_t_s"),
    ("push", "path_y"),
    ("midfoot", "impulse_share"),  # of a step: it is `Step.midfoot_impulse_share`
}
_ROWS_PER_WRITE = 2000
_STYLE = pa_csv.WriteOptions(quoting_style="needed")
_FORMULA = r"^[=+\-@\t\r]"
"""What a spreadsheet takes for the beginning of a formula (OWASP, CSV Injection)."""


def _for_spreadsheets(table: pa.Table) -> pa.Table:
    """Return a table for a CSV: a text that a spreadsheet would compute gets a ``'`` before it.

    A set's name, a club or a reason may come from another bay, or from whoever could type one.
    """
    for place, field in enumerate(table.schema):
        if pa.types.is_string(field.type):
            column = table.column(place)
            marked = pc.binary_join_element_wise("'", column, "")
            is_one = pc.match_substring_regex(column, _FORMULA)
            table = table.set_column(place, field, pc.if_else(is_one, marked, column))
    return table


@dataclass(frozen=True, slots=True)
class Column:
    """One flat column.

    Attributes
    ----------
    name : str
    type : pyarrow.DataType
    path : tuple of str or int
        Where its value lies in an event's body.
    later : bool
        Events of older versions lack it, and have null.
    """

    name: str
    type: pa.DataType
    path: tuple[str | int, ...]
    later: bool = False


def columns(cls: type) -> list[Column]:
    """Return the flat columns of an event class, in the order of its fields."""
    return list(_columns(cls, "", ()))


def swing_places(store: Store, session_id: str) -> list[Place]:
    """Return where each swing of a session stands, in their order; numbers count from 1.

    A set's number is that of its row in the table of sets.

    Raises
    ------
    StoreError
        No such session, or its results were made by another version.
    """
    found = read_session(store, session_id)
    sets = {
        swing.first_index: (number, run.name, k)
        for number, run in enumerate(found.whole_sets, 1)
        for k, swing in enumerate(run.swings, 1)
    }
    nowhere = (None, None, None)
    reasons = {place: one.reason for place, one in found.excluded.items()}
    return [
        (n, *sets.get(s.first_index, nowhere), reasons.get(n - 1))
        for n, s in enumerate(found.swings, 1)
    ]


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
                f"export to {folder}: {', '.join(there)} "
                f"{'is' if len(there) == 1 else 'are'} there already; "
                "choose another folder, or replace them (--replace)"
            )
        with _staged(folder, names) as staging:
            for table, (kind, cls) in TABLES.items():
                places = swing_places(store, session_id) if table == _SWINGS else None
                _write_table(store, session_id, kind, columns(cls), staging / table, places)
            flat = {SETS: set_table(store, session_id), **drill_tables(store, session_id)}
            for table, whole in flat.items():
                path = staging / f"{table}.csv"
                pa_csv.write_csv(_for_spreadsheets(whole), path, write_options=_STYLE)
                pa_parquet.write_table(whole, staging / f"{table}.parquet")
            if write_frames is not None:
                write_frames(staging / FRAMES)
    except OSError as error:
        raise StoreError(
            f"export to {folder}: cannot be written ({error.strerror or error}), nothing was kept"
        ) from error
    return [folder / name for name in names]


def _columns(
    annotation: object, name: str, path: tuple[str | int, ...], later: bool = False
) -> Iterator[Column]:
    """Give the columns of an annotation; a field with a default came later than its class."""
    if typing.get_origin(annotation) is types.UnionType:
        annotation = next(a for a in typing.get_args(annotation) if a is not types.NoneType)
    if typing.get_origin(annotation) is tuple:
        for k, pct in enumerate(_POINTS_PCT[str(path[-1])]):
            yield Column(f"{name}_at_{pct}_pct", pa.float64(), (*path, k), later)
    elif is_dataclass(annotation) and isinstance(annotation, type):
        hints = typing.get_type_hints(annotation)
        for field in fields(annotation):
            inner = (*path, field.name)
            if inner not in _LEFT_OUT:
                came_later = later or field.default is not dataclasses.MISSING
                yield from _columns(hints[field.name], "_".join(map(str, inner)), inner, came_later)
    else:
        plain = {bool: pa.bool_(), int: pa.int64(), float: pa.float64()}
        yield Column(name, plain.get(typing.cast(type, annotation), pa.string()), path, later)


@contextmanager
def _staged(folder: Path, names: Iterable[str]) -> Iterator[Path]:
    """Give a folder to write in; at the end its files come to lie in `folder` together."""
    new = not folder.exists()
    parent = folder.parent if new else folder
    with staging_in(parent) as staging:
        yield staging
        if new:
            staging.rename(folder)  # it stays open to its owner only: it is data on a person
        else:
            for name in names:
                os.replace(staging / name, folder / name)


def _write_table(
    store: Store,
    session_id: str,
    kind: str,
    table: list[Column],
    stem: Path,
    places: list[Place] | None,
) -> None:
    """Write one kind of events to ``<stem>.csv`` and ``<stem>.parquet``, some at a time."""
    schema = _schema(table, places)
    rows = iter(store.events(session_id, kind))
    done = 0
    with (
        pa_csv.CSVWriter(stem.with_suffix(".csv"), schema, write_options=_STYLE) as as_csv,
        pa_parquet.ParquetWriter(stem.with_suffix(".parquet"), schema) as as_parquet,
    ):
        while some := list(islice(rows, _ROWS_PER_WRITE)):
            theirs = None if places is None else places[done : done + len(some)]
            batch = _batch(session_id, some, table, theirs)
            as_csv.write_table(_for_spreadsheets(pa.Table.from_batches([batch])))
            as_parquet.write_batch(batch)
            done += len(some)


def event_table(
    session_id: str, rows: Iterable[EventRow], cls: type, places: list[Place] | None = None
) -> pa.Table:
    """Return events of one class as a flat table, as `export` writes them.

    Parameters
    ----------
    session_id : str
    rows : iterable of EventRow
    cls : type
    places : list of Place, optional
        Of each swing (`swing_places`); other events have none.

    Raises
    ------
    StoreError
        An event was made by another version.
    """
    table = columns(cls)
    return pa.Table.from_batches([_batch(session_id, list(rows), table, places)])


def _schema(table: list[Column], places: list[Place] | None) -> pa.Schema:
    return pa.schema(
        [("session_id", pa.string()), ("event_id", pa.string())]
        + [(column.name, column.type) for column in table]
        + ([] if places is None else _PLACE)
    )


def _batch(
    session_id: str, rows: list[EventRow], table: list[Column], places: list[Place] | None
) -> pa.RecordBatch:
    arrays = [
        pa.array([session_id] * len(rows), pa.string()),
        pa.array([row.event_id for row in rows], pa.string()),
        *(pa.array([_value(row, c) for row in rows], c.type) for c in table),
    ]
    if places is not None:
        arrays += [pa.array([p[k] for p in places], kind) for k, (_, kind) in enumerate(_PLACE)]
    return pa.RecordBatch.from_arrays(arrays, schema=_schema(table, places))


def _value(row: EventRow, column: Column) -> object:
    try:
        return reduce(lambda part, key: part[key], column.path, typing.cast(typing.Any, row.body))
    except (KeyError, IndexError, TypeError) as error:
        if column.later:
            return None
        raise StoreError(
            f"event {row.event_id}: has no {column.name}, it was made by another version; "
            "run plantigrade reanalyse"
        ) from error
