"""Long work on stored sessions, in a process of its own at low priority.

``python -m plantigrade_gateway.web.desk.worker prepare STORE SESSION``, or
``tables STORE SESSION DIR``, or ``frames STORE SESSION DIR`` (the tables and the raw frames), or
``player STORE PLAYER DIR`` (all that is kept of a player, packed into one file), or
``page STORE PLAYER FILE PAPER`` (the page to take home, as PDF).
Progress goes to standard output, a share (0 to 1) a line; a failure is one sentence on standard
error and exit code 1. So neither the pages nor a recording wait for it.
"""

import os
import shutil
import sys
from contextlib import suppress
from pathlib import Path

from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report.export import export
from plantigrade_gateway.report.frames import write_frames
from plantigrade_gateway.report.page import write_page
from plantigrade_gateway.report.player import export_player
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.prepare import prepare

NICE = 5
"""Steps of priority below the pages' own (ours)."""
PACKED = "zip"
"""How a player's files are packed into one."""


def main(arguments: list[str]) -> int:
    """Do what the command line says; return the exit code."""
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(NICE)
    task, path, session_id, *rest = arguments
    try:
        with Store.open(Path(path), create=False) as store:
            if task == "prepare":
                prepare(store, session_id, _say)
            elif task == "player":
                _pack_player(store, session_id, Path(rest[0]))
            elif task == "page":
                _write_page(store, session_id, Path(rest[0]), rest[1])
            else:
                _export(store, session_id, Path(rest[0]), with_frames=task == "frames")
    except GatewayError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


def _export(store: Store, session_id: str, folder: Path, *, with_frames: bool) -> None:
    def frames(to: Path) -> None:
        write_frames(to, results.whole(store, session_id))

    export(store, session_id, folder, write_frames=frames if with_frames else None)


def _pack_player(store: Store, player_id: str, folder: Path) -> None:
    """Write a player's data into a folder, and the folder into one file of its name."""
    with Register(store) as register:
        export_player(register, player_id, folder)
    shutil.make_archive(str(folder), PACKED, folder.parent, folder.name)


def _write_page(store: Store, player_id: str, path: Path, paper: str) -> None:
    with Register(store) as register:
        write_page(register, player_id, path, paper, replace=False)


def _say(share: float) -> None:
    print(f"{share:.3f}", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
