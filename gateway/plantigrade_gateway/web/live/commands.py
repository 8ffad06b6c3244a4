"""What an open page may ask of the gateway: what is known of it, of the right kind, not too much.

A page is a program in somebody else's hands. What it sends goes on to the gateway, which prints it,
keeps it and acts on it; nothing passes that is not one of these, field by field.
"""

import time
from collections.abc import Callable
from typing import Any

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.access import Rights

Message = dict[str, Any]
LONGEST_NOTE = 500
LONGEST_WORD = 100

_Kinds = tuple[type, ...]
_WORD: _Kinds = (str, type(None))
_NUMBER: _Kinds = (int, float)
_FIELDS: dict[str, dict[str, _Kinds]] = {
    "ask": {},
    "drawn": {"sent_ms": _NUMBER, "drawn_ms": _NUMBER},
    "drill": {"name": _WORD, "feedback": _WORD},
    "mark": {"text": (str,)},
    "record": {},
    "sound": {"device": (bool,)},
    "stop": {},
}
_PLAYER_MAY = frozenset({"ask", "drawn"})

_BURST = 120.0
_A_SECOND = 60.0
_COST = {"drawn": 1.0}  # one a picture, while a page is measured
_USUAL_COST = 10.0


class Budget:
    """How much a page may ask at once: a dozen commands, then six a second (ours).

    Parameters
    ----------
    clock : callable
        Monotonic time, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._left = _BURST
        self._at_s = clock()

    def take(self, message: object) -> bool:
        """Take what a message costs; return whether there was enough."""
        now_s = self._clock()
        self._left = min(_BURST, self._left + (now_s - self._at_s) * _A_SECOND)
        self._at_s = now_s
        self._left -= _COST.get(_kind_of(message), _USUAL_COST)
        return self._left >= 0.0


def checked(message: object, rights: Rights) -> Message:
    """Return a command with the fields that it has, and no other.

    Raises
    ------
    InputError
        It is none, not of its kind, or not for these rights; one sentence.
    """
    kind = _kind_of(message)
    if not isinstance(message, dict) or kind not in _FIELDS:
        raise InputError(f"message: expected one of {', '.join(sorted(_FIELDS))}")
    if rights is not Rights.COACH and kind not in _PLAYER_MAY:
        raise InputError(f"{kind}: only the coach's page can do this")
    found: Message = {"type": kind}
    for name, kinds in _FIELDS[kind].items():
        value = message.get(name)
        if name == "text":
            found[name] = _note(value)
        elif name in message:
            if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
                raise InputError(f"{kind}: {name} is not of its kind")
            if isinstance(value, str) and (len(value) > LONGEST_WORD or not value.isprintable()):
                raise InputError(f"{kind}: {name} is not a word of ours")
            found[name] = value
    return found


def _kind_of(message: object) -> str:
    kind = message.get("type") if isinstance(message, dict) else None
    return kind if isinstance(kind, str) else ""


def _note(text: object) -> str:
    """Return a note as it is kept: one line, without what steers a terminal."""
    plain = ""
    if isinstance(text, str) and len(text) <= LONGEST_NOTE:
        plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    if not plain:
        raise InputError(f"mark: expected a text of 1 to {LONGEST_NOTE} characters")
    return plain
