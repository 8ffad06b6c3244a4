"""What all of the desk's pages have in common: how one is made, and how an error is told."""

import asyncio
import sys
import tempfile
from collections.abc import Callable, Coroutine
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import Request, Response
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse
from fastapi.routing import APIRoute
from starlette.background import BackgroundTask

from plantigrade_gateway import formats, words
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.report.staging import staging_in
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.reads import DeskStore, NotPrepared, NotThere
from plantigrade_gateway.web.html import rendered


@dataclass(frozen=True, slots=True)
class Desk:
    """What the desk's pages need."""

    reads: DeskStore
    preparing: Preparing

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:  # noqa: ANN401
        """Return a page.

        One that answers a form is given ``instead``: the address at which that form is, to which a
        browser's *Back* leads.
        """
        shown = {"here": "sessions", "rights": "coach", **values}
        return HTMLResponse(rendered(template, words=words, formats=formats, **shown), status)


class DeskRoute(APIRoute):
    """A route whose errors are told in a sentence, on a page or as JSON.

    An address that needs what is not prepared yet has it prepared: a page says so and becomes what
    was asked for, data are to be asked for again.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return the handler."""
        inner = super().get_route_handler()

        async def handler(request: Request) -> Response:
            try:
                return await inner(request)
            except NotPrepared as error:
                return _prepared_first(request, error)
            except GatewayError as error:
                status = 404 if isinstance(error, NotThere) else 409
                if request.url.path.endswith(".json"):
                    return JSONResponse({"problem": str(error)}, status)
                here, *rest = request.url.path.split("/")[1:]
                refused = status == 409 and request.method == "POST" and rest
                back = f"/{here}/{rest[0]}" if refused else None
                shown = {"here": here, "rights": "coach", "problem": str(error), "back": back}
                if back is not None:
                    shown["instead"] = back
                return HTMLResponse(rendered("sorry.html", **shown), status)

        return handler


async def in_worker(*arguments: str) -> None:
    """Have a worker process do a task: what takes seconds holds up no page (`worker`).

    Raises
    ------
    StoreError
        It failed: its sentence.
    """
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "plantigrade_gateway.web.desk.worker", *arguments),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        _, said = await process.communicate()
    except asyncio.CancelledError:  # the browser has gone
        process.kill()
        await process.wait()
        raise
    if process.returncode != 0:
        lines = said.decode(errors="replace").strip().splitlines()
        raise StoreError(lines[-1] if lines else "export: could not be written")


async def download(
    work: Callable[[Path], tuple[str, ...]], file: str, name: str, media_type: str | None = None
) -> FileResponse:
    """Give a file that a worker makes in a folder, which goes once the file is sent.

    Parameters
    ----------
    work : callable
        Given the folder, returns what the worker is to do (`in_worker`).
    file : str
        Where the file lies then, below the folder.
    name : str
        What the browser calls it.
    media_type : str, optional
        By default as its name says.

    Raises
    ------
    StoreError
        As `in_worker`.
    """
    stack = ExitStack()
    folder = stack.enter_context(staging_in(Path(tempfile.gettempdir())))
    try:
        await in_worker(*work(folder))
    except BaseException:
        stack.close()
        raise
    gone = BackgroundTask(stack.close)
    return FileResponse(folder / file, media_type=media_type, filename=name, background=gone)


def _prepared_first(request: Request, error: NotPrepared) -> Response:
    is_data = request.url.path.endswith(".json")
    now = request.app.state.preparing.ask(error.session_id, again=not is_data)
    if is_data:
        headers = {"Retry-After": "2"}
        return JSONResponse({"problem": now.problem or str(error)}, 503, headers)
    shown = {"here": "sessions", "rights": "coach", "session_id": error.session_id}
    return HTMLResponse(rendered("preparing.html", share=now.share, **shown), 202)
