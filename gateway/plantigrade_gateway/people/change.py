"""One change of the log: what somebody said of something."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Change:
    """Something that somebody said of something.

    Attributes
    ----------
    change_id : str
    entity : str
        What kind of thing: ``player``, ``decision``, ``swing``…
    entity_id : str
    field : str
    value : Any
        A JSON value.
    author : str
        Who; an id or a short word, never a player's name.
    wall_utc_ms : int
        By the wall clock of the place.
    hlc : int
        The stamp (`clock.HybridClock`).
    site : str
        The place, a random id.
    seq : int
        Its number among the changes of that place.
    """

    change_id: str
    entity: str
    entity_id: str
    field: str
    value: Any
    author: str
    wall_utc_ms: int
    hlc: int
    site: str
    seq: int
