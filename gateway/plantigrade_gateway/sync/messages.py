"""What a bay and its hub say to each other: where, and in which JSON bodies.

Both sides read and write these alone; `hardware_notes/hub.md` says the same to others.
"""

from dataclasses import dataclass, field
from typing import Any

PREFIX = "/bay/v1"
"""All of it lies under here; each request has ``Authorization: Bearer <bay>.<secret>``."""
MOST_CHANGES = 500
"""In one body, either way."""
LARGEST_PIECE = 1 << 24
"""Bytes of one piece of a record."""
MOST_TOGETHER = 64
"""Pieces of a session in one request."""
LARGEST_TOGETHER = 1 << 22
"""Bytes of one request of several pieces."""


@dataclass(frozen=True, slots=True)
class SessionHead:
    """A session, before its pieces: ``PUT /bay/v1/sessions/<id>``.

    Attributes
    ----------
    session_id : str
    player_id : str or None
    started_utc : str
        ISO 8601 with milliseconds, UTC.
    utc_offset_min : int
        What the wall clock of the place was ahead of UTC.
    about : dict of str to JSON values
        What else the bay's store holds of it beside its record.
    """

    session_id: str
    player_id: str | None
    started_utc: str
    utc_offset_min: int
    about: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Received:
    """What the hub has of a session: the answer to anything asked of ``/bay/v1/sessions/<id>``.

    Attributes
    ----------
    pieces : int
        As many, from the first one on, without a gap: the next one wanted has this number.
    is_whole : bool
        Whether it was ended and stands in the archive.
    is_deleted : bool
        Whether its player was deleted: nothing of it is taken any more.
    together : int
        How many pieces it takes in one request; a hub of an older version does not say.
    """

    pieces: int
    is_whole: bool = False
    is_deleted: bool = False
    together: int = 1


@dataclass(frozen=True, slots=True)
class Taken(Received):
    """The answer to ``POST /bay/v1/sessions/<id>/pieces``.

    Attributes
    ----------
    taken : list of [number, SHA-256 in hex]
        Each piece that was given and is there now.
    """

    taken: list[tuple[int, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class SessionEnd:
    """A session is over: ``POST /bay/v1/sessions/<id>/end``.

    Attributes
    ----------
    pieces : int
        How many it has.
    sha256 : str
        Of the hashes of its pieces, in order, as bytes: hex.
    player_id : str or None
        Whose it is by now.
    """

    pieces: int
    sha256: str
    player_id: str | None


@dataclass(frozen=True, slots=True)
class Changes:
    """Changes of the log (`people.log.Change`) as JSON objects: ``POST /bay/v1/changes``.

    A side asks with what it has and is given the rest, in order of place and number; what it is
    given may be given again.

    Attributes
    ----------
    changes : list of dict
    restamps : list of [change id, stamp]
        All that are kept.
    has : dict of str to int
        The sender's highest number of each place, wiped ones among them.
    place : str or None
        The bay's own, under which it says what is said there; None in an answer, or where nothing
        was said yet.
    places : list of str
        In an answer: those of which the hub takes changes of this bay, its own among them.
    """

    changes: list[dict[str, Any]]
    restamps: list[tuple[str, int]]
    has: dict[str, int]
    place: str | None = None
    places: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Deleted:
    """A bay has deleted a player: ``PUT /bay/v1/deleted/<player id>``.

    Attributes
    ----------
    receipt : dict
        `people.deletion.Receipt` as JSON.
    """

    receipt: dict[str, Any]
