"""Read stored sessions and zone CSVs into NumPy arrays and event objects, for notebooks.

Takes a path, gives frozen objects whose numbers are those of ``plantigrade export``. Never makes or
changes a store.
"""

from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import pyarrow as pa

from plantigrade.block import FloatArray, Foot, PressureBlock
from plantigrade.events import Stand, Step, Swing
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.analysis.eventrow import EventRow, event_of
from plantigrade_gateway.analysis.result import read_layout
from plantigrade_gateway.report.export import TABLES, Place, event_table, swing_places
from plantigrade_gateway.report.frames import frames_of
from plantigrade_gateway.sources import zonecsv
from plantigrade_gateway.store import results
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import LAST, find
from plantigrade_gateway.store.store import Store


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Both feet's zones on one time line.

    Attributes
    ----------
    layout : ZoneLayout
        Where the zones lie; its `unit` is that of the readings.
    t_s : ndarray of float64, shape (n,)
        Session time (of a CSV: the file's own), s, rising.
    left, right : ndarray of float64, shape (n, n_zones)
        Calibrated readings in kPa or N; NaN where samples are missing. No baseline is taken off.
    notes : tuple of str
        Of a CSV what should be known of its reading, as `analyse` says it: by which names or
        places its columns were taken, zones without a reading (they are 0), irregular times.
    """

    layout: ZoneLayout
    t_s: FloatArray
    left: FloatArray
    right: FloatArray
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.t_s)

    def foot(self, foot: Foot) -> PressureBlock:
        """Return one foot's samples, as `plantigrade.LoadReducer` takes them."""
        return PressureBlock(foot, self.t_s, self.left if foot is Foot.LEFT else self.right)


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """A session's stored events, each kind in the order of time.

    Attributes
    ----------
    steps : tuple of Step
    swings : tuple of Swing
    stands : tuple of Stand
    """

    steps: tuple[Step, ...]
    swings: tuple[Swing, ...]
    stands: tuple[Stand, ...]
    _session_id: str
    _rows: tuple[EventRow, ...]
    _places: list[Place]

    def to_arrow(self) -> dict[str, pa.Table]:
        """Return a flat table of each kind: the columns and values that an export writes.

        Keys are ``"steps"``, ``"swings"`` and ``"stands"``; an absent value is null.
        """
        return {
            name: event_table(
                self._session_id,
                [row for row in self._rows if row.kind == kind],
                cls,
                self._places if cls is Swing else None,
            )
            for name, (kind, cls) in TABLES.items()
        }


class StoredSession:
    """One session of a store that is open.

    Parameters
    ----------
    store : Store
    info : Session
        Its id, start, source and state.
    """

    def __init__(self, store: Store, info: Session) -> None:
        self._store = store
        self.info = info

    def frames(self) -> Frames:
        """Return the session's raw frames; memory is about 0.1 GB an hour at 100 Hz.

        Raises
        ------
        StoreError
            The record is damaged, or its layout changes within it.
        """
        layout, pieces = frames_of(results.whole(self._store, self.info.session_id))
        rows = list(pieces)
        none = np.empty((0, layout.n_zones))
        return Frames(
            layout,
            np.concatenate([np.empty(0), *(piece.t_s for piece in rows)]),
            np.concatenate([none, *(piece.left for piece in rows)]),
            np.concatenate([none, *(piece.right for piece in rows)]),
        )

    def events(self) -> Events:
        """Return the session's stored events; nothing is computed.

        Raises
        ------
        StoreError
            They were made by another version: run ``plantigrade reanalyse``.
        """
        rows = tuple(self._store.events(self.info.session_id))
        found = [event_of(row) for row in rows]
        return Events(
            tuple(event for event in found if isinstance(event, Step)),
            tuple(event for event in found if isinstance(event, Swing)),
            tuple(event for event in found if isinstance(event, Stand)),
            self.info.session_id,
            rows,
            swing_places(self._store, self.info.session_id),
        )


class StoreReader:
    """A store opened for reading alone; use it in a ``with`` block, or close it.

    Parameters
    ----------
    store : Store
        Use `open_store`.
    """

    def __init__(self, store: Store) -> None:
        self._store = store

    def sessions(self) -> list[Session]:
        """Return all sessions, the latest start first."""
        return self._store.sessions()

    def session(self, which: str = LAST) -> StoredSession:
        """Return one session: by the first digits of its id, or the last by ``"last"``.

        Raises
        ------
        StoreError
            No session's id begins so, or those of several do.
        """
        return StoredSession(self._store, find(self._store, which))

    def close(self) -> None:
        """Close the file."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_store(path: str | Path | None = None) -> StoreReader:
    """Open a store for reading; without a path, this installation's own.

    Raises
    ------
    StoreError
        There is no such file, it is no store, or a newer version's; one sentence.
    """
    return StoreReader(Store.open(None if path is None else Path(path), read_only=True))


def read_zone_csv(path: str | Path, layout: ZoneLayout | str | Path | None = None) -> Frames:
    """Read a zone CSV into memory.

    Parameters
    ----------
    path : str or Path
    layout : ZoneLayout, str or Path, optional
        The zones, or the TOML file that says them; the built-in eighteen unless given.

    Raises
    ------
    InputError, LayoutError
        One sentence naming the file, the line and what was expected.
    """
    zones = layout if isinstance(layout, ZoneLayout) else read_layout(layout)
    rows = zonecsv.read_zone_csv(path, zones)
    return Frames(zones, rows.t_s, rows.left, rows.right, rows.notes)
