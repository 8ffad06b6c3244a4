"""What of a session under way is sent on beside its events: cues, regional loads, sets."""

from collections.abc import Collection, Iterable

import numpy as np

from plantigrade.block import PairBlock
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.sound.cues import Cue
from plantigrade_gateway.store.enqueue import LOADS, Loads, Point, pack_loads, set_points


class Gather:
    """Makes points of what a session comes to.

    Parameters
    ----------
    sinks : collection of str
        Who is to be sent something; without any, nothing is made.
    """

    def __init__(self, sinks: Collection[str]) -> None:
        self._any = bool(set(sinks) - {LOADS})
        self._loads = _Seconds() if LOADS in sinks else None

    def push(self, cues: Iterable[Cue], net: Iterable[PairBlock]) -> list[Point | Loads]:
        """Return what the last entries came to: cues, and rows net of the baseline."""
        points: list[Point | Loads] = [cue_point(cue) for cue in cues] if self._any else []
        if self._loads is not None:
            for block in net:
                self._loads.push(block)
            points += self._loads.take()
        return points

    def ended(self, result: Analysis) -> list[Point | Loads]:
        """Return what is left at a session's end: its sets, the last regional loads."""
        points: list[Point | Loads] = list(set_points(result)) if self._any else []
        return points if self._loads is None else [*points, *self._loads.end()]


def cue_point(cue: Cue) -> Point:
    """Return a cue as it is sent on."""
    body = {"t_s": cue.t_s, "decided_s": cue.decided_s, "delay_s": cue.delay_s}
    return Point("cue", str(cue.kind), cue.t_s, body)


class _Seconds:
    """Cuts rows into blocks of a second at multiples of the absolute row."""

    def __init__(self) -> None:
        self._rows: list[PairBlock] = []
        self._held = 0
        self._period_s = 0.0
        self._done: list[Loads] = []

    def push(self, block: PairBlock) -> None:
        """Take rows that follow, or begin a new time line."""
        if self._period_s and self._rows and not self._follows(block):
            self._close()
        self._rows.append(block)
        self._held += len(block)
        if not self._period_s and self._held > 1:
            times = np.concatenate([rows.t_s for rows in self._rows])
            self._period_s = float(times[1] - times[0])
        first = self._rows[0].first
        if self._period_s and (first + self._held) // self._rate > first // self._rate:
            self._cut()

    def take(self) -> list[Loads]:
        """Return the blocks that are whole."""
        done, self._done = self._done, []
        return done

    def end(self) -> list[Loads]:
        """Return what is left."""
        self._close()
        return self.take()

    @property
    def _rate(self) -> int:
        return max(1, round(1.0 / self._period_s))

    def _follows(self, block: PairBlock) -> bool:
        last = self._rows[-1]
        step_s = float(block.t_s[0] - last.t_s[-1])
        return block.first == last.first + len(last) and abs(step_s / self._period_s - 1.0) < 0.01

    def _cut(self) -> None:
        whole, rate = _joined(self._rows), self._rate
        start = 0
        while (stop := ((whole.first + start) // rate + 1) * rate - whole.first) <= len(whole):
            self._done.append(_packed(whole.slice(start, stop), self._period_s))
            start = stop
        self._rows = [whole.slice(start, len(whole))] if start < len(whole) else []
        self._held = len(whole) - start

    def _close(self) -> None:
        if self._rows and self._period_s:  # a single row has no rate, and is left out
            self._done.append(_packed(_joined(self._rows), self._period_s))
        self._rows, self._held, self._period_s = [], 0, 0.0


def _joined(blocks: list[PairBlock]) -> PairBlock:
    if len(blocks) == 1:
        return blocks[0]
    return PairBlock(
        blocks[0].first,
        np.concatenate([b.t_s for b in blocks]),
        np.concatenate([b.left for b in blocks]),
        np.concatenate([b.right for b in blocks]),
    )


def _packed(block: PairBlock, period_s: float) -> Loads:
    return Loads(block.first, float(block.t_s[0]), period_s, len(block), pack_loads(block))
