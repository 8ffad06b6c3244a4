"""Stored sessions as pages, as data for their charts, and as files to download."""

import asyncio
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from fastapi.routing import APIRoute

from plantigrade.block import Foot
from plantigrade.errors import shown
from plantigrade_gateway.coach.compare import compare_sets
from plantigrade_gateway.coach.speed import by_set
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.export import FRAMES, file_names
from plantigrade_gateway.report.measures import SWING_NOTES, sampling_notes
from plantigrade_gateway.web.desk import judging
from plantigrade_gateway.web.desk.cache import read_stretch
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute, download
from plantigrade_gateway.web.desk.players import assigning_router, handout_router, players_router
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.prints import prints_router
from plantigrade_gateway.web.desk.progress import progress_router
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere, Opened
from plantigrade_gateway.web.desk.remarks import UNIT_COOKIE, remarks_router
from plantigrade_gateway.web.desk.rulebook import rulebook_router
from plantigrade_gateway.web.desk.session import newest, session_view
from plantigrade_gateway.web.desk.sets import (
    BAND,
    compared_lines,
    half_lines,
    lines_of,
    overlay_of,
    proportion_lines,
    set_data,
    set_table,
)
from plantigrade_gateway.web.desk.sheet import sheet_router
from plantigrade_gateway.web.desk.speeds import set_speed_text, speeds_router
from plantigrade_gateway.web.desk.swing import frames_json, swing_data, swing_view
from plantigrade_gateway.web.desk.tables import (
    STAND_MEASURES,
    STEP_MEASURES,
    make_table,
    swing_columns,
)
from plantigrade_gateway.web.desk.timeline import session_data, view_data, view_of
from plantigrade_gateway.web.html import not_so, not_there


def export_router(reads: DeskStore, route: type[APIRoute]) -> APIRouter:
    """Return the route of the files."""
    router = APIRouter(route_class=route)

    @router.get("/{session_id}/export/{name}")
    async def export(session_id: str, name: str) -> Response:
        if name not in file_names(with_frames=True):
            raise NotThere(f"file {name!r}: there is none of this name")
        line = (await asyncio.to_thread(reads.open, session_id)).line

        def work(folder: Path) -> tuple[str, ...]:
            task = "frames" if name == FRAMES else "tables"
            return task, str(reads.path), session_id, str(folder / "out")

        called = f"{line.session.started:%Y-%m-%d}-{line.short_id}-{name}"
        return await download(work, f"out/{name}", called)

    return router


def data_router(reads: DeskStore, preparing: Preparing, route: type[APIRoute]) -> APIRouter:
    """Return the routes of what charts and pictures show."""
    router = APIRouter(route_class=route)
    _add_charts(router)
    _add_timeline(router, reads, preparing)
    _add_swing_data(router, reads)
    return router


def _add_charts(router: APIRouter) -> None:
    @router.get("/charts/{name}.json")
    def empty_chart(name: str, theme: str = "light", lead: str = "left") -> Response:
        from plantigrade_gateway.web.desk.charts import chart  # Bokeh takes a second to import

        made = chart(name, theme, Foot(lead)) if lead in set(Foot) else None
        if made is None:
            asked = shown(f"{name}, {theme}, {lead}", quoted=False)
            raise NotThere(f"chart {asked}: there is none")
        return Response(made, media_type="application/json")


def _add_timeline(router: APIRouter, reads: DeskStore, preparing: Preparing) -> None:
    @router.get("/{session_id}/prepared.json")
    def prepared(session_id: str) -> Response:
        opened = reads.open(session_id)
        if opened.kept is not None:
            return JSONResponse({"ready": True, "share": 1.0, "problem": None})
        now = preparing.ask(opened.session_id)
        return JSONResponse({"ready": False, "share": now.share, "problem": now.problem})

    @router.get("/{session_id}/timeline.json")
    def timeline(session_id: str, width: int = 1200) -> Response:
        opened = reads.open(session_id)
        kept = opened.shown
        view = view_of(read_stretch(reads.store, session_id, kept, *kept.span), width)
        notes = newest(judging.said_of(reads, opened).notes)
        data = session_data(view, opened.found, kept.span, notes)
        return JSONResponse({**data, "whole": view.whole, "column_s": view.column_s})

    @router.get("/{session_id}/rows.json")
    def rows(session_id: str, start: float, end: float, width: int = 1200) -> Response:
        kept = reads.kept(session_id)
        view = view_of(read_stretch(reads.store, session_id, kept, start, end), width)
        return JSONResponse({**view_data(view), "whole": view.whole, "column_s": view.column_s})


def _add_swing_data(router: APIRouter, reads: DeskStore) -> None:
    @router.get("/{session_id}/swings/{number:number}/chart.json")
    def swing(session_id: str, number: int) -> Response:
        opened = reads.open(session_id)
        one = opened.swing(number)
        return JSONResponse(swing_data(one, reads.rows_of(opened, one)))

    @router.get("/{session_id}/swings/{number:number}/frames.json")
    def frames(session_id: str, number: int) -> Response:
        opened = reads.open(session_id)
        one = opened.swing(number)
        return JSONResponse(frames_json(one, reads.rows_of(opened, one)))

    @router.get("/{session_id}/sets/{number:number}/chart.json")
    def one_set(session_id: str, number: int) -> Response:
        opened = reads.open(session_id)
        swings = reads.swing_rows(opened, opened.run(number).swings)
        return JSONResponse(set_data(overlay_of(swings, opened.found.rate_hz or 100.0)))


def pages_app(store_path: Path, preparing: Preparing) -> FastAPI:
    """Return the application that serves all of the desk's addresses.

    Its ``state.reads`` is to be closed at the end.
    """
    reads = DeskStore(store_path)
    desk = Desk(reads, preparing)
    router = APIRouter(prefix="/sessions", route_class=DeskRoute)
    _add_session(router, desk)
    _add_tables(router, desk)
    _add_swings(router, desk)
    router.include_router(data_router(reads, preparing, DeskRoute))
    router.include_router(export_router(reads, DeskRoute))
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.include_router(router)
    app.include_router(assigning_router(desk))
    app.include_router(sheet_router(desk))
    app.include_router(progress_router(desk))
    app.include_router(handout_router(desk))
    app.include_router(remarks_router(desk))
    app.include_router(speeds_router(desk))
    app.include_router(prints_router(desk))
    app.include_router(players_router(desk))
    app.include_router(rulebook_router(desk))
    app.add_exception_handler(404, not_there)
    app.add_exception_handler(RequestValidationError, not_so)
    app.state.reads = reads
    app.state.preparing = preparing
    return app


def _add_session(router: APIRouter, desk: Desk) -> None:
    @router.get("", response_class=HTMLResponse)
    def sessions(q: str = "", page: int = 1) -> Response:
        return desk.page("sessions.html", found=desk.reads.sessions(q, page), q=q)

    @router.get("/{session_id}", response_class=HTMLResponse)
    def session(session_id: str) -> Response:
        return desk.page("session.html", **session_view(desk, desk.reads.open(session_id)))


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
            measures = swing_columns(opened.set_names, opened.numbers_in_set, opened.left_out)
            made = make_table(found.swings, measures, sort, order, page, found.rate_hz)
        of_swings = (*sampling_notes(found.swings, found.rate_hz), *SWING_NOTES)
        notes = {"swings": of_swings, "steps": _STEP_NOTES, "stands": _STAND_NOTES}[what]
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
    @router.get("/{session_id}/swings/{number:number}", response_class=HTMLResponse)
    def swing(request: Request, session_id: str, number: int, eye: bool = False) -> Response:
        opened = desk.reads.open(session_id)
        unit = request.cookies.get(UNIT_COOKIE, "")
        template, shown = swing_view(desk.reads, opened, number, eye=eye, unit=unit)
        return desk.page(template, **shown, problem="", typed={})

    @router.get("/{session_id}/sets")
    def side_by_side(session_id: str, first: int = 1, second: int = 0) -> Response:
        here = f"/sessions/{desk.reads.open(session_id).session_id}/sets/{first}"
        other = 0 if second == first else second
        return RedirectResponse(f"{here}?other={other}#numbers", 303)

    @router.get("/{session_id}/sets/{number:number}", response_class=HTMLResponse)
    def one_set(session_id: str, number: int, other: int = 0) -> Response:
        opened = desk.reads.open(session_id)
        run = opened.run(number)
        second = opened.run(other) if other else None
        frames = desk.reads.swing_rows(opened, run.swings)
        visit = judging.spoken_of(opened, judging.said_of(desk.reads, opened))
        counted, averaged, said = proportion_lines(run), lines_of(run), ""
        if second is not None:
            rules = RuleBook(desk.reads.register).current().rules
            found = compare_sets(visit, rules, run, second)
            (counted, averaged), said = compared_lines(found), " ".join(found.notes)
        laid = overlay_of(frames, opened.found.rate_hz or 100.0)
        return desk.page(
            "set.html",
            opened=opened,
            number=number,
            other=other,
            run=run,
            second=second,
            tables=(
                ("swings of each kind", "swings of each kind (95 % interval, %)", counted),
                ("measures with spread", "mean ± SD (swings)", averaged),
            ),
            said=said,
            halves=half_lines(run),
            laid=laid,
            moments=set_table(laid),
            band=BAND,
            numbers=opened.numbers,
            notes=SWING_NOTES,
            speed=set_speed_text(by_set(visit)[number - 1]),
            left_out=_left_out_of(opened, number),
        )


def _left_out_of(opened: Opened, number: int) -> list[tuple[int, str]]:
    """Return the numbers of a set's swings that are left out, and why."""
    swings = opened.found.whole_sets[number - 1].swings
    numbers, left_out = opened.numbers, opened.left_out
    return [
        (numbers[s.first_index], left_out[s.first_index])
        for s in swings
        if s.first_index in left_out
    ]
