"""Between the gateway and the browsers, in the web process: what came last, and who looks.

A message of the gateway goes to every viewer. A viewer that takes too little is never waited for:
pictures are left out for it first, then it is dropped; its page connects again by itself.
"""

import asyncio
import json
from collections import deque
from collections.abc import Callable
from typing import Any

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.live.commands import Budget, checked

Message = dict[str, Any]
MAX_WAITING = 200
"""Messages that may wait for one viewer; past them it is dropped (ours)."""
_PICTURES_WAITING = 2  # a picture older than the last two is of no use to anybody
_KEPT = ("hello", "swing", "drill", "link")  # what a new viewer is told first
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
    budget : Budget
        How much more it may ask just now.
    """

    def __init__(self, rights: Rights) -> None:
        self.rights = rights
        self.gone = False
        self.left_out = 0
        self.budget = Budget()
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


class Hub:
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
        if kind in _KEPT:
            self._last[kind] = message
        elif kind == "sound":
            self._last["hello"] = {**self._last["hello"], "sound": _plain(message)}
        for viewer in list(self._viewers):
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
        if not viewer.budget.take(message):
            viewer.drop()  # no page of ours asks so much
            return None
        try:
            wanted = checked(message, viewer.rights)
        except InputError as error:
            return str(error)
        if self._send is None:
            return "the gateway is not running: see plantigrade run"
        self._send(wanted)
        return None

    def _new_session(self, message: Message) -> None:
        session = message.get("session") or {}
        before = self._last["hello"].get("session") or {}
        self._last["hello"] = message
        if session.get("id") != before.get("id"):
            self._last.pop("swing", None)
        for viewer in list(self._viewers):
            viewer.put(self._hello(viewer.rights), False)

    def _hello(self, rights: Rights) -> str:
        known = {kind: self._last.get(kind) for kind in _KEPT if kind != "hello"}
        return json.dumps({**self._last["hello"], **known, "rights": str(rights)})

    def _tell_viewers(self) -> None:
        if self._send is not None:
            self._send({"type": "viewers", "n": self.viewers})


def _plain(message: Message) -> Message:
    """Return a message's fields without its type."""
    return {name: value for name, value in message.items() if name != "type"}
