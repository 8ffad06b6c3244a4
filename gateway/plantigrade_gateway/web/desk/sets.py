"""Sets of swings in numbers: their halves, two of a visit side by side, and overlaid curves."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.events import HeelLiftState, Manner, Swing, Timing
from plantigrade.halves import halves_of_set
from plantigrade.overlay import Overlay, overlay
from plantigrade.reliability import Proportion, proportion
from plantigrade.stat import Stat
from plantigrade.summary import summarise_swings
from plantigrade_gateway import words
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.analysis.result import MarkedSet, is_good
from plantigrade_gateway.coach.compare import Comparison
from plantigrade_gateway.report.swingframes import ABOUT_SHIFT_S, SwingFrames
from plantigrade_gateway.web.desk.curves import Data, padded, plain


@dataclass(frozen=True, slots=True)
class Line:
    """One measure of one set, or of two of one visit.

    Attributes
    ----------
    title, unit : str
    first, second : str
        Mean ± SD (count), or a proportion; the second is empty where nothing is compared.
    difference, degrees, verdict : str
        The second minus the first with its 95 % interval, the degrees of freedom that rests on,
        and what may be said of it.
    """

    title: str
    unit: str
    first: str
    second: str = ""
    difference: str = ""
    degrees: str = ""
    verdict: str = ""


def proportions_of(run: MarkedSet) -> list[tuple[str, Proportion]]:
    """Return the classes of a set's swings with their 95 % intervals."""
    found = summarise_swings(run.swings)
    return [
        ("good push", proportion(sum(map(is_good, run.swings)), found.swings)),
        ("push rolled", found.manners[Manner.ROLLED]),
        ("push skipped", found.manners[Manner.SKIPPED]),
        ("push held", found.manners[Manner.HELD]),
        ("push early", found.timings[Timing.EARLY]),
        ("lead heel unloaded", found.heel_lifts[HeelLiftState.LIFTED]),
    ]


def proportion_lines(run: MarkedSet) -> list[Line]:
    """Return the classes of a set."""
    return [Line(title, "%", words.proportion(share)) for title, share in proportions_of(run)]


def lines_of(run: MarkedSet) -> list[Line]:
    """Return each measure of a set."""
    return [
        Line(one.averaged_title or one.title, one.unit, one.mean_text(one.averaged_of(run.swings)))
        for one in SWING_MEASURES
    ]


def compared_lines(found: Comparison) -> tuple[list[Line], list[Line]]:
    """Return what is counted of two sets, and what is averaged, side by side."""
    counted: list[Line] = []
    averaged: list[Line] = []
    for one in found.lines:
        first, second, difference, _, degrees, verdict = one.cells
        title, unit = one.measure.title, one.measure.unit
        line = Line(title, unit, first, second, difference, degrees, verdict)
        (averaged if one.parts is None else counted).append(line)
    return counted, averaged


BEFORE_S, AFTER_S = ABOUT_SHIFT_S
"""What is shown before and after the shift, s."""

BAND = (
    "Thin lines: single swings. Thick line: their mean at each instant, where three or more have "
    "a value. Band: mean ± one standard deviation of single swings at that instant: how much "
    "swings differ. It is no confidence interval of the mean and says nothing of whole curves."
)

CURVES = ("share", "lead", "trail", "cop")
"""Lead share; lead and trail load, about × BW; CoP y of the trail foot, % of length."""


@dataclass(frozen=True, slots=True)
class SetOverlay:
    """The swings of a set that can be laid over each other.

    Attributes
    ----------
    curves : dict of str to Overlay
        By the names in `CURVES`.
    used : int
        How many swings are drawn.
    left_out : int
        Swings without a known shift, or without rows.
    """

    curves: dict[str, Overlay]
    used: int
    left_out: int


def overlay_of(swings: Sequence[tuple[Swing, SwingFrames | None]], rate_hz: float) -> SetOverlay:
    """Lay swings over each other at their shifts."""
    usable = [(s, f) for s, f in swings if s.shift_s is not None and f is not None]

    def laid(name: str) -> Overlay:
        curves = [(f.t_s - (s.shift_s or 0.0), _curve(name, f)) for s, f in usable]
        return overlay(curves, BEFORE_S, AFTER_S, rate_hz)

    return SetOverlay({name: laid(name) for name in CURVES}, len(usable), len(swings) - len(usable))


def set_data(found: SetOverlay) -> Data:
    """Return what a set fills into the chart."""
    sources: dict[str, Any] = {}
    for name, laid in found.curves.items():
        t = plain(laid.t_s)
        sources[f"{name}_each"] = {
            "xs": [t] * len(laid.curves),
            "ys": [plain(c) for c in laid.curves],
        }
        sources[f"{name}_mean"] = {"t": t, "mean": plain(laid.mean)}
        sources[f"{name}_band"] = _band(laid)
    load = padded([found.curves[name].curves for name in ("lead", "trail")])
    return {"sources": sources, "ranges": {"time": [-BEFORE_S, AFTER_S], "load": load}}


def _curve(name: str, frames: SwingFrames) -> FloatArray:
    lead = frames.settings.lead
    if name == "share":
        return frames.lead_share
    if name == "cop":
        y: FloatArray = 100.0 * frames.cop(lead.other)[:, 1]
        return y
    return frames.load_bw(lead if name == "lead" else lead.other)


def _band(laid: Overlay) -> dict[str, list[Any]]:
    """Return the band's outlines, one for each stretch in which there is a mean."""
    there = ~np.isnan(laid.mean)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], there.astype(np.int8), [0]))))
    xs, ys = [], []
    for start, stop in edges.reshape(-1, 2).tolist():
        t, mean, sd = (values[start:stop] for values in (laid.t_s, laid.mean, laid.sd))
        xs.append(plain(np.concatenate((t, t[::-1]))))
        ys.append(plain(np.concatenate((mean - sd, (mean + sd)[::-1]))))
    return {"xs": xs, "ys": ys}


@dataclass(frozen=True, slots=True)
class InstantRow:
    """What a set comes to at one instant: mean ± SD (count) of each curve, as text."""

    after: str
    values: tuple[str, ...]


def set_table(found: SetOverlay, every_s: float = 0.25) -> list[InstantRow]:
    """Return the overlay in numbers, for those who do not see the chart."""
    rows = []
    t_s = found.curves["share"].t_s
    for k, t in enumerate(t_s.tolist()):
        if abs(t / every_s - round(t / every_s)) > 1e-6:
            continue
        values = []
        for name, scale, digits in (
            ("share", 100.0, 0),
            ("lead", 1.0, 2),
            ("trail", 1.0, 2),
            ("cop", 1.0, 0),
        ):
            laid = found.curves[name]
            mean, sd = float(laid.mean[k]), float(laid.sd[k])
            stat = Stat(int(laid.count[k]), None if mean != mean else mean, sd)
            values.append(words.spread(stat, digits, scale))
        rows.append(InstantRow(f"{t:+z.2f}", tuple(values)))
    return rows


_KEYS = {
    "load_tempo": "load_tempo",
    "transfer_s": "transfer",
    "push_from": "push_from",
    "heel_share_trail_peak": "trail_heel",
    "share_range": "share_range",
    "trail_peak_bw": "trail_peak",
    "lead_peak_bw": "lead_peak",
    "lead_rise_bw_s": "lead_rise",
    "both_cop_travel": "travel_both",
}
"""The desk's measure of each that is halved."""
_BY_KEY = {measure.key: measure for measure in SWING_MEASURES}


@dataclass(frozen=True, slots=True)
class HalfLine:
    """One measure of both halves.

    Attributes
    ----------
    title, unit : str
    first, second : str
        Mean ± SD (count).
    difference : str
        The second half less the first, with its 95 % interval.
    """

    title: str
    unit: str
    first: str
    second: str
    difference: str


def half_lines(run: MarkedSet) -> list[HalfLine]:
    """Return the measures that are halved, of one set."""
    lines = []
    for name, halves in halves_of_set(run.swings).items():
        measure = _BY_KEY[_KEYS[name]]
        digits, scale = measure.digits, measure.scale
        lines.append(
            HalfLine(
                measure.title,
                measure.unit,
                words.spread(halves.first, digits, scale),
                words.spread(halves.second, digits, scale),
                words.difference(halves.difference, digits, scale),
            )
        )
    return lines
