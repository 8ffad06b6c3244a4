"""Stored sessions as text and JSON."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from plantigrade_gateway import formats
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.report import report
from plantigrade_gateway.report.console import item, paragraph, put, table
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import SessionLine

_ENDED = {
    "end": "to its end",
    "stop": "stopped",
    "restart": "cut off",
    "error": "ended by an error",
}


def show_list(lines: Sequence[SessionLine], out: Console) -> None:
    """Print the sessions, one a line."""
    if not lines:
        paragraph(out, "No session is stored yet. plantigrade demo records one.")
        return
    made = table("session", "started", "length", "steps", "swings", "stands", "source")
    made.columns[1].justify = "left"
    made.columns[6].justify = "left"
    made.columns[6].no_wrap = False
    for line in lines:
        session = line.session
        made.add_row(
            line.short_id,
            f"{session.started:%Y-%m-%d %H:%M}",
            _length(session),
            str(line.steps),
            str(line.swings),
            str(line.stands),
            formats.printable(session.source),
        )
    put(out, made, indent=0)


def _length(session: Session) -> str:
    return "recording" if session.state == "open" else formats.clock(session.duration_s, 0)


def show_session(line: SessionLine, found: Analysis, out: Console) -> None:
    """Print a stored session's report."""
    session = line.session
    item(out, "session", session.session_id)
    if line.player is not None:
        item(out, "player", line.player.player_id)
    item(out, "started", f"{session.started:%Y-%m-%d %H:%M:%S %z} on {session.host}")
    ended = "is still being recorded"
    if session.state != "open":
        ended = _ENDED.get(session.end_reason or "", session.end_reason or "ended")
    item(out, "recording", f"{formats.duration(session.duration_s)}, {ended}")
    out.print()
    report.show(found, out)
    if found.quality is None:
        paragraph(
            out,
            "How far to trust it is not stored: the recording was cut off. plantigrade reanalyse "
            f"{line.short_id} makes the results again.",
        )


def session_json(line: SessionLine) -> dict[str, Any]:
    """Return a session as JSON values; players by id only."""
    session = line.session
    return {
        "session": session.session_id,
        "player": session.player_id,
        "started": session.started.isoformat(),
        "duration_s": session.duration_s,
        "source": session.source,
        "host": session.host,
        "state": session.state,
        "end_reason": session.end_reason,
        "analysis_version": session.analysis_version,
        "steps": line.steps,
        "swings": line.swings,
        "stands": line.stands,
    }


def redone_line(session: Session, found: Analysis, changed: int) -> str:
    """Say what making a session's results again came to."""
    what = "nothing changed" if not changed else f"{formats.plural(changed, 'result')} changed"
    return (
        f"{session.session_id[:8]}  {formats.plural(len(found.steps), 'step')}, "
        f"{formats.plural(len(found.swings), 'swing')}, "
        f"{formats.plural(len(found.stands), 'stand')}: {what}"
    )
