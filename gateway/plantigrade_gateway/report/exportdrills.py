"""A session's drills as flat tables: a row a run, and a row a repetition."""

import pyarrow as pa

from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

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

    Raises
    ------
    StoreError
        No such session.
    """
    found = results.drills(store, session_id)
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
