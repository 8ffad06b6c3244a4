"""The door of the pages: an ASGI application around another, through which every request goes.

What is not let through here reaches no page. In this order: the name asked for must be ours, what
changes something must come from a page of ours, and then the cookie or the link decides. A
WebSocket is watched while it is open, and ends with the sign-in or the link that opened it.
"""

import asyncio
import logging
import re
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import suppress
from functools import partial
from urllib.parse import quote

from starlette.datastructures import Headers
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.web.door import origin
from plantigrade_gateway.web.door.access import GRANT, Access, Principal, Rights
from plantigrade_gateway.web.door.origin import API, PUBLIC, TOKENS, with_headers
from plantigrade_gateway.web.html import rendered

SIGN_IN = "/sign-in"
HEALTH = "/healthz"
"""A watchdog has no password, and the answer tells nothing of a person."""
CLOSED = 4401
"""A WebSocket's close code where the sign-in or the link behind it has ended, or never was."""
LINK_WITHDRAWN = "Your coach has withdrawn this link. Ask for a new one."
LINK_ENDED = "This link has ended or was never made. Ask your coach for a new one."
SIGNED_OUT = "You are signed out. Sign in again."

MOST_OF_A_LINK = 16
"""Open pages of one link; a player who passes it on does not take the coach's page away (ours)."""

_LINK = re.compile(TOKENS + "([A-Za-z0-9_-]{16,64})(|/|/live)")
_LOOKS_EVERY_S = 1.0  # for what ends elsewhere: the session, a time, a new password
_NOTES_EVERY_S = 30.0
_MOST_COOKIES = 16  # looked up in the store, of one request's
_CLOSE_LIMIT_S = 2.0
_CROWDED = "Too many pages are open with this link."
_log = logging.getLogger(__name__)
_NO_STORE = "The store cannot be read; the gateway's own screen says why."


class Guard:
    """The door.

    Parameters
    ----------
    app : ASGI application
        The pages.
    access : Access
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access
        self._open: Counter[bytes | None] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request or WebSocket."""
        if scope["type"] == "http":
            send = with_headers(scope, send)
        elif scope["type"] != "websocket":
            await self._app(scope, receive, send)
            return
        refused = self._refused(scope)
        if refused is not None:
            await _refuse(*refused, scope, receive, send)
            return
        try:
            inner, grant = await self._admitted(scope)
        except StoreError:
            await _refuse(503, _NO_STORE, scope, receive, send)
            return
        path = scope["path"]
        if scope["type"] == "websocket":
            await self._socket(inner, receive, send, grant, path)
        elif grant is not None or _is_public(path):
            await self._app(inner, receive, send)
        else:
            await _turned_away(scope, await self._why(path))(scope, receive, send)

    async def _why(self, path: str) -> str:
        """Return why there is nothing to see at a path (any more)."""
        if not path.startswith(TOKENS):
            return SIGNED_OUT
        link = _LINK.fullmatch(path)
        with suppress(StoreError):
            if link and await self._access.is_withdrawn(link[1]):
                return LINK_WITHDRAWN
        return LINK_ENDED

    async def _admitted(self, scope: Scope) -> tuple[Scope, Principal | None]:
        """Return the request as the pages shall see it, and its grant."""
        path = scope["path"]
        if path.startswith(TOKENS):
            link = _LINK.fullmatch(path)
            grant = await self._access.of_link(link[1]) if link else None
            # Its secret address leads to the live page and nowhere else.
            path = "/live" if link and link[2] == "/live" else "/"
            return {**scope, "path": path, "raw_path": path.encode(), GRANT: grant}, grant
        if path == HEALTH or path.startswith(PUBLIC):
            return scope, None  # answered without a look into the store
        grant = await self._access.of_browser(cookies_of(scope, self._access.opening.secure))
        if grant is not None and scope["type"] == "http":
            await self._access.use(grant)
        return {**scope, GRANT: grant}, grant

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        """Return status and sentence for a request that no cookie could save."""
        opening = self._access.opening
        hosts = origin.values(scope["headers"], b"host")
        name = origin.asked_name(hosts[0]) if len(hosts) == 1 else None
        if name is None or not origin.is_known(name, opening.known_names, any_address=opening.lan):
            here = "its address" if opening.lan else "localhost"
            return 421, f"This name is not one of this gateway's: open it by {here}."
        changes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        if not (origin.is_from_own_page(scope) if changes else origin.may_look(scope)):
            return 403, "This came from a page of another site, so it was not done."
        return None

    async def _socket(
        self, scope: Scope, receive: Receive, send: Send, grant: Principal | None, path: str
    ) -> None:
        if grant is None:
            # A page cannot see why a handshake was refused; a close it can, and says so.
            await receive()
            await send({"type": "websocket.accept"})
            why = await self._why(path)
            await send({"type": "websocket.close", "code": CLOSED, "reason": why})
            return
        if grant.rights is Rights.PLAYER and self._open[grant.key] >= MOST_OF_A_LINK:
            await _refuse(503, _CROWDED, scope, receive, send)
            return
        watched = _Watched(receive, send, grant, self._access, partial(self._why, path))
        watch = asyncio.create_task(watched.watch())
        self._open[grant.key] += 1
        try:
            await self._app(scope, watched.receive, watched.send)
        finally:
            self._open[grant.key] -= 1
            self._open += Counter()  # forgets who has none
            if not watched.has_ended:
                watch.cancel()
            await asyncio.wait({watch}, timeout=_CLOSE_LIMIT_S)
            watch.cancel()


class _Watched:
    """A WebSocket that ends with its grant."""

    def __init__(
        self,
        receive: Receive,
        send: Send,
        grant: Principal,
        access: Access,
        why: Callable[[], Awaitable[str]],
    ) -> None:
        self._receive, self._send = receive, send
        self._grant, self._access, self._why = grant, access, why
        self._reason = SIGNED_OUT
        self._ended = asyncio.Event()
        self._noted_s = float("-inf")

    @property
    def has_ended(self) -> bool:
        """Whether the grant has ended."""
        return self._ended.is_set()

    async def watch(self) -> None:
        """Wait until the grant has ended, then close; nobody is watched by a watch that failed."""
        try:
            with self._access.watching() as told:
                while await self._lasts():
                    with suppress(TimeoutError):
                        await asyncio.wait_for(told.wait(), _LOOKS_EVERY_S)
                    told.clear()
        except Exception:
            _log.exception("watch of a page")
        self._reason = await self._why()
        self._ended.set()
        with suppress(OSError, RuntimeError):  # it closed by itself just now
            await self._send({"type": "websocket.close", "code": CLOSED, "reason": self._reason})

    async def _lasts(self) -> bool:
        try:
            return await self._access.lasts(self._grant)
        except StoreError:
            return False  # nobody can say that it does

    async def receive(self) -> Message:
        """Give the app the next message, or the end of it."""
        come = asyncio.ensure_future(self._receive())
        end = asyncio.ensure_future(self._ended.wait())
        try:
            await asyncio.wait({come, end}, return_when=asyncio.FIRST_COMPLETED)
            if self._ended.is_set():
                return {"type": "websocket.disconnect", "code": CLOSED, "reason": self._reason}
            message = come.result()
        finally:
            come.cancel()
            end.cancel()
        if message["type"] == "websocket.receive":
            await self._note_use()
        return message

    async def _note_use(self) -> None:
        """Keep the sign-in of a page that is used; one that is only looked at may run out."""
        now_s = asyncio.get_running_loop().time()
        if now_s - self._noted_s >= _NOTES_EVERY_S:
            self._noted_s = now_s
            with suppress(StoreError):
                await self._access.use(self._grant)

    async def send(self, message: Message) -> None:
        """Send for the app, until the end."""
        if not self._ended.is_set():
            await self._send(message)
        elif message["type"] != "websocket.close":
            raise OSError(self._reason)  # as a server does where the other side has gone


def cookie_name(secure: bool) -> str:
    """Return the name of the sign-in's cookie.

    The prefix makes browsers hold it to TLS, this host and every path (RFC 6265bis, 4.1.3).
    """
    return "__Host-plantigrade" if secure else "plantigrade"


def cookies_of(scope: Scope, secure: bool) -> list[str]:
    """Return the tokens in a request's cookies of the sign-in's name, none twice.

    Another server of this machine, at another port, may have set one of the same name: cookies do
    not know of ports (RFC 6265, 8.5). Which of them the browser names first, nobody can tell (5.4).
    """
    found: dict[str, None] = {}
    for header in origin.values(scope["headers"], b"cookie"):
        for part in header.split(";"):
            name, is_one, value = part.strip().partition("=")
            if is_one and name.strip() == cookie_name(secure):
                found[value.strip()] = None
    return list(found)[:_MOST_COOKIES]


def _is_public(path: str) -> bool:
    return path in (SIGN_IN, HEALTH) or path.startswith(PUBLIC)


async def _refuse(status: int, said: str, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": said})  # HTTP 403
    else:
        await _told(scope, said, status)(scope, receive, send)


def _told(scope: Scope, said: str, status: int) -> Response:
    """Return a refusal in one sentence, as JSON where programs ask."""
    if scope["path"].startswith(API):
        return JSONResponse({"error": said}, status)
    return PlainTextResponse(said + "\n", status)


def _turned_away(scope: Scope, said: str) -> Response:
    """Return what someone sees who may not see what was asked for."""
    if said is not SIGNED_OUT:
        return HTMLResponse(rendered("link_ended.html", rights="player", said=said), 404)
    is_look = scope["method"] in ("GET", "HEAD") and not scope["path"].startswith(API)
    if not (is_look and "text/html" in Headers(scope=scope).get("accept", "")):
        return _told(scope, said, 401)
    query = scope["query_string"].decode("latin-1")
    asked = quote(scope["path"]) + (f"?{query}" if query else "")
    return RedirectResponse(
        SIGN_IN + (f"?next={quote(asked, safe='')}" if asked != "/" else ""), 303
    )
