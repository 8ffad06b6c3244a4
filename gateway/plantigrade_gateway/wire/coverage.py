"""Which of one insole's samples the host has, by boot and long clock, and which it lacks.

Pure; knows no log's bytes but the pages read (`hardware_notes/wire_format.md` §8).
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from plantigrade_gateway.wire.codec import Header
from plantigrade_gateway.wire.log import LONG_CLOCK, LogPage, LogState, long_clock

SETTLES_US = 1_000_000
"""A hole younger than this is not asked for: the log's page of it may be being filled (ours; the
longest page of eighteen zones takes 0.52 s, 8 frames of 65.5 ms)."""
MOST_HOLES = 1024
"""Of one insole (ours): a link that loses every tenth packet makes as many in three minutes, and a
log that is never read would make them all day. Beyond, holes are joined to the one before, and of
those that a page cuts in two the oldest are given up: pages come oldest first."""


@dataclass(slots=True)
class Hole:
    """Samples that the host lacks.

    Attributes
    ----------
    boot : int
    from_us, to_us : int
        Long clocks: from the first on, before the second. `LONG_CLOCK`: to the boot's end.
    asked : int
        How often it was asked for.
    owner : str
        The ended session that lacks it; empty: what is recorded now.
    """

    boot: int
    from_us: int
    to_us: int
    asked: int = 0
    owner: str = ""

    @property
    def is_open(self) -> bool:
        """Whether nobody knows where it ends: a reset did."""
        return self.to_us >= LONG_CLOCK

    @property
    def missing_us(self) -> int:
        """How long it is, µs; 0 where nobody knows."""
        return 0 if self.is_open else self.to_us - self.from_us


class Coverage:
    """Keeps the holes of one insole's samples, over lost links and resets.

    Attributes
    ----------
    holes : list of Hole
        Oldest first.
    """

    def __init__(self) -> None:
        self.holes: list[Hole] = []
        self._boot: int | None = None
        self._end_us: int | None = None  # of this boot's samples; None: no packet yet
        self._anchor = (0, 0)  # long clock µs and host ns of the last state
        self._after_reset = False

    def connected(self, state: LogState, now_ns: int) -> None:
        """Take the log's state, read at a connection, before its packets."""
        if state.boot != self._boot:
            had = self._boot is not None and self._end_us is not None
            if had:
                assert self._boot is not None and self._end_us is not None
                self._add(Hole(self._boot, self._end_us, LONG_CLOCK))
            self._after_reset = had or self._after_reset
            self._boot, self._end_us = state.boot, None
        self._anchor = (state.clock_us, now_ns)

    def packet(self, header: Header, now_ns: int) -> None:
        """Take a data packet's header."""
        if self._boot is None:
            return
        near_us = self._anchor[0] + (now_ns - self._anchor[1]) // 1000
        start_us = long_clock(header.clock_us, near_us)
        end_us = start_us + header.frames * header.period_us
        if end_us >= LONG_CLOCK:
            return  # nine years without a reset, or an insole that says so: no request holds it
        begins_us = self._end_us
        if begins_us is None and self._after_reset:
            begins_us, self._after_reset = 0, False
        if begins_us is not None and start_us - begins_us > header.period_us // 2:
            self._add(Hole(self._boot, begins_us, start_us))
        self._end_us = max(end_us, self._end_us or 0)

    def owe(self, holes: Iterable[Hole]) -> None:
        """Take holes of ended sessions, before all others."""
        self.holes[:0] = holes

    def hand_over(self, owner: str) -> None:
        """Let what is missing now be an ended session's."""
        for hole in self.holes:
            hole.owner = hole.owner or owner

    def page(self, page: LogPage) -> dict[str, int]:
        """Take what a page brings out of the holes; return how long that is of each owner, µs."""
        left: list[Hole] = []
        brought_us: dict[str, int] = {}
        for hole in self.holes:
            if hole.boot != page.boot or not _meets(hole, page):
                left.append(hole)
                continue
            slack_us = page.period_us // 2
            brought = min(page.end_us, hole.to_us) - max(page.clock_us, hole.from_us)
            brought_us[hole.owner] = brought_us.get(hole.owner, 0) + brought
            if page.clock_us - hole.from_us > slack_us:
                left.append(replace(hole, to_us=page.clock_us))
            if hole.to_us - page.end_us > slack_us:
                left.append(replace(hole, from_us=page.end_us))
        del left[: max(0, len(left) - max(MOST_HOLES, len(self.holes)))]
        self.holes = left
        return brought_us

    def next(self, now_ns: int) -> Hole | None:
        """Return the oldest hole that can be asked for now."""
        clock_us = self._anchor[0] + (now_ns - self._anchor[1]) // 1000
        for hole in self.holes:
            if hole.boot != self._boot or clock_us - hole.to_us >= SETTLES_US:
                return hole
        return None

    def drop(self, of: Hole) -> int:
        """Give up what is left of a hole as it was asked for; return how long it is, µs."""
        kept: list[Hole] = []
        gone_us = 0
        for hole in self.holes:
            same = (hole.boot, hole.owner) == (of.boot, of.owner)
            if same and of.from_us <= hole.from_us < of.to_us:
                gone_us += hole.missing_us
            else:
                kept.append(hole)
        self.holes = kept
        return gone_us

    @property
    def missing_us(self) -> int:
        """How long all holes are, µs; those whose end nobody knows apart."""
        return sum(hole.missing_us for hole in self.holes)

    def _add(self, hole: Hole) -> None:
        if len(self.holes) < MOST_HOLES:
            self.holes.append(hole)
            return
        last = self.holes[-1]
        if (last.boot, last.owner) == (hole.boot, hole.owner):
            last.to_us = max(last.to_us, hole.to_us)  # what lies between is read once more
            return
        del self.holes[0]
        self.holes.append(hole)


def _meets(hole: Hole, page: LogPage) -> bool:
    return page.clock_us < hole.to_us and hole.from_us < page.end_us
