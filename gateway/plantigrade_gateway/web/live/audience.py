"""The audience of the live page: what the gateway sends to each viewer, and what a viewer asks.

What a page sends is checked field by field and in number before it goes on; a viewer that does not
read is dropped and counted.
"""

import asyncio
import json
import math
from collections import deque
from collections.abc import Callable
from typing import Any

from plantigrade_gateway.budget import Budget
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
    "check": {
        **{"do": (str,), "look": _WORD, "club": _WORD, "group": _WORD, "by": _WORD},
        "m_s": _NUMBER,
    },
    "drawn": {"sent_ms": _NUMBER, "drawn_ms": _NUMBER},
    "drill": {"name": _WORD, "feedback": _WORD},
    "mark": {"text": (str,)},
    "player": {"id": _WORD},
    "record": {},
    "set": {"intent": (str,), "club": _WORD},
    "set_end": {},
    "sound": {"device": (bool,)},
    "sounds": {"on": (bool,)},
    "stop": {},
}
_PLAYER_MAY = frozenset({"ask", "drawn", "sounds"})

_BURST = 120.0
_A_SECOND = 60.0
"""A dozen commands at once, then six a second (ours)."""
_COST = {"drawn": 1.0}  # one a picture, while a page is measured
_USUAL_COST = 10.0


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
    is_pain = kind == "check" and message.get("do") == "pain"  # to stop is the player's too
    if rights is not Rights.COACH and kind not in _PLAYER_MAY and not is_pain:
        raise InputError(f"{kind}: only the coach's page can do this")
    found: Message = {"type": kind}
    for name, kinds in _FIELDS[kind].items():
        value = message.get(name)
        if name == "text":
            found[name] = _note(value)
        elif name in message:
            if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
                raise InputError(f"{kind}: {name} is not of its kind")
            if isinstance(value, float) and not math.isfinite(value):
                raise InputError(f"{kind}: {name} is no number")
            if isinstance(value, str) and (len(value) > LONGEST_WORD or not value.isprintable()):
                raise InputError(f"{kind}: {name} is not a word of ours")
            found[name] = value
    return found


def cost(message: object) -> float:
    """Return what a message takes of a page's budget."""
    return _COST.get(_kind_of(message), _USUAL_COST)


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


MAX_WAITING = 200
"""Messages that may wait for one viewer; past them it is dropped (ours)."""
_PICTURES_WAITING = 2  # a picture older than the last two is of no use to anybody
_KEPT = ("hello", "swing", "drill", "set", "link", "check")  # what a new viewer is told first
_BEGINS = ("backswing", "shift")  # the phases with which a swing can begin
_HAPPENED = ("step", "stand", "swing")  # what the page lists; a new viewer is told the last ones
_RECENT = 6
NO_GATEWAY: Message = {"type": "hello", "v": 1, "session": None, "gateway": False, "drills": []}


class Viewer:
    """One open page.

    Parameters
    ----------
    rights : Rights

    Attributes
    ----------
    gone : bool
        It was dropped; its socket is to be closed.
    left_out : int
        Pictures it was not sent.
    sounds : bool
        It lets cues be heard, as it said itself.
    budget : Budget
        How much more it may ask just now.
    """

    def __init__(self, rights: Rights) -> None:
        self.rights = rights
        self.gone = False
        self.left_out = 0
        self.sounds = False
        self.budget = Budget(_BURST, _A_SECOND)
        self._waiting: deque[tuple[bool, str]] = deque()
        self._came = asyncio.Event()

    def put(self, text: str, is_picture: bool) -> None:
        """Have a message sent."""
        if is_picture and sum(picture for picture, _ in self._waiting) >= _PICTURES_WAITING:
            self.left_out += 1
            return
        if len(self._waiting) >= MAX_WAITING:
            self.drop()
            return
        self._waiting.append((is_picture, text))
        self._came.set()

    def drop(self) -> None:
        """Give it up."""
        self.gone = True
        self._came.set()

    async def next(self) -> str | None:
        """Wait for the next message; None once it was dropped."""
        while not self._waiting and not self.gone:
            self._came.clear()
            await self._came.wait()
        return None if self.gone else self._waiting.popleft()[1]


class Audience:
    """What the gateway says, for all who look; what they want, for the gateway.

    All of it runs in the event loop's thread.

    Parameters
    ----------
    send : callable, optional
        Takes a command to the gateway; None where there is no gateway (stored sessions only).
    """

    def __init__(self, send: Callable[[Message], None] | None = None) -> None:
        self._send = send
        self._viewers: set[Viewer] = set()
        self._last: dict[str, Message] = {"hello": NO_GATEWAY}
        self._recent: deque[Message] = deque(maxlen=_RECENT)
        self._phase: Message | None = None  # of the swing on the way

    @property
    def has_gateway(self) -> bool:
        """Whether there is a gateway, which says something and does what is wanted."""
        return self._send is not None

    @property
    def session_id(self) -> str | None:
        """The session under way."""
        session = self._last["hello"].get("session")
        return None if session is None else str(session["id"])

    @property
    def viewers(self) -> int:
        """How many look."""
        return len(self._viewers)

    def take(self, line: str) -> None:
        """Take a message of the gateway, JSON, to all viewers."""
        message = json.loads(line)
        kind = message["type"]
        if kind == "hello":
            self._new_session(message)
            return
        if kind in ("phase", "swing"):
            self._follow(message)
        if kind in _HAPPENED:
            self._recent.append(message)
        if kind in _KEPT:
            self._last[kind] = message
        elif kind == "sound":
            self._last["hello"] = {**self._last["hello"], "sound": _plain(message)}
        is_coachs = message.get("to") == "coach"
        for viewer in list(self._viewers):
            if viewer.rights is Rights.COACH or not is_coachs:
                viewer.put(line, kind == "frame")

    def join(self, rights: Rights) -> Viewer:
        """Let somebody look from now on; the first message says all that is known."""
        viewer = Viewer(rights)
        viewer.put(self._hello(rights), False)
        self._viewers.add(viewer)
        self._tell_viewers()
        return viewer

    def leave(self, viewer: Viewer) -> None:
        """Forget a viewer."""
        self._viewers.discard(viewer)
        self._tell_viewers()

    def command(self, viewer: Viewer, message: object) -> str | None:
        """Take what a viewer wants to the gateway.

        Returns
        -------
        str or None
            Why not, in a sentence.
        """
        if not viewer.budget.take(cost(message)):
            viewer.drop()  # no page of ours asks so much
            return None
        try:
            wanted = checked(message, viewer.rights)
        except InputError as error:
            return str(error)
        if wanted["type"] == "sounds":
            viewer.sounds = bool(wanted.get("on"))
            self._tell_viewers()
            return None
        if self._send is None:
            return "no gateway is running here: see plantigrade run"
        self._send(wanted)
        return None

    def _follow(self, message: Message) -> None:
        """Keep the last phase of the swing on the way, until it is decided or none after all."""
        phase = message.get("kind")  # a swing has none
        if phase in (None, "cancelled"):
            self._phase = None
        elif phase in _BEGINS or self._phase is not None:
            self._phase = message

    def _new_session(self, message: Message) -> None:
        session = message.get("session") or {}
        before = self._last["hello"].get("session") or {}
        self._last["hello"] = message
        if session.get("id") != before.get("id"):
            self._last.pop("swing", None)
            self._last.pop("set", None)
            self._last.pop("check", None)
            self._recent.clear()
            self._phase = None
        for viewer in list(self._viewers):
            viewer.put(self._hello(viewer.rights), False)

    def _hello(self, rights: Rights) -> str:
        known = {kind: self._last.get(kind) for kind in _KEPT if kind != "hello"}
        recent = list(self._recent)
        told = {**self._last["hello"], **known, "recent": recent, "phase": self._phase}
        told["rights"] = str(rights)
        if rights is not Rights.COACH:
            told.pop("player", None)
        return json.dumps(told)

    def _tell_viewers(self) -> None:
        if self._send is not None:
            sounding = sum(viewer.sounds for viewer in self._viewers)
            self._send({"type": "viewers", "n": self.viewers, "sounding": sounding})


def _plain(message: Message) -> Message:
    """Return a message's fields without its type."""
    return {name: value for name, value in message.items() if name != "type"}
