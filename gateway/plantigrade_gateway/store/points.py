"""What leaves the bay: points that are put into the outbox, and items that are taken out of it.

Pure data, no I/O. The identity of everything sent is a hash; sending it again changes nothing.
"""

import hashlib
import math
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import Column, PairBlock
from plantigrade.summary import summarise_swings
from plantigrade_gateway.analysis.result import Analysis, sets_of
from plantigrade_gateway.analysis.serialise import event_id, plain
from plantigrade_gateway.errors import StoreError

LOADS = "loads"
REGIONS = ("heel", "midfoot", "forefoot", "toes")
_COLUMNS = (Column.HEEL, Column.MIDFOOT, Column.FOREFOOT, Column.TOES)
_PER_N = 10.0  # regional loads leave in steps of 0.1 N, far below any sensor's
_MISSING = -32768
_MOST = 32767


@dataclass(frozen=True, slots=True)
class Point:
    """Something of a session that is no event of the store: a cue, a set's summary.

    Attributes
    ----------
    kind : str
        ``"cue"`` or ``"set"``.
    name : str
        Which of them, from a short list: a cue's kind, a set's number.
    t_s : float
        When, session time.
    body : dict
        JSON values.
    upto_entry : int
        It was decided from the record's first so many entries, and is stored with or after them.
    """

    kind: str
    name: str
    t_s: float
    body: dict[str, Any]
    upto_entry: int = 0

    def identity(self, session_id: str) -> str:
        """Return the point's identity: of a kind and name there is one in a millisecond."""
        return event_id(session_id, self.kind, self.name, in_ms(self.t_s))


@dataclass(frozen=True, slots=True)
class Loads:
    """A second of regional loads of both feet, packed.

    Attributes
    ----------
    first_index : int
        Absolute row of the first.
    t_s, period_s : float
        Session time of the first row, and from one to the next.
    rows : int
    data : bytes
        `pack_loads`.
    upto_entry : int
    """

    first_index: int
    t_s: float
    period_s: float
    rows: int
    data: bytes
    upto_entry: int = 0


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to be sent.

    Attributes
    ----------
    seq : int
        Its place in the outbox.
    point_id : str
        Its identity: a receiver that has it already may drop it.
    kind : str
        ``"step"``, ``"stand"``, ``"swing"``, ``"set"``, ``"cue"``, ``"session"``, ``"link"`` or
        ``"loads"``.
    name : str
        The foot, the cue's kind, the set's number.
    time_ms : int
        When it happened, ms since 1970 UTC.
    twin : int
        How many others of its session, kind and name stand before it in the same millisecond.
    revision : int
        Of its session's results; only those of the highest count.
    session, player : str or None
        Random ids.
    source : str or None
        ``"insoles"``, ``"invented"`` or ``"replay"``.
    body : dict
        JSON values; for regional loads ``first_index``, ``time_us``, ``period_us``, ``rows`` and
        the packed ``data``.
    """

    seq: int
    point_id: str
    kind: str
    name: str
    time_ms: int
    twin: int
    revision: int
    session: str | None
    player: str | None
    source: str | None
    body: dict[str, Any]


def in_ms(t_s: float) -> int:
    """Return the millisecond of a session time."""
    return math.floor(1e3 * t_s)


def source_of(text: str | None) -> str | None:
    """Return what kind of source a session's source is: few values, no free text."""
    if text is None:
        return None
    if "(invented)" in text:
        return "invented"
    return "insoles" if text == "insoles" else "replay"


def link_id(bay: str, foot: str, time_ms: int) -> str:
    """Return the identity of a sample of a link's health; `bay` tells one gateway's from all."""
    return hashlib.sha256(f"link/{bay}/{foot}/{time_ms}".encode()).hexdigest()[:32]


def pack_loads(block: PairBlock) -> bytes:
    """Pack regional loads: 0.1 N steps, differences from row to row, compressed."""
    loads_n = np.concatenate([block.left[:, _COLUMNS], block.right[:, _COLUMNS]], axis=1)
    scaled = np.clip(np.rint(loads_n * _PER_N), -_MOST, _MOST)
    counts = np.where(np.isnan(scaled), _MISSING, scaled).astype("<i2")
    steps = np.diff(counts, axis=0, prepend=np.zeros((1, counts.shape[1]), "<i2"))
    return zlib.compress(np.ascontiguousarray(steps.T).tobytes(), 1)


def unpack_loads(data: bytes, rows: int) -> "np.ndarray[Any, np.dtype[np.float64]]":
    """Return the loads of a packed block.

    Returns
    -------
    ndarray of float64, shape (rows, 8)
        Left heel, midfoot, forefoot, toes, then right, N; NaN where missing.

    Raises
    ------
    StoreError
        The bytes are not such a block.
    """
    try:
        steps = np.frombuffer(zlib.decompress(data), "<i2").reshape(2 * len(REGIONS), rows)
    except (zlib.error, ValueError) as error:
        raise StoreError(f"outbox: a block of regional loads is damaged ({error})") from error
    counts = np.cumsum(steps, axis=1, dtype=np.int16).T  # wraps as the differences did
    return np.where(counts == _MISSING, np.nan, counts / _PER_N)


def set_points(result: Analysis, upto_entry: int = 0) -> list[Point]:
    """Return the summaries of a session's sets; their numbers count from 1."""
    return [
        Point(
            "set",
            str(number),
            run.start_s,
            {
                "name": run.name,
                "start_s": run.start_s,
                "summary": plain(summarise_swings(run.swings)),
            },
            upto_entry,
        )
        for number, run in enumerate(sets_of(result.swings, result.marks), 1)
    ]
