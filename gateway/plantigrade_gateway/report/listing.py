"""The list of the stored sessions, for people and as JSON; loads nothing that computes."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from plantigrade_gateway import formats
from plantigrade_gateway.report.console import paragraph, put, table
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import SessionLine


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
            formats.printable(session.source_said),
        )
    put(out, made, indent=0)


def _length(session: Session) -> str:
    return "recording" if session.state == "open" else formats.clock(session.duration_s, 0)


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
        "pair": session.pair,
    }
