"""What the desk's charts and pictures show, as JSON."""

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute

from plantigrade.block import Foot
from plantigrade_gateway.web.desk.cache import read_stretch
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere
from plantigrade_gateway.web.desk.sets import overlay_of, set_data
from plantigrade_gateway.web.desk.swing import frames_json
from plantigrade_gateway.web.desk.swingdata import swing_data
from plantigrade_gateway.web.desk.timeline import session_data, view_data
from plantigrade_gateway.web.desk.view import view_of


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
            raise NotThere(f"chart {name}, {theme}, {lead}: there is none")
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
        data = session_data(view, opened.found, kept.span)
        return JSONResponse({**data, "whole": view.whole, "column_s": view.column_s})

    @router.get("/{session_id}/rows.json")
    def rows(session_id: str, start: float, end: float, width: int = 1200) -> Response:
        kept = reads.kept(session_id)
        view = view_of(read_stretch(reads.store, session_id, kept, start, end), width)
        return JSONResponse({**view_data(view), "whole": view.whole, "column_s": view.column_s})


def _add_swing_data(router: APIRouter, reads: DeskStore) -> None:
    @router.get("/{session_id}/swings/{number}/chart.json")
    def swing(session_id: str, number: int) -> Response:
        opened = reads.open(session_id)
        one = opened.swing(number)
        return JSONResponse(swing_data(one, reads.rows_of(opened, one)))

    @router.get("/{session_id}/swings/{number}/frames.json")
    def frames(session_id: str, number: int) -> Response:
        opened = reads.open(session_id)
        one = opened.swing(number)
        return JSONResponse(frames_json(one, reads.rows_of(opened, one)))

    @router.get("/{session_id}/sets/{number}/chart.json")
    def one_set(session_id: str, number: int) -> Response:
        opened = reads.open(session_id)
        swings = reads.swing_rows(opened, opened.run(number).swings)
        return JSONResponse(set_data(overlay_of(swings, opened.found.rate_hz or 100.0)))
