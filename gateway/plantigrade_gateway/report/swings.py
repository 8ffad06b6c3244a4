"""Swings and sets of them as text."""

from rich.console import Console
from rich.text import Text

from plantigrade.events import HeelLiftState, Manner, Swing, Timing
from plantigrade.reliability import Proportion, proportion
from plantigrade.summary import summarise_swings
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import Analysis, SwingRun, sets_of
from plantigrade_gateway.report.console import heading, paragraph, put, table
from plantigrade_gateway.sound.cues import is_good

SWING_NOTES = (
    "Load tempo is (start to trail peak) : (trail peak to lead peak), not the trade's backswing : "
    "downswing. Transfer is from heel leave to fore take on the trail foot.",
    "Of the heel it is unloading that is seen, not height; of the push load, not propulsion.",
)


def show_swings(analysis: Analysis, out: Console) -> None:
    """Print every swing, then what each set comes to."""
    lead = analysis.swings[0].lead
    heading(out, "Swings", f"lead foot {lead}, trail foot {lead.other}; times from the start, s")
    names = ("", "start", "push", "lead heel", "trail\npeak", "shift", "lead\npeak")
    made = table(*names, "load\ntempo", "trans-\nfer", numbers_from=4)
    number = 0
    for group in groups_of(analysis):
        if group.name:
            made.add_row("", "", Text(group.name, style="bold"))
        for swing in group.swings:
            number += 1
            made.add_row(str(number), *_swing_cells(swing))
    put(out, made, indent=0)
    if any(swing.touches_gap for swing in analysis.swings):
        paragraph(out, "* touches missing samples", "  ")
    for text in SWING_NOTES:
        paragraph(out, text, "  ")
    show_groups(analysis, out)


def groups_of(analysis: Analysis) -> list[SwingRun]:
    """Return the sets, and before them the swings that belong to none, if there are some."""
    sets = list(sets_of(analysis.swings, analysis.marks))
    inside = {id(swing) for run in sets for swing in run.swings}
    rest = tuple(swing for swing in analysis.swings if id(swing) not in inside)
    named = [SwingRun(f"set {run.name}", run.start_s, run.swings) for run in sets]
    return [SwingRun("in no set" if sets else "", 0.0, rest), *named] if rest else named


def _swing_cells(swing: Swing) -> tuple[str, ...]:
    def after(t_s: float | None) -> str:
        known = t_s is not None and swing.start_s is not None
        return f"{t_s - swing.start_s:.2f}" if known else formats.NONE  # type: ignore[operator]

    return (
        formats.clock(swing.start_s) + ("*" if swing.touches_gap else ""),
        words.push(swing.push),
        words.heel_lift(swing.heel_lift),
        after(swing.trail_peak_s),
        after(swing.shift_s),
        after(swing.lead_peak_s),
        formats.number(swing.load_tempo, 1),
        formats.number(swing.push.transfer_s, 2),
    )


def show_groups(analysis: Analysis, out: Console) -> None:
    """Print what sets of swings come to, side by side."""
    runs = [run for run in groups_of(analysis) if run.swings]
    heading(out, "Sets", "mean ± SD (count); proportions: 95 % interval, %")
    for start in range(0, len(runs), 3):
        some = runs[start : start + 3]
        made = table("", *(run.name or "all swings" for run in some))
        for row in zip(*(_set_cells(run) for run in some), strict=True):
            made.add_row(row[0][0], *(value for _, value in row))
        put(out, made)
    if analysis.quality is not None and analysis.quality.uncalibrated:
        paragraph(out, f"× BW: {analysis.quality.uncalibrated}.", "  ")


def set_line(run: SwingRun) -> str:
    """Return what a set comes to in one line."""
    found = summarise_swings(run.swings)
    return (
        f"{formats.plural(found.swings, 'swing')} in set {run.name}: rolled with shift "
        f"{words.count_of(_good(run))}, heel lifted "
        f"{words.count_of(found.heel_lifts[HeelLiftState.LIFTED])}, load tempo "
        f"{words.spread(found.load_tempo, 1)}"
    )


def _good(run: SwingRun) -> Proportion:
    return proportion(sum(map(is_good, run.swings)), len(run.swings))


def _set_cells(run: SwingRun) -> list[tuple[str, str]]:
    found = summarise_swings(run.swings)
    return [
        ("swings", str(found.swings)),
        ("rolled with the shift", words.proportion(_good(run))),
        ("push rolled", words.proportion(found.manners[Manner.ROLLED])),
        ("push skipped", words.proportion(found.manners[Manner.SKIPPED])),
        ("push held", words.proportion(found.manners[Manner.HELD])),
        ("push early", words.proportion(found.timings[Timing.EARLY])),
        ("heel lifted", words.proportion(found.heel_lifts[HeelLiftState.LIFTED])),
        ("heel lifted for, s", words.spread(found.heel_lift_s)),
        ("start to trail peak, s", words.spread(found.start_to_trail_peak_s)),
        ("shift to lead peak, s", words.spread(found.shift_to_lead_peak_s)),
        ("load tempo", words.spread(found.load_tempo)),
        ("transfer, s", words.spread(found.transfer_s)),
        ("transfer, % of shift", words.spread(found.transfer_of_shift, 0, 100)),
        ("load at fore take, %", words.spread(found.load_at_fore_take, 0, 100)),
        ("lead peak, about × BW", words.spread(found.lead_peak_bw)),
        ("lead share range, %", words.spread(found.share_range, 0, 100)),
        ("back to trail foot, %", words.spread(found.trail_return_share, 0, 100)),
    ]
