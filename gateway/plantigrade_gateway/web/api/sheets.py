"""What is decided by: the evidence sheet, visits side by side, progress, the page to take home."""

import asyncio
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import FileResponse, JSONResponse

from plantigrade_gateway.coach.compare import compare
from plantigrade_gateway.coach.follow import find_followed
from plantigrade_gateway.coach.progress import progress
from plantigrade_gateway.coach.repeats import reliability
from plantigrade_gateway.coach.sheet import evidence
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.change import comparison_json, progress_json
from plantigrade_gateway.report.sheet import sheet_json
from plantigrade_gateway.web.api.documents import (
    ComparisonDocument,
    ProgressDocument,
    SheetDocument,
)
from plantigrade_gateway.web.api.frame import case
from plantigrade_gateway.web.desk.frame import download
from plantigrade_gateway.web.desk.reads import DeskStore

_PDF = "application/pdf"
VisitId = Annotated[str | None, Query(max_length=64)]
MeasureName = Annotated[str | None, Query(max_length=64)]


def sheets_router(reads: DeskStore) -> APIRouter:
    """Return the routes of what a decision is made by."""
    router = APIRouter(prefix="/players/{player_id}", tags=["decision"])
    _add_sheet(router, reads)
    _add_change(router, reads)
    _add_page(router, reads)
    return router


def _add_sheet(router: APIRouter, reads: DeskStore) -> None:
    @router.get("/sheet", response_model=SheetDocument)
    def sheet(player_id: str, visit: VisitId = None) -> JSONResponse:
        """Show the evidence sheet of the last visit, or of one; with the rules it was made with."""
        found = case(reads, player_id, visit)
        session_id = found.visits[-1].session_id if found.visits else ""
        rules = RuleBook(reads.register).of_sheet(player_id, session_id).rules
        return JSONResponse(sheet_json(evidence(found, rules)))


def _add_change(router: APIRouter, reads: DeskStore) -> None:
    @router.get("/comparison", response_model=ComparisonDocument)
    def comparison(
        player_id: str,
        before: VisitId = None,
        after: VisitId = None,
        measure: MeasureName = None,
    ) -> JSONResponse:
        """Compare two visits, the last two unless both are named."""
        found = case(reads, player_id)
        if (before is None) != (after is None):
            raise InputError("visits: one is named, expected two or none")
        if measure is not None:
            measure = find_followed(measure).key
        if before is None or after is None:
            if len(found.visits) < 2:
                raise InputError(f"visits: this player has {len(found.visits)}, expected two")
            before, after = (visit.session_id for visit in found.visits[-2:])
        rules = RuleBook(reads.register).current().rules
        return JSONResponse(comparison_json(compare(found, rules, before, after, measure)))

    @router.get("/progress", response_model=ProgressDocument)
    def follow(player_id: str, measure: Annotated[str, Query(max_length=64)]) -> JSONResponse:
        """Follow one measure over the visits, with how it repeats."""
        found = case(reads, player_id)
        rules = RuleBook(reads.register).current().rules
        measure = find_followed(measure).key
        made = progress(found, rules, measure)
        return JSONResponse(progress_json(made, reliability(found, rules, measure)))


def _add_page(router: APIRouter, reads: DeskStore) -> None:
    @router.get(
        "/page.pdf",
        response_class=FileResponse,
        responses={200: {"content": {_PDF: {"schema": {"type": "string", "format": "binary"}}}}},
    )
    async def page(player_id: str, paper: Literal["a4", "letter"] = "a4") -> Response:
        """Give the page to take home of the last visit, as PDF."""
        await asyncio.to_thread(reads.player, player_id)

        def work(folder: Path) -> tuple[str, ...]:
            return "page", str(reads.path), player_id, str(folder / "page.pdf"), paper

        return await download(work, "page.pdf", "page.pdf", _PDF)
