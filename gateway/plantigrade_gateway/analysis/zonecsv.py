"""The rows of a zone CSV → `Analysis`, in memory that does not grow with their number.

Opens no file: whoever calls hands the rows in.
"""

from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise

import numpy as np

from plantigrade.block import FloatArray, Foot, PressureBlock
from plantigrade.limits import G_M_S2, Limits, setup_for
from plantigrade.load import LoadReducer
from plantigrade.monitor import ZoneMonitor
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.analysis.quality import FootQuality, WeightTally
from plantigrade_gateway.analysis.result import (
    WEIGHT_DIFFERS,
    Analysis,
    check_mass,
    quality_of,
)
from plantigrade_gateway.analysis.timeline import AWAY_S, Output, Tallies, TimeLine
from plantigrade_gateway.record.entries import ZoneFacts, ZoneRows
from plantigrade_gateway.record.settings import ASSUMED_MASS_KG, HANDED

LONGEST_GAP_S = 60.0
"""Where times jump by more, a new time line begins (ours)."""
Reread = Callable[[], Iterable[ZoneRows]]
"""Gives the rows from the first on, every time it is called."""


def analyse_csv(
    source: str,
    layout: ZoneLayout,
    facts: ZoneFacts,
    reread: Reread,
    mass_kg: float | None = None,
    handed: str = "right",
    limits: Limits | None = None,
) -> Analysis:
    """Analyse the rows of a zone CSV.

    Parameters
    ----------
    source : str
        The file's name.
    layout : ZoneLayout
    facts : ZoneFacts
        What all the rows together are like.
    reread : callable
        Returns the rows in pieces of any size; called three times: which zones are stuck at any
        time, then body weight, must be known before the events can be found.
    mass_kg : float or None
        The person's mass; believed unless the recording's own load differs by more than
        `WEIGHT_DIFFERS`.
    handed : str
        "right" or "left".
    limits : Limits, optional

    Returns
    -------
    Analysis
        Times are the file's.

    Raises
    ------
    InputError
        A mass that nobody has; what `reread` raises.
    SampleError
        Rows that do not fit the layout.
    """
    check_mass(mass_kg)
    unused = _unused_zones(reread(), layout, facts)
    reducers = {
        foot: LoadReducer(layout, excluded=tuple(zone - 1 for zone in unused[foot]))
        for foot in Foot
    }
    own_n = _own_weight(reread(), facts, reducers)
    weight_n, weight_from, weight_notes = _choose_weight(mass_kg, own_n)
    setup = setup_for(layout, facts.rate_hz, weight_n, HANDED[handed], limits)
    tallies = Tallies()
    line = TimeLine(tallies)
    feed = _Feed(line, reducers)
    for rows in reread():
        for piece in _without_jumps(rows):
            gap_s = feed.since_last_s(piece)
            if gap_s is None or gap_s > LONGEST_GAP_S:
                line.begin(setup)
            feed.push(piece)
    line.end()
    duration_s = feed.last_s - feed.first_s
    feet = {foot: _foot_quality(foot, tallies, unused[foot]) for foot in Foot}
    notes = (*weight_notes, *tallies.notes(), *facts.notes)
    return Analysis(
        source,
        facts.rate_hz,
        duration_s,
        tuple(tallies.found.stands),
        tuple(tallies.found.steps),
        tuple(tallies.found.swings),
        (),
        quality_of(setup, layout, mass_kg, weight_from, own_n, feet, notes),
    )


def _foot_quality(foot: Foot, tallies: Tallies, unused: tuple[int, ...]) -> FootQuality:
    samples = tallies.samples[foot]
    baseline, baseline_age_s = tallies.baseline(foot)
    return FootQuality(
        samples=samples.samples,
        missing_samples=samples.missing,
        gaps=samples.gaps(),
        saturated_samples=None,
        unused_zones=unused,
        baseline_n=baseline.load_n,
        baseline_error_n=baseline.error_n,
        baseline_age_s=baseline_age_s,
        link=None,
    )


def _unused_zones(
    pieces: Iterable[ZoneRows], layout: ZoneLayout, facts: ZoneFacts
) -> dict[Foot, tuple[int, ...]]:
    """Return the ids of zones that the rest of their region has to stand in for.

    A zone that was stuck at any time is left out of the whole recording.
    """
    unused = {Foot.LEFT: set(facts.dead_left), Foot.RIGHT: set(facts.dead_right)}
    monitors = {foot: ZoneMonitor(layout, facts.rate_hz) for foot in Foot}
    for rows in pieces:
        for block in _blocks(rows):
            for _, stuck in monitors[block.foot].push(block.pressure):
                unused[block.foot] |= {zone + 1 for zone in stuck}
    return {foot: tuple(sorted(zones)) for foot, zones in unused.items()}


def _own_weight(
    pieces: Iterable[ZoneRows], facts: ZoneFacts, reducers: dict[Foot, LoadReducer]
) -> float | None:
    """Return body weight by the recording's own load, N."""
    tally = WeightTally(facts.rate_hz)
    for rows in pieces:
        left, right = (reducers[b.foot].reduce(b).values for b in _blocks(rows))
        tally.push(left, right)
    return tally.weight_n()


def _choose_weight(
    mass_kg: float | None, own_n: float | None
) -> tuple[float, str, tuple[str, ...]]:
    """Return body weight, where it comes from, and what is to be said of it."""
    given_n = None if mass_kg is None else mass_kg * G_M_S2
    if own_n is not None and not 50.0 <= own_n <= 3000.0:  # what `Setup` takes
        own_n = None
    if own_n is None:
        if given_n is not None:
            return given_n, "mass", ()
        return (
            ASSUMED_MASS_KG * G_M_S2,
            "assumed",
            (
                "no mass was given and the recording never has both feet loaded for long enough to "
                f"show body weight: {ASSUMED_MASS_KG:g} kg are assumed",
            ),
        )
    if given_n is None:
        return own_n, "recording", ()
    if abs(own_n - given_n) <= WEIGHT_DIFFERS * given_n:
        return given_n, "mass", ()
    return (
        own_n,
        "recording",
        (
            f"the mass given, {mass_kg:g} kg ({given_n:.0f} N), differs by more than "
            f"{WEIGHT_DIFFERS:.0%} from what the insoles carry, about {own_n:.0f} N: the "
            "recording's own load is used",
        ),
    )


def _blocks(rows: ZoneRows) -> tuple[PressureBlock, PressureBlock]:
    return (
        PressureBlock(Foot.LEFT, rows.t_s, rows.left),
        PressureBlock(Foot.RIGHT, rows.t_s, rows.right),
    )


def _without_jumps(rows: ZoneRows) -> Iterator[ZoneRows]:
    """Cut rows where their times jump by more than `LONGEST_GAP_S`."""
    jumps = np.flatnonzero(np.diff(rows.t_s) > LONGEST_GAP_S) + 1
    for start, stop in pairwise([0, *jumps.tolist(), len(rows.t_s)]):
        part = slice(start, stop)
        yield ZoneRows(rows.t_s[part], rows.left[part], rows.right[part])


class _Feed:
    """Hands a zone CSV's rows to the time line; says which foot is away, by the samples' times.

    Attributes
    ----------
    first_s, last_s : float
        Times of the first and the last row, s.
    """

    def __init__(self, line: TimeLine, reducers: dict[Foot, LoadReducer]) -> None:
        self._line = line
        self.first_s = self.last_s = np.nan
        self._reducers = reducers
        self._seen_s = dict.fromkeys(Foot, -np.inf)

    def since_last_s(self, rows: ZoneRows) -> float | None:
        """Return how long after the last row these come, s; None where they are the first."""
        return None if np.isnan(self.last_s) else float(rows.t_s[0]) - self.last_s

    def push(self, rows: ZoneRows) -> None:
        """Take consecutive rows without a jump."""
        if np.isnan(self.first_s):
            self.first_s = float(rows.t_s[0])
        self.last_s = float(rows.t_s[-1])
        for block in _blocks(rows):
            foot, loads = block.foot, self._reducers[block.foot].reduce(block)
            there = ~np.isnan(loads.values[:, 0])
            self._see(foot, rows.t_s[there])
            self._line.push(loads)
            if self.last_s - self._seen_s[foot] > AWAY_S:
                self._line.away(foot)
        self._line.out = Output()  # the tallies keep what counts

    def _see(self, foot: Foot, t_s: FloatArray) -> None:
        if len(t_s):
            self._seen_s[foot] = float(t_s[-1])
            if foot in self._line.gone:
                self._line.back(foot)
