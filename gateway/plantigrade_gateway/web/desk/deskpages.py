"""The pages of the coach's desk: a list of the stored sessions, and each one opened.

They are made of the store's results; what their charts show is `deskdata`. Nothing here changes a
result: what is prepared to be looked at is derived.
"""

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2
from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from fastapi.routing import APIRoute

from plantigrade.change import BY_CHANCE
from plantigrade_gateway import words
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.report.export import FRAMES, file_names
from plantigrade_gateway.report.measures import SWING_NOTES
from plantigrade_gateway.web.desk.comparing import has_verdict, lines_of, proportions_of, repeats_in
from plantigrade_gateway.web.desk.deskdata import data_router
from plantigrade_gateway.web.desk.deskexport import export_router
from plantigrade_gateway.web.desk.measures import STAND_MEASURES, STEP_MEASURES, swing_columns
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere, Opened
from plantigrade_gateway.web.desk.sets import BAND, overlay_of, set_table
from plantigrade_gateway.web.desk.swing import swing_page
from plantigrade_gateway.web.desk.tables import make_table
from plantigrade_gateway.web.html import not_there


@dataclass(frozen=True, slots=True)
class Desk:
    """What the desk's pages need."""

    reads: DeskStore
    preparing: Preparing
    templates: jinja2.Environment

    def page(self, template: str, **values: Any) -> HTMLResponse:  # noqa: ANN401
        """Return a page."""
        shown = {"here": "sessions", "rights": "coach", "words": words, **values}
        return HTMLResponse(self.templates.get_template(template).render(shown))


class DeskRoute(APIRoute):
    """A route whose errors are told in a sentence, on a page or as JSON."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return the handler."""
        inner = super().get_route_handler()

        async def handler(request: Request) -> Response:
            try:
                return await inner(request)
            except GatewayError as error:
                status = 404 if isinstance(error, NotThere) else 409
                if request.url.path.endswith(".json"):
                    return JSONResponse({"problem": str(error)}, status)
                page = templates().get_template("sorry.html")
                shown = page.render(here="sessions", rights="coach", problem=str(error))
                return HTMLResponse(shown, status)

        return handler


def templates() -> jinja2.Environment:
    """Return the pages' templates; all that people wrote is escaped."""
    loader = jinja2.FileSystemLoader(Path(__file__).parents[1] / "templates")
    return jinja2.Environment(
        loader=loader,
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def pages_app(store_path: Path, preparing: Preparing) -> FastAPI:
    """Return the application that serves all of the desk's addresses.

    Its ``state.reads`` is to be closed at the end.
    """
    reads = DeskStore(store_path)
    desk = Desk(reads, preparing, templates())
    router = APIRouter(prefix="/sessions", route_class=DeskRoute)
    _add_session(router, desk)
    _add_tables(router, desk)
    _add_swings(router, desk)
    router.include_router(data_router(reads, preparing, DeskRoute))
    router.include_router(export_router(reads, DeskRoute))
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.include_router(router)
    app.add_exception_handler(404, not_there)
    app.state.reads = reads
    return app


def _add_session(router: APIRouter, desk: Desk) -> None:
    @router.get("", response_class=HTMLResponse)
    def sessions() -> Response:
        return desk.page("sessions.html", sessions=desk.reads.all())

    @router.get("/{session_id}", response_class=HTMLResponse)
    def session(session_id: str) -> Response:
        opened = desk.reads.open(session_id)
        problem, share = None, 0.0
        if opened.kept is None and opened.line.session.state != "open":
            progress = desk.preparing.ask(opened.session_id, again=True)
            problem, share = progress.problem, progress.share
        return desk.page(
            "session.html",
            opened=opened,
            sets=[(k, run, dict(proportions_of(run))) for k, run in enumerate(opened.sets, 1)],
            numbers=opened.numbers,
            loose=_in_no_set(opened),
            files=[name for name in file_names(with_frames=True) if name != FRAMES],
            frames=FRAMES,
            problem=problem,
            share=share,
        )


def _in_no_set(opened: Opened) -> list[int]:
    names = opened.set_names
    return [n for first, n in opened.numbers.items() if first not in names]


def _add_tables(router: APIRouter, desk: Desk) -> None:
    def table(session_id: str, what: str, sort: str, order: str, page: int) -> Response:
        opened = desk.reads.open(session_id)
        found = opened.found
        made: Any
        if what == "steps":
            made = make_table(found.steps, STEP_MEASURES, sort, order, page)
        elif what == "stands":
            made = make_table(found.stands, STAND_MEASURES, sort, order, page)
        else:
            made = make_table(found.swings, swing_columns(opened.set_names), sort, order, page)
        notes = {"swings": SWING_NOTES, "steps": _STEP_NOTES, "stands": _STAND_NOTES}[what]
        return desk.page(
            "table.html",
            opened=opened,
            what=what,
            table=made,
            sort=sort,
            order=order,
            notes=notes,
        )

    def add(what: str) -> None:
        @router.get(f"/{{session_id}}/{what}", response_class=HTMLResponse)
        def shown(session_id: str, sort: str = "", order: str = "up", page: int = 1) -> Response:
            return table(session_id, what, sort, order, page)

    for what in ("steps", "swings", "stands"):
        add(what)


_STEP_NOTES = (
    "Centre: the load-weighted middle of the time a region is loaded. Heel off: when the heel's "
    "load falls under its floor for good. Newtons are about: zones do not cover the whole foot.",
)
_STAND_NOTES = (
    "Footbed and shoe change the midfoot's share. One insole's sway is not balance ability; there "
    "are no norms for it here.",
)


def _add_swings(router: APIRouter, desk: Desk) -> None:
    @router.get("/{session_id}/swings/{number}", response_class=HTMLResponse)
    def swing(session_id: str, number: int) -> Response:
        opened = desk.reads.open(session_id)
        return desk.page("swing.html", **swing_page(desk.reads, opened, number))

    @router.get("/{session_id}/sets/{number}", response_class=HTMLResponse)
    def one_set(session_id: str, number: int, other: int = 0) -> Response:
        opened = desk.reads.open(session_id)
        run = opened.run(number)
        second = opened.run(other) if other else None
        frames = desk.reads.swing_rows(opened, run.swings)
        laid = overlay_of(frames, opened.found.rate_hz or 100.0)
        lines = lines_of(run, second, opened.sets)
        return desk.page(
            "set.html",
            opened=opened,
            number=number,
            other=other,
            run=run,
            second=second,
            proportions=proportions_of(run),
            second_proportions=dict(proportions_of(second)) if second else {},
            lines=lines,
            repeats=repeats_in(opened.sets),
            verdicts=has_verdict(lines),
            by_chance=BY_CHANCE,
            laid=laid,
            moments=set_table(laid),
            band=BAND,
            numbers=opened.numbers,
            notes=SWING_NOTES,
        )
