"""The players' pages: who plays, what was agreed, found and decided, and the end of it."""

import asyncio
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from plantigrade_gateway import formats, words
from plantigrade_gateway.coach.progress import due_after
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people import assigned
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import (
    ANSWERS,
    CONSENTS,
    GIVERS,
    HANDS,
    LIMITS,
    PLANS,
    TOPICS,
    Profile,
    Row,
    lacks_consent,
)
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.page import page_of
from plantigrade_gateway.report.player import visit_of
from plantigrade_gateway.report.typeset import pdf
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.rules.model import RuleSet
from plantigrade_gateway.web.desk import playerforms
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute, download
from plantigrade_gateway.web.desk.playerforms import Form, form_of_request, today
from plantigrade_gateway.web.desk.reads import ROWS

HERE = "/players"
Act = Callable[[Register, Form], None]


def players_router(desk: Desk) -> APIRouter:
    """Return the routes of the players' pages."""
    router = APIRouter(prefix=HERE, route_class=DeskRoute)
    _add_list(router, desk)
    _add_player(router, desk)
    _add_end(router, desk)
    return router


def assigning_router(desk: Desk) -> APIRouter:
    """Return the route by which a stored session is given to a player."""
    router = APIRouter(prefix="/sessions", route_class=DeskRoute)

    @router.post("/{session_id}/player")
    async def assign(request: Request, session_id: str) -> Response:
        form = await form_of_request(request)
        player_id = form.get("player", "")

        def work() -> Response:
            whose = desk.reads.session(session_id).player_id
            desk.reads.player(player_id)
            if whose is not None and form.get("seen", whose) != whose != player_id:
                name = formats.printable(desk.reads.player(whose).name)
                raise InputError(
                    f"session: was given to {name} since this page was shown; go back, look at "
                    "it, and press again"
                )
            with desk.reads.writing() as register:
                assigned.assign(register, session_id, player_id, move=True)
            return RedirectResponse(f"/sessions/{session_id}", 303)

        return await asyncio.to_thread(work)

    return router


def _add_list(router: APIRouter, desk: Desk) -> None:
    def form(typed: Form, problem: str = "", status: int = 200) -> Response:
        shown = {"form": playerforms.filled(typed), "problem": problem, "hands": HANDS}
        if problem:
            shown["instead"] = f"{HERE}/new"
        return desk.page("player_new.html", status, here="players", **shown)

    @router.get("", response_class=HTMLResponse)
    def listed(q: str = "", page: int = 1) -> Response:
        ids = desk.reads.found_players(q)
        pages = max(1, -(-len(ids) // ROWS))
        page = min(max(page, 1), pages)
        some = desk.reads.register.rows_of(ids[ROWS * (page - 1) : ROWS * page]) if ids else []
        rules = RuleBook(desk.reads.register).current().rules if some else built_in()
        shown: dict[str, Any] = {
            "rows": [(row, next_check(row.profile, row.last, rules)) for row in some],
            "total": len(ids),
        }
        shown |= {"q": q, "page": page, "pages": pages, "topics": TOPICS, "today": today()}
        return desk.page("players.html", here="players", **shown)

    @router.get("/choice.json")
    def choice(player: str = "") -> Response:
        """Give all players, and of one whether consent to record lacks, in a sentence."""
        rows = sorted(desk.reads.players(""), key=_last_s, reverse=True)  # else by name
        found = [
            {
                "id": row.profile.player_id,
                "name": formats.printable(row.profile.name),
                "last": row.last and f"{row.last:%Y-%m-%d}",
            }
            for row in rows
        ]
        lack = ""
        if any(one["id"] == player for one in found):
            consents = desk.reads.register.consents(player, today())
            lack = lacks_consent(consents, formats.printable(desk.reads.player(player).name))
        return JSONResponse({"players": found, "lacks_consent": lack})

    @router.get("/new", response_class=HTMLResponse)
    def new() -> Response:
        return form({})

    @router.post("")
    async def add(request: Request) -> Response:
        typed = await form_of_request(request)

        def work() -> Response:
            try:
                with desk.reads.writing(create=True) as register:
                    player_id = register.add(**playerforms.profile_fields(typed))
            except InputError as error:
                return form(typed, str(error), 422)
            return RedirectResponse(f"{HERE}/{player_id}", 303)

        return await asyncio.to_thread(work)


def next_check(profile: Profile, last: datetime | None, rules: RuleSet) -> date | None:
    """Return the day that the coach said, else the one by the rules; None before any visit."""
    if profile.next_check:
        return date.fromisoformat(profile.next_check)
    return None if last is None else due_after(last.date(), rules)


def _last_s(row: Row) -> float:
    return 0.0 if row.last is None else row.last.timestamp()


def _add_player(router: APIRouter, desk: Desk) -> None:
    def page(player_id: str, typed: Form, problem: str = "", status: int = 200) -> Response:
        shown = _shown(desk, player_id, typed)
        is_edited = "handedness" in typed
        if is_edited:
            shown["form"] = playerforms.filled(typed)
            shown["was"] = playerforms.was_shown(typed)
        shown |= {"problem": problem, "typed": typed, "is_edited": is_edited}
        if problem:
            shown["instead"] = f"{HERE}/{player_id}"
        return desk.page("player.html", status, here="players", **shown)

    async def said(request: Request, player_id: str, act: Act, part: str) -> Response:
        """Do what a form says and show the part of the page that it is of."""
        typed = await form_of_request(request)

        def work() -> Response:
            desk.reads.player(player_id)
            try:
                with desk.reads.writing() as register:
                    act(register, typed)
            except InputError as error:
                return page(player_id, typed, str(error), 422)
            return RedirectResponse(f"{HERE}/{player_id}#{part}", 303)

        return await asyncio.to_thread(work)

    @router.get("/{player_id}", response_class=HTMLResponse)
    def player(player_id: str) -> Response:
        return page(player_id, {})

    @router.post("/{player_id}")
    async def edit(request: Request, player_id: str) -> Response:
        def act(register: Register, form: Form) -> None:
            register.edit(player_id, **playerforms.changed_fields(form))

        return await said(request, player_id, act, "profile")

    @router.post("/{player_id}/consents")
    async def consent(request: Request, player_id: str) -> Response:
        def act(register: Register, form: Form) -> None:
            playerforms.note_consent(register, player_id, form, today())

        return await said(request, player_id, act, "consents")

    @router.post("/{player_id}/findings")
    async def finding(request: Request, player_id: str) -> Response:
        def act(register: Register, form: Form) -> None:
            playerforms.note_findings(register, player_id, form)

        return await said(request, player_id, act, "findings")

    @router.post("/{player_id}/decisions")
    async def decide(request: Request, player_id: str) -> Response:
        def act(register: Register, form: Form) -> None:
            playerforms.decide(register, player_id, form, today())

        return await said(request, player_id, act, "decided")


def _shown(desk: Desk, player_id: str, typed: Form) -> dict[str, Any]:
    """Return what a player's page shows, what was typed and refused among it."""
    profile = desk.reads.player(player_id)
    register = desk.reads.register
    store = desk.reads.store
    found = {one.what: one for one in register.findings(player_id)}
    decided = playerforms.last_of(register, player_id)
    consents = register.consents(player_id, today())
    sessions = store.sessions(player_id)
    return {
        "player": profile,
        "form": playerforms.form_of(profile),
        "was": playerforms.form_of(profile),
        "hands": HANDS,
        "consents": consents,
        "agreed": playerforms.AGREED,
        "known_consents": CONSENTS,
        "givers": GIVERS,
        "findings": list(playerforms.findings_form(typed, found)),
        "seen_consents": {one.what: playerforms.seen_of_consent(one) for one in consents},
        "limits": LIMITS,
        "decisions": [(topic, decided.get(topic)) for topic in TOPICS],
        "elsewhere": words.decided_elsewhere(assigned.decided_elsewhere(register, player_id)),
        "seen": playerforms.seen_by_topic(decided),
        "answers": ANSWERS,
        "plans": PLANS,
        "visits": [(one, visit_of(store, one)) for one in sessions],
        "next_check": next_check(
            profile,
            sessions[0].started if sessions else None,
            RuleBook(register).current().rules,
        ),
        "today": today(),
        "decide_at": f"{HERE}/{player_id}/decisions",
        "sheet_of": {},
    }


def _add_end(router: APIRouter, desk: Desk) -> None:
    @router.get("/{player_id}/export.zip")
    async def export(player_id: str) -> Response:
        await asyncio.to_thread(desk.reads.player, player_id)
        name = f"player-{player_id[:8]}"

        def work(folder: Path) -> tuple[str, ...]:
            return "player", str(desk.reads.path), player_id, str(folder / name)

        return await download(work, f"{name}.zip", f"{name}.zip")

    def delete_page(player_id: str, problem: str = "", status: int = 200) -> Response:
        profile = desk.reads.player(player_id)
        count = len(desk.reads.store.sessions(player_id))
        shown = {"player": profile, "sessions": count, "problem": problem}
        if problem:
            shown["instead"] = f"{HERE}/{player_id}/delete"
        return desk.page("player_delete.html", status, here="players", **shown)

    @router.get("/{player_id}/delete", response_class=HTMLResponse)
    def ask(player_id: str) -> Response:
        return delete_page(player_id)

    @router.post("/{player_id}/delete")
    async def delete(request: Request, player_id: str) -> Response:
        typed = await form_of_request(request)

        def work() -> Response:
            try:
                profile = desk.reads.player(player_id)
                playerforms.check_typed_name(profile, typed.get("name", ""))
            except InputError as error:
                return delete_page(player_id, str(error), 422)
            with desk.reads.writing() as register:
                receipt = delete_player(register, player_id)
            lines = list(receipt.lines())
            return desk.page("receipt.html", here="players", lines=lines, instead=HERE)

        return await asyncio.to_thread(work)


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
