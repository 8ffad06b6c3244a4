"""A session's report as text: what was found, what it was read with, how far to trust it; the list.

Takes an `Analysis` or stored sessions, prints to a rich console; computes no measure.
"""

from collections.abc import Mapping

from rich.console import Console
from rich.text import Text

from plantigrade.block import Foot
from plantigrade.events import Roll
from plantigrade.summary import bouts_of, summarise_walk
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.quality import FootQuality, Quality
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.people.said import Said
from plantigrade_gateway.record.entries import is_lost
from plantigrade_gateway.report.console import console, heading, item, paragraph, put, table
from plantigrade_gateway.report.drills import show_drills
from plantigrade_gateway.report.listing import player_of
from plantigrade_gateway.report.measures import (
    show_groups,
    show_stands,
    show_strikes,
    show_swings,
    show_walk,
)
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import SessionLine

FROM = {
    "mass": "from the mass given",
    "recording": "from the recording's own load",
    "assumed": "assumed",
}


def show_reading(analysis: Analysis, quality: Quality, out: Console) -> None:
    """Say what the results were read with."""
    limits = quality.limits
    heading(out, "Read with", "(limits may be set: plantigrade settings)")
    item(out, "layout", f"{quality.layout}, {quality.zones} zones")
    item(out, "lead foot", f"{quality.lead} ({quality.handed}-handed)")
    weight = f"about {quality.body_weight_n:.0f} N, {FROM[quality.body_weight_from]}"
    item(out, "body weight", weight)
    for foot in Foot:
        calibration = quality.foot(foot).calibration
        if calibration is not None:
            item(out, f"{foot} insole", calibration)
    item(
        out,
        "contact",
        f"above {quality.contact_n:.0f} N, the larger of {limits.contact_n:.0f} N and "
        f"{formats.percent(limits.contact_bw)} of body weight",
    )
    said = words.decided_by(limits, quality.heel_lift_n)
    shown = {"bearing": analysis.stands, "roll": analysis.steps}
    shown |= {"lead heel": analysis.swings, "push": analysis.swings}
    for name, text in said.items():
        if shown.get(name, True):
            item(out, name, text)


def show_quality(quality: Quality, out: Console) -> None:
    """Say what is missing or doubtful."""
    heading(out, "Quality")
    made = table("", "left", "right")
    rows = zip(_quality_cells(quality.left), _quality_cells(quality.right), strict=True)
    for (name, left), (_, right) in rows:
        if (left, right) != (formats.NONE, formats.NONE):
            made.add_row(name, left, right)
    put(out, made)
    for note in quality.notes:
        paragraph(out, formats.sentence(note), "  ")


def _quality_cells(foot: FootQuality) -> list[tuple[str, str]]:
    baseline = "not set by a walk"
    if foot.baseline_age_s is not None:
        error = foot.baseline_error_n  # one foot lift that was asked for has no spread
        spread = "" if error is None else f" ± {error:.1f}"
        baseline = f"{foot.baseline_n:.1f}{spread} N, {formats.duration(foot.baseline_age_s)} old"
    unused = ", ".join(map(str, foot.unused_zones)) or formats.NONE
    saturated = formats.NONE if not foot.saturated_samples else str(foot.saturated_samples)
    rows = [
        ("samples missing", foot.missing_text),
        ("gaps", foot.gaps.text),
        ("baseline taken off", baseline),
        ("zones not used", unused),
        ("readings at full scale", saturated),
    ]
    return rows + _link_cells(foot)


def _link_cells(foot: FootQuality) -> list[tuple[str, str]]:
    link = foot.link
    if link is None:
        return [
            (name, formats.NONE)
            for name in ("packets lost", "packets left out", "clock", "battery")
        ]
    left_out = {
        "late": link.late,
        "repeated": link.repeated,
        "overlapping": link.overlapping,
        "malformed": link.malformed,
        "not ours": link.ignored,
    }
    said = ", ".join(f"{n} {why}" for why, n in left_out.items() if n)
    due = link.packets + link.lost_packets
    lost = f"{link.lost_packets} of {due} ({100 * link.lost_packets / max(due, 1):.1f} %)"
    clock = f"{link.clock_drift_ppm:+z.0f} ppm, within {1000 * link.clock_error_s:.0f} ms"
    if link.restarts:
        clock += f", {formats.plural(link.restarts, 'restart')}"
    return [
        ("packets lost", lost),
        ("packets left out", said or formats.NONE),
        ("clock", clock),
        ("battery", "low" if link.battery_low else formats.NONE),
    ]


def show(analysis: Analysis, out: Console | None = None) -> None:
    """Print the whole report."""
    out = out or console()
    show_head(analysis, out)
    if analysis.stands:
        doubt = "" if analysis.quality is None else analysis.quality.uncalibrated
        show_stands(analysis.stands, out, doubt)
    if analysis.steps:
        show_walk(analysis.steps, out)
    if analysis.swings:
        show_swings(analysis, out)
        show_strikes(analysis, out)
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
    out.print(f": {formats.duration(analysis.duration_s)}{rate}, {_feet(analysis)}")
    walked = formats.plural(len(analysis.steps), "step")
    if analysis.steps:
        walked += f" in {formats.plural(len(bouts_of(analysis.steps)), 'bout')}"
    parts = (
        walked,
        formats.plural(len(analysis.swings), "swing"),
        formats.plural(len(analysis.stands), "quiet stand"),
    )
    paragraph(out, f"Found: {', '.join(parts)}.")


def _feet(analysis: Analysis) -> str:
    """Say of which feet there are samples; where it is not known, both were wanted."""
    quality = analysis.quality
    if quality is None or (quality.left.samples and quality.right.samples):
        return "both feet"
    if not quality.left.samples and not quality.right.samples:
        return "no samples of either foot"
    return f"the {'left' if quality.left.samples else 'right'} foot alone"


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


_ENDED = {
    "end": "to its end",
    "stop": "stopped",
    "no load": "ended without load",
    "change": "ended by a change of player",
    "restart": "cut off",
    "error": "ended by an error",
}


def show_session(
    line: SessionLine, found: Analysis, names: Mapping[str, str], said: Said, out: Console
) -> None:
    """Print a stored session's report; `names` are the players', by id, `said` of the session."""
    session = line.session
    item(out, "session", session.session_id)
    if line.player is not None:
        item(out, "player", player_of(line, names))
    item(out, "started", f"{session.started:%Y-%m-%d %H:%M:%S %z} on {session.host}")
    ended = "is still being recorded"
    if session.state != "open":
        ended = _ENDED.get(session.end_reason or "", session.end_reason or "ended")
    item(out, "recording", f"{formats.duration(session.duration_s)}, {ended}")
    if session.pair:
        item(out, "pair", session.pair)
    show_stop(said, out)
    if said.hold_taken_back is not None:
        item(out, "taken back", said.hold_taken_back.text)
    out.print()
    show(found, out)
    if found.quality is None:
        why = "it is once the session has ended."
        if session.state != "open":
            why = (
                f"the recording was cut off. plantigrade reanalyse {line.short_id} makes the "
                "results again."
            )
        paragraph(out, f"How far to trust it is not stored: {why}")


def show_stop(said: Said, out: Console) -> None:
    """Say for what a visit was stopped, where it was and nobody took it back."""
    if said.questions is not None and said.questions.hold:
        item(out, "stopped", f"{said.questions.hold}, by the {said.questions.by}")


def redone_line(session: Session, found: Analysis, changed: int) -> str:
    """Say what making a session's results again came to."""
    what = "nothing changed" if not changed else f"{formats.plural(changed, 'result')} changed"
    gaps = 0 if found.quality is None else sum(map(is_lost, found.quality.notes))
    if gaps:
        what += f"; {formats.plural(gaps, 'gap')} in its record, see plantigrade show"
    return (
        f"{session.session_id[:8]}  {formats.plural(len(found.steps), 'step')}, "
        f"{formats.plural(len(found.swings), 'swing')}, "
        f"{formats.plural(len(found.stands), 'stand')}: {what}"
    )
