"""Visits: stored sessions, whose they are, their results, and what people say of them."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import JSONResponse

from plantigrade.events import Swing
from plantigrade_gateway.analysis.serialise import document
from plantigrade_gateway.converter import plain
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits, read_session, swing_of
from plantigrade_gateway.report.player import visit_of
from plantigrade_gateway.report.visit import said_json
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.web.api.documents import (
    AnalysisDocument,
    NoteMade,
    SaidDocument,
    VisitLine,
    VisitList,
)
from plantigrade_gateway.web.api.frame import MOST_PAGES, paged
from plantigrade_gateway.web.api.models import (
    NewAnswer,
    NewConditions,
    NewExclusion,
    NewNote,
    NewSpeed,
    NewTap,
    Whose,
)
from plantigrade_gateway.web.desk.reads import DeskStore

Page = Annotated[int, Query(ge=1, le=MOST_PAGES)]
Number = Annotated[int, Path(ge=1, le=100_000)]


def visits_router(reads: DeskStore) -> APIRouter:
    """Return the routes of visits."""
    router = APIRouter(tags=["visits"])
    _add_lists(router, reads)
    _add_of_session(router, reads)
    _add_of_visit(router, reads)
    _add_of_swing(router, reads)
    return router


def _page_of(reads: DeskStore, sessions: list[Session], page: int) -> dict[str, Any]:
    """Return a page of sessions; only those of the page are looked into."""
    found = paged(sessions, page)
    return {**found, "rows": [_line(reads, session) for session in found["rows"]]}


def _line(reads: DeskStore, session: Session) -> dict[str, Any]:
    visit = visit_of(reads.store, session)
    line = VisitLine(
        session.session_id,
        session.player_id,
        session.started,
        visit.minutes,
        visit.kind,
        session.state,
    )
    return dict(plain(line))


def _add_lists(router: APIRouter, reads: DeskStore) -> None:
    @router.get("/players/{player_id}/visits", response_model=VisitList)
    def list_visits(player_id: str, page: Page = 1) -> JSONResponse:
        """List a player's sessions."""
        reads.player(player_id)
        return JSONResponse(_page_of(reads, reads.store.sessions(player_id), page))

    @router.get("/sessions", response_model=VisitList)
    def list_sessions(page: Page = 1) -> JSONResponse:
        """List all sessions, those of nobody too."""
        return JSONResponse(_page_of(reads, reads.store.sessions(), page))


def _said(reads: DeskStore, session_id: str) -> JSONResponse:
    return JSONResponse(said_json(session_id, Visits(reads.register).said(session_id)))


def _add_of_session(router: APIRouter, reads: DeskStore) -> None:
    @router.get("/sessions/{session_id}", response_model=SaidDocument)
    def show_session(session_id: str) -> JSONResponse:
        """Show what people said of a session."""
        reads.session(session_id)
        return _said(reads, session_id)

    @router.get("/sessions/{session_id}/analysis", response_model=AnalysisDocument)
    def analysis(session_id: str) -> JSONResponse:
        """Give a session's results; swings that are left out count in no set."""
        reads.session(session_id)
        return JSONResponse(document(read_session(reads.store, session_id)))

    @router.post("/sessions/{session_id}/player", response_model=SaidDocument)
    def give(session_id: str, body: Whose) -> JSONResponse:
        """Give a session to a player, from whomever had it."""
        reads.session(session_id)
        reads.player(body.player)
        with reads.writing() as register:
            assign(register, session_id, body.player, move=True)
        return _said(reads, session_id)


def _add_of_visit(router: APIRouter, reads: DeskStore) -> None:
    @router.post("/sessions/{session_id}/questions", response_model=SaidDocument)
    def answer(session_id: str, body: NewAnswer) -> JSONResponse:
        """Note what came of the questions about pain and red flags."""
        reads.session(session_id)
        with reads.writing() as register:
            Visits(register).answer(session_id, body.by, body.hold)
        return _said(reads, session_id)

    @router.post("/sessions/{session_id}/hold/take_back", response_model=SaidDocument)
    def take_back(session_id: str) -> JSONResponse:
        """Take back a hold that was pressed, or answered, by mistake: nothing hurts."""
        reads.session(session_id)
        with reads.writing() as register:
            Visits(register).take_back_hold(session_id)
        return _said(reads, session_id)

    @router.post("/sessions/{session_id}/conditions", response_model=SaidDocument)
    def conditions(session_id: str, body: NewConditions) -> JSONResponse:
        """Note what was worn and played."""
        reads.session(session_id)
        given = body.model_dump(exclude_unset=True)
        is_unchanged = given.pop("is_unchanged", None)
        with reads.writing() as register:
            if given:
                Visits(register).set_conditions(session_id, **given)
            if is_unchanged is not None:
                Visits(register).mark_unchanged(session_id, is_unchanged=is_unchanged)
        return _said(reads, session_id)

    @router.post("/sessions/{session_id}/notes", status_code=201, response_model=NoteMade)
    def note(session_id: str, body: NewNote) -> JSONResponse:
        """Note a line about an instant."""
        reads.session(session_id)
        with reads.writing() as register:
            note_id = Visits(register).note(session_id, body.t_s, body.text)
        return JSONResponse({"note": note_id}, 201)

    @router.delete("/sessions/{session_id}/notes/{note_id}", response_model=SaidDocument)
    def remove_note(session_id: str, note_id: str) -> JSONResponse:
        """Take a note back."""
        reads.session(session_id)
        with reads.writing() as register:
            Visits(register).remove_note(session_id, note_id)
        return _said(reads, session_id)


def _swing(register: Register, session_id: str, number: int) -> Swing:
    return swing_of(read_session(register.store, session_id), number)


def _add_of_swing(router: APIRouter, reads: DeskStore) -> None:
    @router.post("/sessions/{session_id}/exclusions", response_model=SaidDocument)
    def exclude(session_id: str, body: NewExclusion) -> JSONResponse:
        """Leave a swing out of all numbers."""
        reads.session(session_id)
        with reads.writing() as register:
            swing = _swing(register, session_id, body.swing)
            Visits(register).exclude(session_id, swing, body.reason)
        return _said(reads, session_id)

    @router.delete("/sessions/{session_id}/exclusions/{swing}", response_model=SaidDocument)
    def include(session_id: str, swing: Number) -> JSONResponse:
        """Let a swing count again."""
        reads.session(session_id)
        with reads.writing() as register:
            Visits(register).include(session_id, _swing(register, session_id, swing))
        return _said(reads, session_id)

    @router.post("/sessions/{session_id}/taps", response_model=SaidDocument)
    def tap(session_id: str, body: NewTap) -> JSONResponse:
        """Note what the coach's eye says of a swing; the first tap counts, none is taken back."""
        reads.session(session_id)
        with reads.writing() as register:
            swing = _swing(register, session_id, body.swing)
            Visits(register).tap(session_id, swing, body.what, body.answer, is_blind=body.is_blind)
        return _said(reads, session_id)

    @router.post("/sessions/{session_id}/speeds", response_model=SaidDocument)
    def set_speed(session_id: str, body: NewSpeed) -> JSONResponse:
        """Note a swing's club speed."""
        reads.session(session_id)
        with reads.writing() as register:
            swing = _swing(register, session_id, body.swing)
            Visits(register).set_speed(session_id, swing, body.m_s)
        return _said(reads, session_id)

    @router.delete("/sessions/{session_id}/speeds/{swing}", response_model=SaidDocument)
    def remove_speed(session_id: str, swing: Number) -> JSONResponse:
        """Take a club speed back."""
        reads.session(session_id)
        with reads.writing() as register:
            Visits(register).set_speed(session_id, _swing(register, session_id, swing), None)
        return _said(reads, session_id)
