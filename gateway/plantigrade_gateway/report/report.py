"""An analysis as text for people: what was found, what it was read with, how far to trust it."""

from rich.console import Console
from rich.text import Text

from plantigrade.events import Roll
from plantigrade.summary import bouts_of, summarise_walk
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.report.console import console, heading, paragraph
from plantigrade_gateway.report.drills import show_drills
from plantigrade_gateway.report.measures import show_stands, show_walk
from plantigrade_gateway.report.quality import show_quality, show_reading
from plantigrade_gateway.report.swings import show_groups, show_swings


def show(analysis: Analysis, out: Console | None = None) -> None:
    """Print the whole report."""
    out = out or console()
    show_head(analysis, out)
    if analysis.stands:
        show_stands(analysis.stands, out)
    if analysis.steps:
        show_walk(analysis.steps, out)
    if analysis.swings:
        show_swings(analysis, out)
    if analysis.drills:
        show_drills(analysis.drills, out)
    if analysis.quality is not None:
        show_reading(analysis, analysis.quality, out)
        show_quality(analysis.quality, out)
    out.print()
    for text in (words.TRAINING_AID, words.DESCRIBES):
        paragraph(out, text)


def show_head(analysis: Analysis, out: Console) -> None:
    """Say what was read and what was found in it."""
    rate = "" if analysis.rate_hz is None else f" at {analysis.rate_hz:.0f} Hz"
    out.print(Text(formats.printable(analysis.source), style="bold"), end="")
    out.print(f": {formats.duration(analysis.duration_s)}{rate}, both feet")
    walked = formats.plural(len(analysis.steps), "step")
    if analysis.steps:
        walked += f" in {formats.plural(len(bouts_of(analysis.steps)), 'bout')}"
    parts = (
        walked,
        formats.plural(len(analysis.swings), "swing"),
        formats.plural(len(analysis.stands), "quiet stand"),
    )
    paragraph(out, f"Found: {', '.join(parts)}.")


def show_summary(analysis: Analysis, out: Console) -> None:
    """Print the short report that ends a session."""
    heading(out, "Summary")
    show_head(analysis, out)
    if analysis.steps:
        walk = summarise_walk(analysis.steps)
        rolls = [walk.left.rolls[Roll.THROUGH], walk.right.rolls[Roll.THROUGH]]
        paragraph(
            out,
            f"Walking: cadence {words.spread(walk.cadence_per_min, 0)} steps/min, roll through on "
            f"{words.count_of(rolls[0])} left and {words.count_of(rolls[1])} right steps.",
        )
    if analysis.swings:
        show_groups(analysis, out)
    if analysis.drills:
        show_drills(analysis.drills, out)
    out.print()
    for text in (words.TRAINING_AID, words.DESCRIBES):
        paragraph(out, text)
