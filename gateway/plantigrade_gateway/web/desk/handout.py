"""The page for the player as a download: a PDF, made when it is asked for."""

from typing import Literal

from fastapi import APIRouter, Response

from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.page import page_of
from plantigrade_gateway.report.typeset import pdf
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute


def handout_router(desk: Desk) -> APIRouter:
    """Return the route of the page for the player."""
    router = APIRouter(prefix="/players", route_class=DeskRoute)

    @router.get("/{player_id}/page.pdf")
    def page(player_id: str, paper: Literal["a4", "letter"] = "a4") -> Response:
        desk.reads.player(player_id)  # one that is not there has no page
        register = desk.reads.register
        data = pdf(page_of(register, player_id, RuleBook(register).current().rules), paper)
        # The name of a player stands in the file, never in an address or a file's name.
        named = f'inline; filename="player-{player_id[:8]}.pdf"'
        return Response(
            data,
            media_type="application/pdf",
            headers={"Content-Disposition": named, "Cache-Control": "no-store"},
        )

    return router
