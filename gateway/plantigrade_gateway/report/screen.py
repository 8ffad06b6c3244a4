"""The terminal's live lines: what was found, and both feet's load at the last row.

`glance` makes a foot's picture of one row; the live page shows the same.
"""

import math
import time
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import numpy as np
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade.events import Event, Phase, PhaseKind, Stand, Step, Swing
from plantigrade.load import centre_of_pressure, share, total_load
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.result import MarkedSet, is_good, set_name, sets_of
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.report.console import paragraph
from plantigrade_gateway.report.drills import score_line
from plantigrade_gateway.report.measures import set_line
from plantigrade_gateway.wire.stream import StreamEvent, StreamNotes

COP_LEAST_BW = 0.05
"""Load under which a foot's CoP is undefined, × body weight (design §5)."""


@dataclass(frozen=True, slots=True)
class FootGlance:
    """One foot now.

    Attributes
    ----------
    load_n, load_bw : float or None
        Net of the baseline, not under 0; None while the foot is away or in a gap.
    cop : tuple of float or None
        x, y as fractions of width and length; None where undefined.
    """

    load_n: float | None
    load_bw: float | None
    cop: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Glance:
    """Both feet now.

    Attributes
    ----------
    t_s : float
        Session time of the row, s.
    feet : dict of Foot to FootGlance
    lead_share : float or None
        None where a foot is missing or both together carry under 5 % of body weight.
    """

    t_s: float
    feet: dict[Foot, FootGlance]
    lead_share: float | None


def glance(rows: PairBlock, lead: Foot, body_weight_n: float) -> Glance:
    """Return the last row as it is shown.

    Parameters
    ----------
    rows : PairBlock
        At least one row, net of the baseline.
    lead : Foot
    body_weight_n : float
    """
    least_n = COP_LEAST_BW * body_weight_n
    net = {foot: rows.foot(foot)[-1:] for foot in Foot}
    lead_n, trail_n = total_load(net[lead]), total_load(net[lead.other])
    return Glance(
        float(rows.t_s[-1]),
        {foot: _foot(values, least_n, body_weight_n) for foot, values in net.items()},
        _number(share(lead_n, trail_n, least_n)[0]),
    )


def _foot(values: FloatArray, least_n: float, body_weight_n: float) -> FootGlance:
    load_n = _number(total_load(values)[0])
    if load_n is None:
        return FootGlance(None, None, None)
    load_n = max(load_n, 0.0)
    x, y = centre_of_pressure(values, least_n)[0].tolist()
    cop = None if math.isnan(x) else (float(x), float(y))
    return FootGlance(load_n, load_n / body_weight_n, cop)


def _number(value: np.float64) -> float | None:
    return None if np.isnan(value) else float(value)


_REFRESH_S = 0.1
_BAR_CELLS = 13
_PROGRESS_CELLS = 18
_PHASES_STAY_S = 4.0  # how long the phases of a swing that is not recognised stay there
_BAR_BW = 1.5  # a full bar, × BW: a lead peak reaches about 1.3
_LOOKS = {"lead": ("█", "rgb(229,207,82)"), "trail": ("▒", "rgb(125,155,209)")}
"""Lead and trail foot differ by label and filling as well as by hue (two ends of cividis)."""
_EIGHTHS = " ▏▎▍▌▋▊▉"


class Screen:
    """Shows a session under way.

    Parameters
    ----------
    out : Console
    analysis : RecordAnalysis
        What is shown; it is only read.
    lead : Foot
    body_weight_n : float
    total_s : float or None
        How long the record is, s; None while it is not known, with insoles.
    """

    def __init__(
        self,
        out: Console,
        analysis: RecordAnalysis,
        lead: Foot,
        body_weight_n: float,
        total_s: float | None,
    ) -> None:
        self._out = out
        self._analysis = analysis
        self._lead = lead
        self._bw_n = body_weight_n
        self._total_s = total_s
        self._now_s = 0.0
        self._rows: PairBlock | None = None
        self._steps = self._swings = self._good = self._marks = 0
        self._phases: list[str] = []
        self._phase_s = 0.0
        self._stuck: dict[int, tuple[int, ...]] = {}
        self._notes = StreamNotes()
        self._refreshed_s = 0.0
        live = out.is_terminal and not out.is_dumb_terminal
        self._live = Live(console=out, auto_refresh=False, transient=True) if live else None

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def say(self, text: str) -> None:
        """Print a message above the bottom lines; safe from any thread."""
        paragraph(self._out, text)

    def show(self, output: Output, now_s: float) -> None:
        """Show what a batch came to.

        Parameters
        ----------
        output : Output
        now_s : float
            Session time of its last entry, s.
        """
        self._now_s = now_s
        self._show_marks()
        for fact in output.facts:
            self._show_fact(fact)
        self._show_stuck()
        for event in output.events:
            self._show_event(event)
        if output.net:
            self._rows = output.net[-1]
        if self._live is not None and time.monotonic() - self._refreshed_s >= _REFRESH_S:
            self._refreshed_s = time.monotonic()
            self._live.update(self._bottom(), refresh=True)

    # ---- what scrolls by ----

    def _line(self, t_s: float | None, what: str, text: str, style: str = "") -> None:
        first = f"{formats.clock(t_s):>8}  {what:<10}"
        paragraph(self._out, text, " " * 20, first, style)

    def _show_marks(self) -> None:
        marks = self._analysis.marks
        while self._marks < len(marks):
            mark = marks[self._marks]
            self._marks += 1
            if self._marks > 1:
                self.show_set_before(mark.t_s)
            name = set_name(mark)
            text = mark.text if name is None else f"set: {name}"
            self._line(mark.t_s, "mark", text, "bold" if name else "")

    def show_set_before(self, t_s: float) -> None:
        """Print what the set comes to that ends at a mark, or at the session's end."""
        before = [mark for mark in self._analysis.marks if mark.t_s < t_s]
        spans = [span for span in self._analysis.spans.sets() if span.start_s < t_s][-1:]
        if before and spans and before[-1].t_s == spans[0].start_s:
            self._show_set(*sets_of(self._analysis.swings, spans))

    def _show_set(self, run: MarkedSet) -> None:
        paragraph(self._out, set_line(run), " " * 10, style="bold")

    def _show_fact(self, fact: StreamEvent) -> None:
        text = self._notes.text(fact)
        if text is not None:
            foot = self._analysis.pipeline.feet().get(fact.insole)
            self._line(self._now_s, "insole", f"{foot or fact.insole}: {text}")

    def _show_stuck(self) -> None:
        stuck = self._analysis.pipeline.stuck()
        if stuck == self._stuck:
            return
        for insole in stuck.keys() | self._stuck.keys():
            now, before = stuck.get(insole, ()), self._stuck.get(insole, ())
            if now != before:
                foot = self._analysis.pipeline.feet().get(insole)
                zones = ", ".join(map(str, now)) or "none"
                text = f"{foot or insole}: zones that are stuck and left out: {zones}"
                self._line(self._now_s, "insole", text)
        self._stuck = stuck

    def _show_event(self, event: Event) -> None:
        if isinstance(event, Step):
            self._steps += 1
            self._line(event.strike_s, f"step {self._steps}", words.step(event))
        elif isinstance(event, Swing):
            self._show_swing(event)
        elif isinstance(event, Stand):
            self._line(event.start_s, "stand", words.stand(event))
        else:
            self._show_phase(event)

    def _show_swing(self, swing: Swing) -> None:
        self._swings += 1
        good = is_good(swing)
        self._good += good
        self._phases = []
        style = "bold" if good else ""
        rate_hz = self._analysis.rate_hz
        self._line(swing.start_s, f"swing {self._swings}", words.swing(swing, rate_hz), style)
        moments = (
            ("trail peak", swing.trail_peak_s),
            ("shift", swing.shift_s),
            ("lead peak", swing.lead_peak_s),
        )
        after = ", ".join(f"{name} {_after(swing, t_s)}" for name, t_s in moments)
        transfer = words.transfer(swing.push, rate_hz)
        paragraph(self._out, f"{after}; transfer {transfer}", " " * 20, style="dim")

    def _show_phase(self, phase: Phase) -> None:
        self._phase_s = phase.confirmed_s
        if phase.kind in (PhaseKind.BACKSWING, PhaseKind.CANCELLED):
            self._phases = []
        if phase.kind is PhaseKind.PUSH and phase.push is not None:
            self._phases.append(f"push {words.push(phase.push)}")
        elif phase.kind in words.PHASES:
            self._phases.append(words.PHASES[phase.kind])

    # ---- the moment ----

    def _bottom(self) -> Group:
        counts = self._analysis.pipeline.counts().values()
        packets = sum(c.packets for c in counts)
        lost = sum(c.lost_packets for c in counts)
        share = 100.0 * lost / max(packets + lost, 1)
        found = (
            f"  {formats.plural(self._steps, 'step')}, {formats.plural(self._swings, 'swing')}, "
            f"{formats.plural(self._good, 'good push', 'good pushes')}; {share:.1f} % lost"
        )
        head = Text.assemble(*self._progress(self._out.width - len(found)), found)
        if self._now_s - self._phase_s > _PHASES_STAY_S:
            self._phases = []
        score = self._analysis.practice.score
        drill = [] if score is None else [Text(score_line(score))]
        return Group(Text(), head, *drill, *self._bars(), self._phases_line())

    def _progress(self, room: int) -> list[str | tuple[str, str]]:
        """Return the bar, shorter where there is little room, and the time."""
        if self._total_s is None:
            return [formats.clock(self._now_s, 0)]
        now = f"  {formats.clock(self._now_s, 0)} of {formats.clock(self._total_s, 0)}"
        whole = min(max(room - len(now), 0), _PROGRESS_CELLS)
        done = min(self._now_s / self._total_s, 1.0) if self._total_s > 0 else 1.0
        cells = round(whole * done)
        return [("━" * cells, "bold"), ("─" * (whole - cells), "dim"), now]

    def _phases_line(self) -> Text:
        """Return the phases of the swing; where they are too many for a line, the latest."""
        shown = self._phases
        while len("  ".join(shown)) > self._out.width and len(shown) > 1:
            shown = shown[1:]
        return Text("  ".join(shown))

    def _bars(self) -> list[Text]:
        parts = Text()
        for role, foot in (("lead", self._lead), ("trail", self._lead.other)):
            load = self._load_bw(foot)
            fill, colour = _LOOKS[role]
            parts.append(f"{role} ({foot}) ")
            parts.append(_bar(load, fill), style=colour)
            parts.append(f" {formats.number(load, 1):<5}")
        used = self._analysis.pipeline.calibrations()
        feet = self._analysis.pipeline.feet()
        said = {foot: words.calibration(used[k]) for k, foot in feet.items() if foot and k in used}
        doubt = words.uncalibrated(said)
        parts.append("× BW (about)")
        return [parts, Text(f"Loads in × BW: {doubt}.")] if doubt else [parts]

    def _load_bw(self, foot: Foot) -> float | None:
        if self._rows is None:
            return None
        return glance(self._rows, self._lead, self._bw_n).feet[foot].load_bw


def _after(swing: Swing, t_s: float | None) -> str:
    if t_s is None or swing.start_s is None:
        return formats.NONE
    return f"{t_s - swing.start_s:+z.2f} s"


def _bar(load_bw: float | None, fill: str) -> str:
    """Return a bar of `_BAR_CELLS` cells; a filling without part cells is rounded to whole ones."""
    part = 0.0 if load_bw is None else min(load_bw / _BAR_BW, 1.0) * _BAR_CELLS
    if fill != "█":
        return (fill * round(part)).ljust(_BAR_CELLS, "·")
    whole, rest = divmod(round(part * 8), 8)
    return (fill * whole + (_EIGHTHS[rest] if rest else "")).ljust(_BAR_CELLS, "·")
