"""What a hub's files and objects are called: pieces, replay files, heads; which lie about."""

import re
from dataclasses import dataclass
from pathlib import Path

from plantigrade_gateway.child import Alone
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.rows import Row
from plantigrade_gateway.store.schema import followed


def store_path(data: Path) -> Path:
    """Return where a hub's working store lies, and its tables where no server has them."""
    return followed(data / "hub.sqlite3")


def objects_place(data: Path) -> str:
    """Return where records are kept unless told."""
    return str(data / "objects")


def alone(data: Path) -> Alone:
    """Return what whoever changes the working store holds: two at once would undo each other's."""
    return Alone(store_path(data), "keeper", waits=False)


ID = re.compile(r"[0-9a-f]{32}")
"""An id of a session or a player: 128 bits, as the store writes them."""


def replays_of(session_id: str) -> str:
    """Return what the name of a session's replay file begins with."""
    return f"sessions/{session_id}"


def replay_name(session_id: str, pieces: int) -> str:
    """Return the name of a whole session's object; one that goes on gets another."""
    return f"{replays_of(session_id)}/{pieces}.pgr"


def head_name(session_id: str) -> str:
    """Return the name of the object that holds what is known of a whole session."""
    return f"{replays_of(session_id)}/head.json"


def pieces_of(session_id: str) -> str:
    """Return what the names of a session's pieces begin with."""
    return f"pieces/{session_id}"


def piece_name(session_id: str, number: int, sha256: str) -> str:
    """Return the name of a piece's object."""
    return f"{pieces_of(session_id)}/{number}.{sha256}"


def names_of(session_id: str, first: int, sums: list[str]) -> list[str]:
    """Return the names of the objects of pieces, from a number on."""
    return [piece_name(session_id, n, each) for n, each in enumerate(sums, first)]


@dataclass(frozen=True, slots=True)
class Name:
    """An object's name: of what kind, whose, and of which number; ``head``: none."""

    name: str
    kind: str
    session_id: str
    number: str
    rest: str


def lies_about(one: Name, row: Row | None, fresh: list[str]) -> bool:
    """Whether nobody needs an object any more, nor will: by its session's row and fresh pieces."""
    if row is None:  # a whole session is known by its objects alone, where the tables lost it
        return one.kind == "pieces"
    if row.is_deleted:
        return True
    if not (one.number.isascii() and one.number.isdigit()):
        return False
    at = int(one.number) - row.in_replay
    if one.kind == "sessions" or at < 0:
        return at < 0
    return at < len(fresh) and fresh[at] != one.rest


def listed(objects: Objects, kind: str) -> list[Name]:
    """Return the objects of a kind; what else somebody put there is left alone."""
    found = []
    for name in objects.names(kind):
        parts = name.split("/")
        if len(parts) == 3 and ID.fullmatch(parts[1]):
            found.append(Name(name, kind, parts[1], *parts[2].partition(".")[::2]))
    return found
