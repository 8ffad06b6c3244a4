"""Drills as text: which there are, what one asks for, and what its runs came to."""

from collections.abc import Sequence

from rich.console import Console

from plantigrade_gateway import formats
from plantigrade_gateway.drills.files import Shelf
from plantigrade_gateway.drills.model import NO_NORMAL, Drill, Feedback
from plantigrade_gateway.drills.run import DrillResult, Score
from plantigrade_gateway.report.console import heading, item, paragraph, put, table

TOLD = {
    Feedback.EVERY: "after every repetition",
    Feedback.OTHER: "after every other repetition",
    Feedback.ASK: "only when asked for",
    Feedback.SILENT: "never; it is scored all the same",
}


def show_shelf(shelf: Shelf, out: Console) -> None:
    """Print the drills there are."""
    for name, drill in shelf.drills.items():
        item(out, name, f"{drill.title}. {drill.goal}")
        paragraph(out, f"Counts: {drill.counts}", " " * 18)
        paragraph(out, f"Told {TOLD[drill.feedback]}; {shelf.origin[name]}.", " " * 18)
    paragraph(out, NO_NORMAL)
    for text in shelf.problems:
        paragraph(out, f"Left out: {text}")


def chosen_lines(drill: Drill, feedback: Feedback) -> list[str]:
    """Return what is said when a drill is chosen: its goal, what counts, its cautions."""
    return [
        f"Drill: {drill.title}. {drill.goal}",
        f"Counts: {drill.counts} Told {TOLD[feedback]}.",
        *drill.cautions,
        NO_NORMAL,
    ]


def score_line(score: Score) -> str:
    """Return a drill's counters in one line."""
    unclear = f", {score.unclear} unclear" if score.unclear else ""
    return (
        f"{score.name}: {score.good} of {score.tried} good{unclear}; "
        f"{score.streak} in a row, best {score.best}"
    )


def show_drills(runs: Sequence[DrillResult], out: Console) -> None:
    """Print what each run of a drill came to."""
    heading(out, "Drills", "best: most good ones in a row")
    made = table("start", "drill", "told", "good", "tried", "unclear", "best", numbers_from=3)
    for run in runs:
        made.add_row(
            formats.clock(run.start_s),
            run.name,
            run.feedback,
            str(run.good),
            str(run.tried),
            str(run.unclear),
            str(run.best),
        )
    put(out, made, indent=0)
    for name, counts in {run.name: run.counts for run in runs}.items():
        paragraph(out, f"{name}: {counts}", "  ")
    paragraph(out, NO_NORMAL, "  ")
