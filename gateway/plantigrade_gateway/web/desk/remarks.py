"""What the coach says of one swing on its page: left out with a reason, or counted again."""

import asyncio

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute
from plantigrade_gateway.web.desk.playerforms import form_of_request
from plantigrade_gateway.web.desk.swing import swing_page

LEAVE_OUT, COUNT = "leave out", "count again"


def remarks_router(desk: Desk) -> APIRouter:
    """Return the route by which something is said of a swing."""
    router = APIRouter(prefix="/sessions", route_class=DeskRoute)

    @router.post("/{session_id}/swings/{number:number}")
    async def remark(request: Request, session_id: str, number: int) -> Response:
        form = await form_of_request(request)
        what, reason = form.get("do", ""), form.get("reason", "")

        def work() -> Response:
            opened = desk.reads.open(session_id)
            swing = opened.swing(number)
            try:
                with desk.reads.writing() as register:
                    visits = Visits(register)
                    if what == LEAVE_OUT:
                        visits.exclude(opened.session_id, swing, reason)
                    elif what == COUNT:
                        visits.include(opened.session_id, swing)
                    else:
                        raise InputError(f"do: expected {LEAVE_OUT} or {COUNT}")
            except InputError as error:
                shown = swing_page(desk.reads, opened, number)
                return desk.page("swing.html", 422, **shown, problem=str(error), reason=reason)
            return RedirectResponse(f"/sessions/{session_id}/swings/{number}", 303)

        return await asyncio.to_thread(work)

    return router
