"""One player's data as files: what was said, pictures of footprints, the sessions, the visits.

Whoever reads the files reads names: they are their owner's alone.
"""

import csv
import io
import math
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from rich.console import Console

from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Mark, check_name, set_name
from plantigrade_gateway.converter import plain, text_of
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.formats import number, printable
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import Prints
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.report.console import heading, item
from plantigrade_gateway.report.export import export
from plantigrade_gateway.report.frames import write_frames
from plantigrade_gateway.report.staging import staging_in
from plantigrade_gateway.store import results
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.store import Store

PLAYER_FILE, VISITS_FILE = "player.json", "visits.csv"
_FILE, _FOLDER = 0o600, 0o700


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit, enough for a bill.

    Attributes
    ----------
    date : date
        Where it was, by the clock there.
    minutes : int
        Recorded, begun ones counted whole.
    kind : str
        What was done: ``check``, ``sets``, ``drill``, several with ``+`` between them, or
        ``recording``.
    """

    date: date
    minutes: int
    kind: str


def visits(store: Store, player_id: str) -> list[Visit]:
    """Return a player's visits, the first one first."""
    return [visit_of(store, session) for session in _sessions(store, player_id)]


def visits_csv(store: Store, player_id: str) -> str:
    """Return a player's visits as CSV."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(("date", "minutes", "kind"))
    write.writerows((v.date.isoformat(), v.minutes, v.kind) for v in visits(store, player_id))
    return out.getvalue()


def _sessions(store: Store, player_id: str) -> list[Session]:
    return store.sessions(player_id)[::-1]


def visit_of(store: Store, session: Session) -> Visit:
    """Return a session as a visit."""
    minutes = math.ceil(session.duration_s / 60)
    return Visit(session.started.date(), minutes, _kind(store, session))


def _kind(store: Store, session: Session) -> str:
    kept = store.quality(session.session_id).get("marks")
    marks = [Mark(**mark) for mark in kept] if isinstance(kept, list) else []
    done = {
        "check": any(check_name(mark) is not None for mark in marks),
        "sets": any(set_name(mark) is not None for mark in marks),
        "drill": bool(results.drills(store, session.session_id)),
    }
    return "+".join(name for name, was in done.items() if was) or "recording"


def player_json(register: Register, player_id: str) -> dict[str, Any]:
    """Return all that was said of a player as JSON values: as it stands, and each change.

    The changes about sessions stand by themselves.

    Raises
    ------
    StoreError
        There is no such player.
    """
    return {
        "schema": 1,
        "player": plain(register.profile(player_id)),
        "consents": plain(register.consents(player_id, datetime.now().astimezone().date())),
        "findings": plain(register.findings(player_id)),
        "decisions": plain(register.decisions(player_id)),
        "prints": register.prints(player_id),
        "sessions": [one.session_id for one in _sessions(register.store, player_id)],
        "changes": [asdict(change) for change in register.changes(player_id)],
        "session_changes": [
            asdict(change)
            for one in _sessions(register.store, player_id)
            for change in Visits(register).changes(one.session_id)
        ],
    }


def show_player(said: dict[str, Any], out: Console) -> None:
    """Print what `player_json` returns, but for the changes."""
    player = said["player"]
    given = {
        "id": player["player_id"],
        "handed": player["handedness"],
        "mass": number(player["mass_kg"], 1, " kg"),
        "shoe": player["shoe"],
        "footbed": player["footbed"],
        "size": player["size"],
        "insoles": " and ".join(player["insoles"] or ()),
        "guardian": player["guardian"] if player["is_minor"] else "",
        "next check": player["next_check"],
        "sessions": str(len(said["sessions"])),
    }
    heading(out, printable(player["name"]))
    for name, text in given.items():
        if text:
            item(out, name, text)
    heading(out, "Consent")
    for one in said["consents"]:
        until = f", until {one['until']}" if one["until"] else ""
        gone = "; given" if one["state"] == "ran out" else ""
        by = f"{gone} by the {one['by']}, {one['when'][:10]}" if one["by"] else ""
        item(out, one["what"], f"{one['state']}{by}{until}")
    if said["findings"]:
        heading(out, "Found")
    for one in said["findings"]:
        item(out, one["what"], _with(one["state"], one["text"]))
    if said["prints"]:
        heading(out, "Barefoot prints")
    for foot, name in said["prints"].items():
        item(out, foot, name)
    if said["decisions"]:
        heading(out, "Decided")
    for one in said["decisions"]:
        text = words.decision(one["answer"], one["plan"], one["day"], one["cue"])
        item(out, one["topic"], text)


def _with(word: str, text: str) -> str:
    return f"{word}: {text}" if text else word


def export_player(register: Register, player_id: str, folder: Path) -> list[Path]:
    """Write all of one player's data into a new folder, which only its owner may read.

    Parameters
    ----------
    register : Register
    player_id : str
    folder : Path
        Must not be there yet.

    Returns
    -------
    list of Path
        The files: what was said, the visits, the pictures of footprints, and a folder with tables
        and raw frames of each session.

    Raises
    ------
    StoreError
        There is no such player, the folder is there already or cannot be written, or a session's
        results were made by another version; nothing is left then.
    """
    store = register.store
    said = player_json(register, player_id)
    if folder.exists():
        raise StoreError(f"export to {folder}: is there already; choose another folder")
    try:
        with staging_in(folder.parent) as staging:
            (staging / PLAYER_FILE).write_text(text_of(said) + "\n", "utf-8")
            (staging / VISITS_FILE).write_text(visits_csv(store, player_id), "utf-8")
            for print_id, picture in Prints(register).pictures(player_id).items():
                (staging / f"footprint-{print_id}.jpg").write_bytes(picture)
            for session in _sessions(store, player_id):
                _write_session(store, session, staging)
            names = list(_closed(staging))
            staging.rename(folder)
    except OSError as error:
        raise StoreError(
            f"export to {folder}: cannot be written ({error.strerror or error}), nothing was kept"
        ) from error
    return [folder / name for name in names]


def _write_session(store: Store, session: Session, folder: Path) -> None:
    session_id = session.session_id
    export(
        store,
        session_id,
        folder / f"{session.started:%Y-%m-%d}-{session_id}",
        write_frames=lambda path: write_frames(path, results.whole(store, session_id)),
    )


def _closed(folder: Path) -> Iterator[Path]:
    """Let only the owner read what is in a folder; give its files, named from it."""
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            os.chmod(path, _FOLDER)
        else:
            os.chmod(path, _FILE)
            yield path.relative_to(folder)
