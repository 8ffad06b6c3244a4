"""A zone CSV → `Analysis`, in memory that does not grow with its length."""

from itertools import pairwise
from pathlib import Path

import numpy as np

from plantigrade.analyser import Analyser
from plantigrade.block import FloatArray, Foot, PairBlock, PressureBlock
from plantigrade.limits import G_M_S2, Limits, Setup, setup_for
from plantigrade.load import LoadReducer
from plantigrade.monitor import ZoneMonitor
from plantigrade.pairing import Pairing
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.analysis.quality import FootQuality, WeightTally
from plantigrade_gateway.analysis.result import (
    WEIGHT_DIFFERS,
    Analysis,
    Found,
    age_s,
    check_mass,
    quality_of,
)
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.record.settings import ASSUMED_MASS_KG, HANDED
from plantigrade_gateway.sources.zonecsv import ZoneFacts, iter_zone_csv, scan_zone_csv

LONGEST_GAP_S = 60.0
"""Where times jump by more, a new time line begins (ours)."""
_AWAY_S = 1.0  # as in the pipeline: a foot missing for longer is not waited for


def analyse_csv(
    path: Path,
    layout: ZoneLayout,
    mass_kg: float | None = None,
    handed: str = "right",
    limits: Limits | None = None,
) -> Analysis:
    """Analyse a zone CSV.

    Parameters
    ----------
    path : Path
    layout : ZoneLayout
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
    InputError, LayoutError, SampleError
        One sentence naming the file, the line and what was expected.
    """
    check_mass(mass_kg)
    facts = scan_zone_csv(path, layout)
    unused = _unused_zones(path, layout, facts)
    reducers = {
        foot: LoadReducer(layout, excluded=tuple(zone - 1 for zone in unused[foot]))
        for foot in Foot
    }
    own_n = _own_weight(path, layout, facts, reducers)
    weight_n, weight_from, weight_notes = _choose_weight(mass_kg, own_n)
    setup = setup_for(layout, facts.rate_hz, weight_n, HANDED[handed], limits)
    line = _Line(setup, reducers)
    for rows in iter_zone_csv(path, layout, facts=facts):
        line.push(rows)
    line.finish()
    duration_s = line.last_s - line.first_s
    due = round(duration_s * facts.rate_hz) + 1
    feet = {
        foot: FootQuality(
            samples=line.whole[foot],
            missing_samples=max(due, facts.rows) - line.whole[foot],
            gaps=line.found.gaps[foot].gaps(),
            saturated_samples=None,
            unused_zones=unused[foot],
            baseline_n=line.baselines[foot].load_n,
            baseline_error_n=line.baselines[foot].error_n,
            baseline_age_s=age_s(line.baselines[foot], line.last_s),
            link=None,
        )
        for foot in Foot
    }
    quality = quality_of(
        setup, layout, mass_kg, weight_from, own_n, feet, weight_notes + facts.notes
    )
    return Analysis(
        path.name,
        facts.rate_hz,
        duration_s,
        tuple(line.found.stands),
        tuple(line.found.steps),
        tuple(line.found.swings),
        (),
        quality,
    )


def _unused_zones(path: Path, layout: ZoneLayout, facts: ZoneFacts) -> dict[Foot, tuple[int, ...]]:
    """Return the ids of zones that the rest of their region has to stand in for.

    A zone that was stuck at any time is left out of the whole recording.
    """
    unused = {Foot.LEFT: set(facts.dead_left), Foot.RIGHT: set(facts.dead_right)}
    monitors = {foot: ZoneMonitor(layout, facts.rate_hz) for foot in Foot}
    for rows in iter_zone_csv(path, layout, facts=facts):
        for block in _blocks(rows):
            for _, stuck in monitors[block.foot].push(block.pressure):
                unused[block.foot] |= {zone + 1 for zone in stuck}
    return {foot: tuple(sorted(zones)) for foot, zones in unused.items()}


def _own_weight(
    path: Path, layout: ZoneLayout, facts: ZoneFacts, reducers: dict[Foot, LoadReducer]
) -> float | None:
    """Return body weight by the recording's own load, N."""
    tally = WeightTally(facts.rate_hz)
    for rows in iter_zone_csv(path, layout, facts=facts):
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
                f"no mass was given and the recording is never loaded for long enough to show "
                f"body weight: {ASSUMED_MASS_KG:g} kg are assumed",
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


class _Line:
    """A zone CSV's way through pairing and detectors."""

    def __init__(self, setup: Setup, reducers: dict[Foot, LoadReducer]) -> None:
        self.found = Found()
        self.whole = dict.fromkeys(Foot, 0)
        self.first_s = self.last_s = 0.0
        self._setup = setup
        self._row_s = 1.0 / setup.rate_hz
        self._reducers = reducers
        self._seen_s = dict.fromkeys(Foot, -np.inf)
        self._away = dict.fromkeys(Foot, False)
        self._begun = False
        self._begin(0)

    def _begin(self, first: int) -> None:
        self._pairing = Pairing(self._setup.rate_hz, self._setup.limits, first)
        self._analyser = Analyser(self._setup)
        self._away = dict.fromkeys(Foot, False)

    def push(self, rows: ZoneRows) -> None:
        """Take consecutive rows of the file."""
        jumps = np.flatnonzero(np.diff(rows.t_s) > LONGEST_GAP_S) + 1
        edges = [0, *jumps.tolist(), len(rows.t_s)]
        for start, stop in pairwise(edges):
            part = slice(start, stop)
            self._push(ZoneRows(rows.t_s[part], rows.left[part], rows.right[part]))

    def _push(self, rows: ZoneRows) -> None:
        first_s = float(rows.t_s[0])
        if not self._begun:
            self._begun, self.first_s = True, first_s
        elif first_s - self.last_s > LONGEST_GAP_S:
            self.finish()
            for tally in self.found.gaps.values():
                tally.add(first_s - self.last_s)
            self._begin(self._pairing.next_index)
        self.last_s = float(rows.t_s[-1])
        for block in _blocks(rows):
            loads = self._reducers[block.foot].reduce(block)
            there = ~np.isnan(loads.values[:, 0])
            self.whole[block.foot] += int(there.sum())
            self._settle(block.foot, rows.t_s[there])
            self._rows(self._pairing.push(loads))
            if self.last_s - self._seen_s[block.foot] > _AWAY_S:
                self._away[block.foot] = True
                self._rows(self._pairing.away(block.foot))

    def _settle(self, foot: Foot, t_s: FloatArray) -> None:
        if len(t_s):
            self._seen_s[foot] = float(t_s[-1])
            if self._away[foot]:
                self._away[foot] = False
                self._pairing.back(foot)

    def finish(self) -> None:
        """End the time line under way."""
        self._rows(self._pairing.flush())
        self.found.take(self._analyser.flush())
        self.baselines = {foot: self._analyser.baseline(foot) for foot in Foot}

    def _rows(self, block: PairBlock) -> None:
        if len(block):
            self.found.count_gaps(block, self._row_s)
            self.found.take(self._analyser.push(block))
