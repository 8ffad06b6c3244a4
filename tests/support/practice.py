"""The invented practice session in a store of its own, with its results."""

from pathlib import Path

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store


def store_practice(store: Store, until_ns: int | None = None) -> str:
    """Store the practice session, or its beginning, and analyse it; return its id."""
    session_id = store.create_session(
        "practice (invented)",
        analysis_version=ANALYSIS_VERSION,
        player_id=store.players.create("Iris Invented", "right", 74.0),
    )
    first_ns = None
    for batch in read_replay(demo_file()):
        first_ns = int(batch.arrival_ns[0]) if first_ns is None else first_ns
        if until_ns is not None:
            batch = batch.slice(0, int((batch.arrival_ns - first_ns <= until_ns).sum()))
        if len(batch):
            for start in range(0, len(batch), 5000):
                store.append(session_id, batch.slice(start, min(start + 5000, len(batch))))
    store.end_session(session_id, "end")
    results.reanalyse(store, session_id)
    return session_id


def practice_copy(made: Path, folder: Path) -> Path:
    """Return a copy of a store that is closed, in a folder."""
    copy = folder / "store.sqlite3"
    copy.write_bytes(made.read_bytes())
    return copy
