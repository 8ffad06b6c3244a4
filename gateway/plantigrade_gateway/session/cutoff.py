"""What an insole sampled before another player's turn, though it arrives after it.

A link that stalled sends its packets seconds late. When they were sampled is told by the insole's
own clock, and by the least that any of its packets ever took: the newest packet of each call is
looked at, which is enough, since packets that waited come with others that did not.
"""

from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.wire.codec import data_header

LATEST_NS = 15_000_000_000
"""Packets that arrive so long after the change are the next player's (ours): a link that stalls for
longer is lost, and what its insole holds is dropped with it."""
_WRAP_NS = 1000 << 32  # the insole's clock begins anew, `wire_format.md`


class Cutoff:
    """Tells which packets were sampled before a cut."""

    def __init__(self) -> None:
        self._least_ns: dict[int, int] = {}  # host time less the insole's, of what took least
        self._cut_ns: int | None = None

    def cut(self, now_ns: int) -> None:
        """Let all that was sampled before this instant be left out."""
        self._cut_ns = now_ns

    def take(self, entries: list[Entry]) -> list[Entry]:
        """Return the entries without the packets that were sampled, or arrived, before the cut."""
        cut_ns = self._cut_ns
        if cut_ns is not None and entries and entries[0].arrival_ns - cut_ns > LATEST_NS:
            cut_ns = self._cut_ns = None
        kept = []
        for entry in entries:
            if entry.kind is Kind.CONNECTED:  # a new link: its clock may have begun anew
                self._least_ns.pop(entry.insole, None)
            if cut_ns is None or not self._is_before(entry, cut_ns):
                kept.append(entry)
        self._note(kept)
        return kept

    def _is_before(self, entry: Entry, cut_ns: int) -> bool:
        if entry.kind is not Kind.NOTIFICATION:
            return False
        if entry.arrival_ns < cut_ns:
            return True
        clock, least_ns = _clock_ns(entry), self._least_ns.get(entry.insole)
        if clock is None or least_ns is None:
            return False
        # how long before its arrival the first frame was taken; the clock may have wrapped
        age_ns = (entry.arrival_ns - least_ns - clock[0]) % _WRAP_NS
        return age_ns < LATEST_NS and entry.arrival_ns - age_ns < cut_ns

    def _note(self, entries: list[Entry]) -> None:
        """Learn how each insole's clock stands to arrivals."""
        newest = {e.insole: e for e in entries if e.kind is Kind.NOTIFICATION}
        for insole, entry in newest.items():
            clock = _clock_ns(entry)
            if clock is None:
                continue
            apart_ns = entry.arrival_ns - clock[1]
            least_ns = self._least_ns.get(insole, apart_ns)
            # what wrapped or restarted is far from what it was
            far = abs(apart_ns - least_ns) > LATEST_NS
            self._least_ns[insole] = apart_ns if far else min(least_ns, apart_ns)


def _clock_ns(entry: Entry) -> tuple[int, int] | None:
    """Return a data packet's clock at its first and last frame, ns; None of any other message."""
    header = data_header(entry.data)
    if header is None:
        return None
    first_us = header.clock_us
    return 1000 * first_us, 1000 * (first_us + (header.frames - 1) * header.period_us)
