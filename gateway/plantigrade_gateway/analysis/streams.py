"""Runs of packets within a piece of the record: cut at its places, and put together again. Pure."""

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.wire.stream import PacketRun, StreamEvent

IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Stream:
    """One insole's runs in a piece of the record.

    Attributes
    ----------
    insole : int
    runs : list of PacketRun
    places : ndarray of int64
        Where in the piece each of the insole's notifications stands.
    before : int
        How many of the insole's notifications came before the piece.
    """

    insole: int
    runs: list[PacketRun]
    places: IntArray
    before: int

    def _places(self, run: PacketRun) -> IntArray:
        first = run.index - self.before
        return self.places[first : first + max(len(run), 1)]

    def changes(self, shape: tuple[Foot, int, int] | None) -> list[int]:
        """Return where the insole says another foot, period or number of zones than before."""
        found: list[int] = []
        for run in self.runs:
            if len(run) and shape_of(run) != shape:
                shape = shape_of(run)
                found.append(int(self._places(run)[0]))
        return found

    def between(self, low: int, high: int) -> tuple[int, int, list[PacketRun]]:
        """Return place of the first packet, insole, and the runs from place low to high − 1."""
        first, inside = high, []
        for run in self.runs:
            places = self._places(run)
            a, b = bisect_left(places, low), bisect_left(places, high)
            if a < b:
                first = min(first, int(places[a]))
                inside.append(part_of(run, a, b) if len(run) else run)
        return first, self.insole, inside


def shape_of(run: PacketRun) -> tuple[Foot, int, int]:
    """Return what an insole says of itself with a run: foot, sample period µs, zones."""
    return run.foot, run.period_us, run.zones


def part_of(run: PacketRun, start: int, stop: int) -> PacketRun:
    """Return packets start…stop−1 of a run."""
    if stop - start == len(run):
        return run
    return PacketRun(
        run.insole,
        run.foot,
        run.arrival_ns[start:stop],
        run.clock_us[start:stop],
        run.period_us,
        run.frames,
        run.counts[start * run.frames : stop * run.frames],
        run.index + start,
    )


def alike(runs: Iterable[PacketRun]) -> Iterator[list[PacketRun]]:
    """Group runs that differ in nothing but the gaps between them: their times tell those.

    A restart's empty run is of no shape that an insole has.
    """
    group: list[PacketRun] = []
    for run in runs:
        if group and (run.frames != group[-1].frames or shape_of(run) != shape_of(group[-1])):
            yield group
            group = []
        group.append(run)
    if group:
        yield group


def joined(runs: list[PacketRun]) -> PacketRun:
    """Return runs of one shape as one."""
    if len(runs) == 1:
        return runs[0]
    first = runs[0]
    return PacketRun(
        first.insole,
        first.foot,
        np.concatenate([run.arrival_ns for run in runs]),
        np.concatenate([run.clock_us for run in runs]),
        first.period_us,
        first.frames,
        np.concatenate([run.counts for run in runs]),
        first.index,
    )


def restarted(fact: StreamEvent) -> PacketRun:
    """Return an empty run that stands for an insole's restart, in its place among the runs."""
    return PacketRun(
        fact.insole,
        Foot.LEFT,
        np.array([fact.arrival_ns]),
        np.empty(0, dtype=np.int64),
        0,
        1,
        np.empty((0, 0), dtype=np.uint16),
        fact.index,
    )
