"""What bays ask of the hub, under ``/bay/v1`` (`hardware_notes/hub.md`): checked, done, answered.

A credential is looked at before anything else of a request is read. Errors are one sentence in
JSON. The work is done in threads: a disk that is slow holds up no other bay.
"""

import asyncio
import logging
import re
from collections import Counter
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

import sqlalchemy as sa
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from plantigrade.errors import ForeignError
from plantigrade.foreign import read_json
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.names import ID
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.places import NotItsPlace, Places, Refusal
from plantigrade_gateway.hub.uploads import (
    ALIKE,
    Differs,
    Gone,
    OutOfPlace,
    Spoilt,
    Unfit,
    Unknown,
    Uploads,
)
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.hubtables import bay_place
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.tables import explained
from plantigrade_gateway.sync.bodies import Piece, apart, changes_of, fitting
from plantigrade_gateway.sync.messages import (
    LARGEST_PIECE,
    LARGEST_TOGETHER,
    MOST_CHANGES,
    PREFIX,
    Changes,
    Deleted,
    SessionEnd,
    SessionHead,
)

LARGEST_HEAD = 1 << 18
LARGEST_END = 1 << 12
LARGEST_RECEIPT = 1 << 20
LARGEST_CHANGES = 1 << 24
"""Bytes of each body (ours); a body of changes is cut to a quarter of that where it is written."""
BODY_S = 60.0
"""How long a body may take to come (ours)."""
AT_ONCE = 4
"""Requests of one bay at a time; a bay needs one (ours)."""
_AGAIN_S = "5"  # Retry-After
_NOT_YOURS = "This credential opens nothing: it is unknown or was withdrawn."
_STATUS = {Unfit: 422, Unknown: 404, Gone: 410, Differs: 409, Spoilt: 409}
_SHA256 = re.compile(r"[0-9a-f]{64}")
_log = logging.getLogger(__name__)
_T = TypeVar("_T")
Handler = Callable[["BayApi", str, Request], Awaitable[Response]]


class TooLarge(GatewayError):
    """A body of more bytes than there may be."""


class BayApi:
    """The routes of bays.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        The people's.
    objects : Objects
    store_path : Path
        The working store's, for what is said of refusals.
    """

    def __init__(self, engine: sa.Engine, objects: Objects, store_path: Path) -> None:
        self._path = store_path
        self._objects = objects
        with explained(store_path):
            self._log = ChangeLog(engine)
        self._bays = Bays(engine)
        self._uploads = Uploads(engine, objects)
        self._deletions = Deletions(engine)
        self._places = Places(engine)
        self._at_work: Counter[str] = Counter()

    def app(self) -> Starlette:
        """Return them as an application; its paths begin with `PREFIX`."""
        session = f"{PREFIX}/sessions/{{session_id}}"
        return Starlette(
            routes=[
                Route(session, self._served(_head), methods=["PUT"]),
                Route(session, self._served(_received), methods=["GET"]),
                Route(f"{session}/pieces/{{number}}", self._served(_piece), methods=["PUT"]),
                Route(f"{session}/pieces", self._served(_pieces), methods=["POST"]),
                Route(f"{session}/end", self._served(_end), methods=["POST"]),
                Route(f"{PREFIX}/changes", self._served(_changes), methods=["POST"]),
                Route(f"{PREFIX}/deleted/{{player_id}}", self._served(_deleted), methods=["PUT"]),
            ],
            exception_handlers={404: _no_such, 405: _no_such},
        )

    def _served(self, handler: Handler) -> Callable[[Request], Awaitable[Response]]:
        async def serve(request: Request) -> Response:
            try:
                return await self._answer(handler, request)
            except OutOfPlace as error:
                return JSONResponse({**plain(error.received), "error": str(error)}, 409)
            except (Unfit, Unknown, Gone, Differs, Spoilt) as error:
                if isinstance(error, Spoilt):  # of this session: the bay goes on with its others
                    _log.error("%s", error)
                return _error(str(error), _STATUS[type(error)])
            except NotItsPlace as error:
                _log.warning("%s", error)
                return _error(str(error), 403)
            except TooLarge as error:
                return _error(str(error), 413)
            except (ForeignError, ValueError) as error:
                return _error(str(Unfit(str(error))), 422)
            except TimeoutError:
                return _error("The request took too long to come.", 408)
            except StoreError as error:
                _log.warning("%s", error)
                return _error("The hub cannot take anything now.", 503, {"Retry-After": _AGAIN_S})

        return serve

    async def _answer(self, handler: Handler, request: Request) -> Response:
        bay = await self.in_thread(self._bays.of_credential, _credential(request))
        if bay is None:
            return _error(_NOT_YOURS, 401, {"WWW-Authenticate": "Bearer"})
        if self._at_work[bay] >= AT_ONCE:
            return _error("Too many requests at once.", 429, {"Retry-After": _AGAIN_S})
        self._at_work[bay] += 1
        try:
            return await handler(self, bay, request)
        finally:
            self._at_work[bay] -= 1
            self._at_work += Counter()  # forgets who has none

    async def health(self) -> tuple[bool, list[str]]:
        """Return whether the tables and the object store do their work, and which do not."""
        problems = []
        try:
            await self.in_thread(self._bays.all)
        except StoreError:
            problems.append("the tables of the site do not answer")
        try:
            await self.in_thread(self._objects.get, "health")
        except StoreError:
            problems.append("the object store does not answer")
        else:
            if not await self.in_thread(self._objects.is_taking):
                problems.append("the object store takes nothing: is it writable, is its disk full?")
        return not problems, problems

    def refusals(self) -> list[Refusal]:
        """Return which bays were refused another's place, and when they last were."""
        with explained(self._path):
            return list(self._places.refusals().values())

    async def in_thread(self, work: Callable[..., _T], *arguments: object) -> _T:
        """Do work in a thread; what the tables refuse comes as one sentence."""

        def explaining() -> _T:
            with explained(self._path):
                return work(*arguments)

        return await asyncio.to_thread(explaining)

    def exchange(self, bay: str, body: Changes) -> Changes:
        """Take a bay's changes, of its own places alone, and return those that it has not.

        Raises
        ------
        NotItsPlace
            A change is of a place that is another's: nothing was taken.
        """
        changes = list(changes_of(body))
        self._places.hold(bay, body.place, {one.site for one in changes})
        places = self._places.of(bay)
        if changes or body.restamps:
            self._log.merge(changes, self._own_restamps(body, changes, places))
        given = [plain(one) for one in fitting(self._log.since(body.has, MOST_CHANGES))]
        return Changes(given, self._log.restamps(), self._log.seen(), places=places)

    def _own_restamps(
        self, body: Changes, changes: list[Change], places: list[str]
    ) -> list[tuple[str, int]]:
        """Return the stamps that are new here, of this bay's own changes: of others' the hub says.

        Whoever could give another's change a lower stamp could make it stand no more.
        """
        known = set(self._log.restamps())
        fresh = [(key, stamp) for key, stamp in body.restamps if (key, stamp) not in known]
        site = {one.change_id: one.site for one in changes}
        site = self._log.sites_of([key for key, _ in fresh if key not in site]) | site
        return [(key, stamp) for key, stamp in fresh if site.get(key) in places]


async def _head(api: BayApi, bay: str, request: Request) -> Response:
    head = await _body(request, SessionHead, LARGEST_HEAD)
    if head.session_id != request.path_params["session_id"]:
        raise Unfit("session_id: is another than the address has")
    return JSONResponse(plain(await api.in_thread(api._uploads.begin, bay, head)))


async def _received(api: BayApi, bay: str, request: Request) -> Response:
    session_id = _session(request)
    return JSONResponse(plain(await api.in_thread(api._uploads.received, bay, session_id)))


async def _piece(api: BayApi, bay: str, request: Request) -> Response:
    number, sha256 = request.path_params["number"], request.headers.get("piece-sha256", "")
    if not (number.isascii() and number.isdigit() and len(number) < 10):
        raise Unfit("piece: its number is none")
    if not _SHA256.fullmatch(sha256):
        raise Unfit("Piece-SHA256: expected 64 hexadecimal digits, lower case")
    session_id = _session(request)
    given = [Piece(int(number), await _read(request, LARGEST_PIECE), sha256)]
    return JSONResponse(plain(await api.in_thread(api._uploads.take, bay, session_id, given)))


async def _pieces(api: BayApi, bay: str, request: Request) -> Response:
    session_id = _session(request)
    given = apart(await _read(request, LARGEST_TOGETHER))
    received = await api.in_thread(api._uploads.take, bay, session_id, given)
    taken = [(one.number, one.sha256) for one in given]
    return JSONResponse({**plain(received), "taken": taken})


async def _end(api: BayApi, bay: str, request: Request) -> Response:
    end = await _body(request, SessionEnd, LARGEST_END)
    session_id = _session(request)
    return JSONResponse(plain(await api.in_thread(api._uploads.end, bay, session_id, end)))


async def _changes(api: BayApi, bay: str, request: Request) -> Response:
    body = await _body(request, Changes, LARGEST_CHANGES)
    return JSONResponse(plain(await api.in_thread(api.exchange, bay, body)))


async def _deleted(api: BayApi, bay: str, request: Request) -> Response:
    player_id = request.path_params["player_id"]
    if not ID.fullmatch(player_id):
        raise Unfit("player: expected 32 hexadecimal digits")
    body = await _body(request, Deleted, LARGEST_RECEIPT)
    confirm = (player_id, bay_place(bay), body.receipt)
    await api.in_thread(api._deletions.confirm, *confirm)
    return JSONResponse({})


def _session(request: Request) -> str:
    """Return the session that the address has; one that can be none is like one of another bay."""
    session_id = str(request.path_params["session_id"])
    if not ID.fullmatch(session_id):
        raise Unknown(ALIKE)
    return session_id


def _credential(request: Request) -> str:
    kind, _, text = request.headers.get("authorization", "").partition(" ")
    return text.strip() if kind.lower() == "bearer" else ""


async def _body(request: Request, cls: type[_T], most_bytes: int) -> _T:
    values = read_json(await _read(request, most_bytes), "body", most_bytes)
    return made(cls, values)


async def _read(request: Request, most_bytes: int) -> bytes:
    """Return the body, of which no more is held than there may be."""
    said = request.headers.get("content-length", "0")
    if not (said.isascii() and said.isdigit()) or int(said) > most_bytes:
        raise TooLarge(f"body: more than {most_bytes} bytes")
    data = bytearray()
    try:
        async with asyncio.timeout(BODY_S):
            async for part in request.stream():
                data += part
                if len(data) > most_bytes:
                    raise TooLarge(f"body: more than {most_bytes} bytes")
    except ClientDisconnect as error:
        raise Unfit("body: is cut off") from error
    return bytes(data)


def _error(said: str, status: int, headers: dict[str, str] | None = None) -> JSONResponse:
    return JSONResponse({"error": said}, status, headers)


async def _no_such(_: Request, __: Exception) -> Response:
    return _error("There is no such address.", 404)
