"""A session's files for other programs, sent to the browser: what ``plantigrade export`` writes."""

import asyncio
import shutil
import sys
import tempfile
from pathlib import Path

from fastapi import APIRouter, Response
from fastapi.responses import FileResponse
from fastapi.routing import APIRoute
from starlette.background import BackgroundTask

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.report.export import FRAMES, file_names
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere


def export_router(reads: DeskStore, route: type[APIRoute]) -> APIRouter:
    """Return the route of the files."""
    router = APIRouter(route_class=route)

    @router.get("/{session_id}/export/{name}")
    async def export(session_id: str, name: str) -> Response:
        if name not in file_names(with_frames=True):
            raise NotThere(f"file {name!r}: there is none of this name")
        line = (await asyncio.to_thread(reads.open, session_id)).line
        folder = Path(tempfile.mkdtemp(prefix="plantigrade-export-"))
        try:
            await _write(reads.path, session_id, folder / "out", name == FRAMES)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return FileResponse(
            folder / "out" / name,
            filename=f"{line.session.started:%Y-%m-%d}-{line.short_id}-{name}",
            background=BackgroundTask(shutil.rmtree, folder, ignore_errors=True),
        )

    return router


async def _write(store: Path, session_id: str, folder: Path, with_frames: bool) -> None:
    """Write the files by a worker process: frames of an hour take seconds."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "plantigrade_gateway.web.desk.worker", "frames" if with_frames else "tables"),
        *(str(store), session_id, str(folder)),
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
