"""What somebody asks of the bay over the broker: read, and obeyed once and not too often."""

import logging
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade_gateway.budget import Budget
from plantigrade_gateway.errors import InputError

VERSION = 1
"""Of topics and payloads: raised when a key goes or changes its meaning, not when one comes."""
COMMANDS = ("start", "stop", "mark", "drill")
_LONGEST_TEXT = 200
_LONGEST_PAIR = 16
_LONGEST_COMMAND = 4096  # bytes
_REMEMBERED = 10_000  # half an hour of as many as are obeyed (ours)
BURST, A_SECOND = 12.0, 6.0
"""How many are heard at once, and each second: as many as a page's (ours)."""
_log = logging.getLogger(__name__)


class CommandReader:
    """Reads what comes as a command.

    Parameters
    ----------
    clock : callable
        Monotonic time, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._budget = Budget(BURST, A_SECOND, clock)
        self._handled: deque[str] = deque(maxlen=_REMEMBERED)
        self._left_out = 0

    def take(self, data: bytes | str) -> dict[str, Any] | None:
        """Return what is to be done; None where it is no command, came before, or one too many."""
        if not self._budget.take():  # nonsense costs as much
            if not self._left_out % 1000:
                _log.warning("command: more than %g a second; the others are left out", A_SECOND)
            self._left_out += 1
            return None
        try:
            found = command(data)
        except InputError as error:
            _log.warning("%s", str(error))
            return None
        ident = found.pop("id")
        if ident in self._handled:
            return None
        self._handled.append(ident)
        return found


def is_for(message: Mapping[str, Any], pair: str) -> bool:
    """Return whether a command is for a pair: one without a pair is for each there is.

    Parameters
    ----------
    message : mapping
        As `command` returns it.
    pair : str
        The pair's name; empty: the usual one, which has none.
    """
    wanted = str(message.get("pair", "")).casefold()
    return wanted in ("", pair.casefold())


def command(data: bytes | bytearray | str) -> dict[str, Any]:
    """Read a command.

    Returns
    -------
    dict
        As a page's message (`hardware_notes/live_messages.md`), with the command's ``id``.

    Raises
    ------
    InputError
        It is none; one sentence.
    """
    try:
        table = read_json(data, "command", _LONGEST_COMMAND)
    except ForeignError as error:
        raise InputError(str(error)) from None
    if not isinstance(table, dict) or table.get("v") != VERSION:
        raise InputError(f"command: expected an object with v {VERSION}")
    name, text, ident = table.get("command"), table.get("text", ""), table.get("id")
    if name not in COMMANDS:
        raise InputError(f"command: is {shown(name)}, expected {', '.join(COMMANDS)}")
    if not isinstance(text, str) or len(text) > _LONGEST_TEXT:
        raise InputError(f"command: text is no text of up to {_LONGEST_TEXT} characters")
    if not isinstance(ident, str) or not 0 < len(ident) <= 64:
        raise InputError("command: expected an id, so that one that comes twice is obeyed once")
    pair = table.get("pair", "")
    if not isinstance(pair, str) or len(pair) > _LONGEST_PAIR:
        raise InputError("command: pair is no name of a pair")
    found: dict[str, Any] = {"id": ident} | ({"pair": pair} if pair else {})
    match name:
        case "start":
            return {"type": "record"} | found
        case "drill":
            return {"type": "drill", "name": text or None} | found
        case "mark":
            # One line, as a page's: a mark of several may be read as something else.
            return {"type": "mark", "text": " ".join(text.split())} | found
        case _:
            return {"type": "stop"} | found
