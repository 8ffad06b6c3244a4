"""The way to the hub: what is asked and answered over HTTPS, within bounds, and why it fails.

The certificate is checked, no redirect is followed, so that the credential goes nowhere else, and
of an answer no more is read than it may have. The one module that imports aiohttp.
"""

import asyncio
import hashlib
import json
import socket
import ssl
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self, TypeVar

import aiohttp

from plantigrade.errors import shown
from plantigrade_gateway.config import Config
from plantigrade_gateway.converter import made_from_text, plain
from plantigrade_gateway.errors import GatewayError, InputError, untrusted
from plantigrade_gateway.store.store import new_session_id
from plantigrade_gateway.sync.bodies import Piece, together
from plantigrade_gateway.sync.messages import (
    LARGEST_PIECE,
    PREFIX,
    Changes,
    Deleted,
    Received,
    SessionEnd,
    SessionHead,
    Taken,
)

LARGEST_ANSWER = 1 << 16
"""Bytes of any answer but changes (ours)."""
LARGEST_CHANGES = 1 << 26
"""Bytes of changes, either way: of the largest five hundred, pictures of feet among them (ours)."""
MOST_PIECES = 1 << 31
"""Of a session: more is no number of pieces."""
_TOKEN = frozenset(map(chr, range(0x21, 0x7F)))
_Made = TypeVar("_Made")


class HubAway(GatewayError):
    """The hub takes nothing now; its text is one line for the user.

    Attributes
    ----------
    after_s : float or None
        When the hub asks to be left alone so long.
    """

    def __init__(self, text: str, after_s: float | None = None) -> None:
        super().__init__(text)
        self.after_s = after_s


class HubRefused(GatewayError):
    """The hub is there, and would not take just this; its text is one line for the user."""


class Hub:
    """An open way to the hub; use it in ``async with``.

    Parameters
    ----------
    config : Config
        With ``hub.url`` set.

    Raises
    ------
    InputError
        The credential or the certificate's file cannot be used.
    """

    def __init__(self, config: Config) -> None:
        self.url = config.word("hub.url").rstrip("/")
        self._timeout_s = config.number("hub.timeout_s")
        token = config.text("hub.token")
        if token is None:
            raise InputError(
                "hub.token_file: is not set; name the file that holds this bay's credential, which "
                "the hub gave out"
            )
        if not token or set(token) - _TOKEN:
            raise InputError("hub.token: is no credential, expected BAY.SECRET as the hub gave it")
        self._headers = {"Authorization": f"Bearer {token}"}
        self._ssl = _trusting(config.text("hub.ca_file"))
        self._session: aiohttp.ClientSession | None = None

    async def __aenter__(self) -> Self:
        self._session = aiohttp.ClientSession(
            headers=self._headers,
            connector=aiohttp.TCPConnector(ssl=self._ssl, limit=8),
            timeout=aiohttp.ClientTimeout(total=self._timeout_s),
            cookie_jar=aiohttp.DummyCookieJar(),
            auto_decompress=False,
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._session is not None:
            await self._session.close()
            self._session = None

    # What is asked; every one raises `HubAway` and `HubRefused`

    async def begin(self, head: SessionHead) -> Received:
        """Tell of a session; return what the hub has of it.

        Of a session that it does not have the hub makes one: one that it refuses is another bay's.
        """
        status, answer = await self._ask("PUT", f"/sessions/{head.session_id}", plain(head))
        if status == 404 and _error_of(answer):
            raise HubRefused(f"{self._name}: has it as another bay's, and takes nothing of it")
        return self._received_of(status, answer)

    async def received(self, session_id: str) -> Received:
        """Return what the hub has of a session; nothing of one that it does not know."""
        return await self._received("GET", session_id)

    async def piece(self, session_id: str, number: int, piece: bytes) -> Received:
        """Give a piece; return what the hub has now, where it wanted another one, too."""
        if len(piece) > LARGEST_PIECE:
            raise HubRefused(f"piece {number} has {len(piece)} bytes, more than a hub takes")
        return await self._received("PUT", session_id, f"/pieces/{number}", piece)

    async def pieces(self, session_id: str, pieces: Sequence[Piece]) -> Received:
        """Give pieces that follow each other in one request, as `piece` gives one.

        Each must be acknowledged with its own number and sum.
        """
        body = together(pieces)
        status, answer = await self._ask("POST", f"/sessions/{session_id}/pieces", body)
        received = self._received_of(status, answer)
        if status == 200:
            given = [(one.number, one.sha256) for one in pieces]
            if self._made(Taken, answer).taken != given:
                raise HubAway(f"{self._name}: acknowledges other pieces than it was given")
        return received

    async def end(self, session_id: str, end: SessionEnd) -> Received:
        """Say that a session is over; return what the hub has of it."""
        return await self._received("POST", session_id, "/end", plain(end))

    async def exchange(self, changes: Changes) -> Changes:
        """Give changes; return those that the hub gives."""
        status, answer = await self._ask("POST", "/changes", plain(changes), LARGEST_CHANGES)
        self._expect(status, answer)
        return self._made(Changes, answer)

    async def deleted(self, player_id: str, deleted: Deleted) -> None:
        """Give the receipt of a player's deletion."""
        status, answer = await self._ask("PUT", f"/deleted/{player_id}", plain(deleted))
        self._expect(status, answer)

    # How

    async def _received(
        self, method: str, session_id: str, more: str = "", body: object = None
    ) -> Received:
        return self._received_of(*await self._ask(method, f"/sessions/{session_id}{more}", body))

    def _received_of(self, status: int, answer: bytes) -> Received:
        if status == 410:
            return Received(0, is_deleted=True)
        if status == 404 and _error_of(answer):  # a hub's own: it has nothing of this session
            return Received(0)
        if status != 409:
            self._expect(status, answer)
        try:
            found = made_from_text(Received, answer)
        except ValueError:
            self._expect(status, answer)  # 409: the hub has other bytes at this number
            raise HubAway(f"{self._name}: does not answer as a hub does") from None
        if not 0 <= found.pieces <= MOST_PIECES:
            raise HubAway(f"{self._name}: says that it has {shown(found.pieces)} pieces")
        return found

    async def _ask(
        self, method: str, path: str, body: object = None, most_bytes: int = LARGEST_ANSWER
    ) -> tuple[int, bytes]:
        """Return the status and the answer's bytes."""
        assert self._session is not None
        headers, data = {}, None
        if isinstance(body, bytes):
            headers = {"Content-Type": "application/octet-stream"}
            headers["Piece-SHA256"] = hashlib.sha256(body).hexdigest()
            data = body
        elif body is not None:
            headers = {"Content-Type": "application/json"}
            data = json.dumps(body, ensure_ascii=False, allow_nan=False).encode()
        try:
            async with self._session.request(
                method, self.url + PREFIX + path, data=data, headers=headers, allow_redirects=False
            ) as answer:
                if answer.status == 401:
                    raise HubAway(
                        f"{self._name}: does not take this bay's credential (hub.token_file); it "
                        "may have been withdrawn"
                    )
                if answer.status == 429 or answer.status >= 500:
                    raise HubAway(
                        f"{self._name}: takes nothing now ({answer.status})", _after(answer)
                    )
                if 300 <= answer.status < 400:
                    raise HubAway(f"{self._name}: sends elsewhere, where nothing is sent")
                got = bytearray()
                async for part in answer.content.iter_any():
                    got += part
                    if len(got) > most_bytes:
                        answer.close()
                        raise HubAway(f"{self._name}: answers with more than {most_bytes} bytes")
                return answer.status, bytes(got)
        except (aiohttp.ClientError, OSError, TimeoutError, ValueError) as error:
            raise HubAway(f"{self._name}: {self._why(error)}") from error

    @property
    def _name(self) -> str:
        return f"hub {self.url}"

    def _why(self, error: Exception) -> str:
        """Return why a request failed, in words."""
        if isinstance(error, TimeoutError | asyncio.TimeoutError):
            return f"does not answer within {self._timeout_s:g} s"
        if isinstance(error, aiohttp.ClientConnectorCertificateError):
            reason = getattr(error.certificate_error, "verify_message", "")
            return untrusted(reason, "hub.url", "hub.ca_file")
        if isinstance(error, aiohttp.ClientSSLError | ssl.SSLError):
            return "does not speak TLS here, or another version of it"
        if isinstance(error, aiohttp.ClientConnectorDNSError | socket.gaierror):
            return "its name is not found"
        if isinstance(error, aiohttp.ClientConnectorError):
            if isinstance(error.os_error, ConnectionRefusedError):
                return "the connection is refused"
            return f"cannot be reached ({error.os_error.strerror or 'no reason given'})"
        if isinstance(error, OSError) and error.strerror:
            return f"the connection failed ({error.strerror})"
        return (
            "the connection broke off"
            if isinstance(error, aiohttp.ClientConnectionError)
            else (f"answers with what is no HTTP ({type(error).__name__})")
        )

    def _expect(self, status: int, answer: bytes) -> None:
        """Raise what a status is that is no success."""
        if 200 <= status < 300:
            return
        said = shown(_error_of(answer), quoted=False)
        if status in (404, 405):
            raise HubAway(f"{self._name}: is no hub, or one of another version ({status})")
        raise HubRefused(f"{self._name}: does not take it ({status}{': ' if said else ''}{said})")

    def _made(self, cls: type[_Made], answer: bytes) -> _Made:
        try:
            return made_from_text(cls, answer)
        except ValueError as error:
            said = shown(str(error), quoted=False)
            raise HubAway(f"{self._name}: does not answer as a hub does ({said})") from None


def _trusting(ca_file: str | None) -> ssl.SSLContext:
    """Return what certificates are checked by: the one that is named, else the system's."""
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as error:  # an SSLError, where it holds no certificate
        reason = "no certificate in it" if isinstance(error, ssl.SSLError) else error.strerror
        raise InputError(f"hub.ca_file {ca_file}: cannot be used: {reason}") from error


def _after(answer: aiohttp.ClientResponse) -> float | None:
    """Return how long the hub asks to be left alone, s; None where it does not."""
    text = answer.headers.get("Retry-After", "")
    return min(float(text), 600.0) if text.isascii() and text.isdigit() and len(text) < 9 else None


def _error_of(answer: bytes) -> str:
    """Return the hub's own sentence; empty where there is none."""
    try:
        return made_from_text(dict[str, str], answer).get("error", "")
    except ValueError:
        return ""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found.

    Attributes
    ----------
    well : bool
    found : str
        A line; where it is not well, why.
    """

    well: bool
    found: str


async def check(config: Config) -> Finding:
    """Ask the hub for a session that nobody has.

    Raises
    ------
    InputError
        No hub is set, or the credential or the certificate's file cannot be used.
    """
    if config.text("hub.url") is None:
        raise InputError("hub.url: is not set, so this bay is alone; see plantigrade settings")
    async with Hub(config) as hub:
        began_s = time.monotonic()
        try:
            await hub.received(new_session_id())
        except (HubAway, HubRefused) as error:
            return Finding(False, str(error))
        took_ms = 1e3 * (time.monotonic() - began_s)
        return Finding(True, f"hub {hub.url}: answers within {took_ms:.0f} ms and knows this bay")
