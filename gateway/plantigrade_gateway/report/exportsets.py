"""A session's sets as a flat table: what each comes to, a row a set."""

import dataclasses
from collections.abc import Iterator, Mapping

import pyarrow as pa

from plantigrade.reliability import Proportion
from plantigrade.stat import Stat
from plantigrade.summary import SwingSet, summarise_swings
from plantigrade_gateway.analysis.result import sets_of
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

_FIRST = [
    ("session_id", pa.string()),
    ("set", pa.int64()),
    ("name", pa.string()),
    ("start_s", pa.float64()),
]


def set_table(store: Store, session_id: str) -> pa.Table:
    """Return a session's sets.

    A measure gives three columns (``_count``, ``_mean``, ``_sd``), a class its count and its 95 %
    Wilson interval (``_count``, ``_low``, ``_high``); absent values are null.

    Raises
    ------
    StoreError
        No such session, or its results were made by another version.
    """
    found = results.read(store, session_id)
    schema = pa.schema([*_FIRST, *((name, kind) for name, kind, _ in _flat(summarise_swings(())))])
    rows = [
        {
            "session_id": session_id,
            "set": number,
            "name": run.name,
            "start_s": run.start_s,
            **{name: value for name, _, value in _flat(summarise_swings(run.swings))},
        }
        for number, run in enumerate(sets_of(found.swings, found.marks), 1)
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
        else:
            yield field.name, pa.int64(), value


def _part(
    name: str, value: Stat | Proportion
) -> Iterator[tuple[str, pa.DataType, int | float | None]]:
    yield f"{name}_count", pa.int64(), value.count
    for part in ("mean", "sd") if isinstance(value, Stat) else ("low", "high"):
        yield f"{name}_{part}", pa.float64(), getattr(value, part)
