"""Players: registered, changed, found, what was agreed, found and decided, and the end of it."""

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from plantigrade_gateway.converter import plain
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.profile import Row, check_to_come
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.player import player_json
from plantigrade_gateway.web.api.documents import PlayerDocument, PlayerList, ReceiptDocument
from plantigrade_gateway.web.api.frame import MOST_PAGES, check_visit, paged
from plantigrade_gateway.web.api.models import (
    Body,
    Confirmation,
    NewConsent,
    NewDecision,
    NewFinding,
    NewPlayer,
    PlayerEdit,
)
from plantigrade_gateway.web.desk.playerforms import check_typed_name, today
from plantigrade_gateway.web.desk.reads import DeskStore

Page = Annotated[int, Query(ge=1, le=MOST_PAGES)]


def players_router(reads: DeskStore) -> APIRouter:
    """Return the routes of players."""
    router = APIRouter(prefix="/players", tags=["players"])
    _add_players(router, reads)
    _add_said(router, reads)
    return router


def document(reads: DeskStore, player_id: str) -> dict[str, Any]:
    """Return all that stands of a player, without each change."""
    reads.player(player_id)
    said = player_json(reads.register, player_id)
    return {key: value for key, value in said.items() if not key.endswith("changes")}


def _line(row: Row) -> dict[str, Any]:
    return {
        "player_id": row.profile.player_id,
        "name": row.profile.name,
        "sessions": row.sessions,
        "last": plain(row.last),
        "answers": plain(row.answers),
    }


def _given(body: Body) -> dict[str, Any]:
    """Return the fields that a body names, as JSON values."""
    values: dict[str, Any] = body.model_dump(mode="json", exclude_unset=True)
    return values


def _add_players(router: APIRouter, reads: DeskStore) -> None:
    @router.get("", response_model=PlayerList)
    def list_players(
        search: Annotated[str, Query(max_length=80)] = "", page: Page = 1
    ) -> JSONResponse:
        """List the players, of all those whose name or id holds the text searched for."""
        return JSONResponse(paged([_line(row) for row in reads.players(search)], page))

    @router.post("", status_code=201, response_model=PlayerDocument)
    def register_player(body: NewPlayer) -> JSONResponse:
        """Register a player."""
        with reads.writing(create=True) as register:
            player_id = register.add(**_given(body))
        return JSONResponse(document(reads, player_id), 201)

    @router.get("/{player_id}", response_model=PlayerDocument)
    def show_player(player_id: str) -> JSONResponse:
        """Show all that stands of a player."""
        return JSONResponse(document(reads, player_id))

    @router.patch("/{player_id}", response_model=PlayerDocument)
    def edit_player(player_id: str, body: PlayerEdit) -> JSONResponse:
        """Change fields of a player."""
        reads.player(player_id)
        with reads.writing() as register:
            register.edit(player_id, **_given(body))
        return JSONResponse(document(reads, player_id))

    @router.delete("/{player_id}", response_model=ReceiptDocument)
    def delete(player_id: str, body: Confirmation) -> JSONResponse:
        """Delete a player with all sessions, for good; the name is the confirmation."""
        check_typed_name(reads.player(player_id), body.name)
        with reads.writing() as register:
            receipt = delete_player(register, player_id)
        return JSONResponse(plain(receipt.json()))


def _add_said(router: APIRouter, reads: DeskStore) -> None:
    @router.post("/{player_id}/consents", response_model=PlayerDocument)
    def consent(player_id: str, body: NewConsent) -> JSONResponse:
        """Note a consent that is given or withdrawn."""
        reads.player(player_id)
        with reads.writing() as register:
            if body.state == "withdrawn":
                register.withdraw(player_id, body.what, body.by)
            else:
                if body.until is not None:
                    check_to_come(body.until, today())
                register.grant(player_id, body.what, body.by, body.until)
        return JSONResponse(document(reads, player_id))

    @router.post("/{player_id}/findings", response_model=PlayerDocument)
    def finding(player_id: str, body: NewFinding) -> JSONResponse:
        """Note what was found without the insoles."""
        reads.player(player_id)
        with reads.writing() as register:
            register.note_finding(player_id, body.what, body.state, body.text)
        return JSONResponse(document(reads, player_id))

    @router.post("/{player_id}/decisions", response_model=PlayerDocument)
    def decide(player_id: str, body: NewDecision) -> JSONResponse:
        """Note the coach's decision, with the rules of the visit's sheet where one is named."""
        reads.player(player_id)
        check_visit(reads, player_id, body.visit)
        day: date = today() if body.day is None else body.day
        with reads.writing() as register:
            sheet = None
            if body.visit is not None:
                book = RuleBook(register)
                made_with = book.of_sheet(player_id, body.visit).version_id or book.kept_id()
                sheet = (body.visit, made_with)
            register.decide(player_id, body.topic, body.answer, day, body.cue, body.plan, sheet)
        return JSONResponse(document(reads, player_id))

    @router.delete("/{player_id}/decisions/{topic}", response_model=PlayerDocument)
    def take_back(player_id: str, topic: str) -> JSONResponse:
        """Note that nothing is decided on a topic any more."""
        reads.player(player_id)
        with reads.writing() as register:
            register.take_back(player_id, topic, today())
        return JSONResponse(document(reads, player_id))
