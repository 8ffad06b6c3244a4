"""The list of the stored sessions, for people and as JSON; loads nothing that computes."""

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console

from plantigrade_gateway import formats
from plantigrade_gateway.report.console import paragraph, put, table
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import SessionLine
from plantigrade_gateway.store.store import Store


def show_list(lines: Sequence[SessionLine], names: Mapping[str, str], out: Console) -> None:
    """Print the sessions, one a line; `names` are the players', by id."""
    if not lines:
        paragraph(out, "No session is stored yet. plantigrade demo records one.")
        return
    whose = ("player",) if any(line.player is not None for line in lines) else ()
    made = table("session", "started", "length", "steps", "swings", "stands", *whose, "source")
    made.columns[1].justify = "left"
    for column in made.columns[6:]:
        column.justify = "left"
    for line in lines:
        session = line.session
        made.add_row(
            line.short_id,
            f"{session.started:%Y-%m-%d %H:%M}",
            _length(session),
            str(line.steps),
            str(line.swings),
            str(line.stands),
            *(player_of(line, names) for _ in whose),
            formats.printable(session.source_said),
        )
    put(out, made, indent=0)


def names_of(lines: Sequence[SessionLine], store: Store) -> dict[str, str]:
    """Return the players' names by id; empty, at once, where no session names a player."""
    if all(line.player is None for line in lines):
        return {}
    from plantigrade_gateway.people.players import Register  # loads a database library

    with Register(store) as register:
        return register.names()


def player_of(line: SessionLine, names: Mapping[str, str]) -> str:
    """Return a session's player as people read it: by name, or by an id whose name is gone."""
    if line.player is None:
        return formats.NONE
    player_id = line.player.player_id
    return formats.printable(names.get(player_id) or player_id)


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
