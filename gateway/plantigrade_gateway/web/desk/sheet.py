"""The evidence sheet's page: what there is to decide by, and the decision made on it."""

import asyncio
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from plantigrade_gateway import words
from plantigrade_gateway.coach.case import Case, Decided
from plantigrade_gateway.coach.facts import FactValue
from plantigrade_gateway.coach.sheet import EvidenceSheet, doubts, evidence
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.assigned import decided_elsewhere
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.profile import ANSWERS, PLANS, TOPICS, Decision
from plantigrade_gateway.people.rulebook import RuleBook, Version
from plantigrade_gateway.report.sheet import NO_SCORE, STAGES
from plantigrade_gateway.rules.model import FEET, State
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.web.desk import playerforms
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute
from plantigrade_gateway.web.desk.playerforms import Form, form_of_request, today
from plantigrade_gateway.web.desk.reads import NotThere

CURRENT = "current"
"""Asks for a sheet by today's rules, whatever it was decided with."""
_OF_A_FOOT = ("stand", "walk", "print", "bed")
_LEAD = {"right": ("left", "right"), "left": ("right", "left")}


def sheet_router(desk: Desk) -> APIRouter:
    """Return the routes of the sheet's page."""
    router = APIRouter(prefix="/players", route_class=DeskRoute)

    def page(
        player_id: str, visit: str, rules: str, typed: Form, problem: str = "", status: int = 200
    ) -> Response:
        shown = _shown(desk, player_id, visit, rules)
        shown |= {"typed": typed, "problem": problem}
        if problem:
            shown["instead"] = f"/players/{player_id}/sheet?" + urlencode(
                {"visit": visit, "rules": rules}
            )
        return desk.page("sheet.html", status, here="players", **shown)

    @router.get("/{player_id}/sheet", response_class=HTMLResponse)
    def sheet(player_id: str, visit: str = "", rules: str = "") -> Response:
        return page(player_id, visit, rules, {})

    @router.post("/{player_id}/sheet")
    async def decide(request: Request, player_id: str) -> Response:
        form = await form_of_request(request)
        visit, rules = form.get("visit", ""), form.get("rules", "")

        def work() -> Response:
            desk.reads.player(player_id)
            _check_visit(desk, player_id, visit)
            try:
                with desk.reads.writing() as register:
                    book = RuleBook(register)
                    version = form.get("version", "")
                    made_with = book.version(version).version_id if version else book.kept_id()
                    playerforms.decide(register, player_id, form, today(), (visit, made_with))
            except InputError as error:
                return page(player_id, visit, rules, form, str(error), 422)
            return RedirectResponse(f"/players/{player_id}/sheet?visit={visit}#decided", 303)

        return await asyncio.to_thread(work)

    return router


def _check_visit(desk: Desk, player_id: str, session_id: str) -> None:
    if session_id and desk.reads.session(session_id).player_id != player_id:
        raise NotThere(f"session {session_id}: is not this player's")


def _shown(desk: Desk, player_id: str, visit: str, rules: str) -> dict[str, Any]:
    """Return what the page shows."""
    profile = desk.reads.player(player_id)
    _check_visit(desk, player_id, visit)
    register = desk.reads.register
    theirs = desk.reads.store.sessions(player_id)
    sessions = [one for one in theirs if one.state != "open"]
    latest = sessions[0].session_id if sessions else ""
    chosen = visit or latest
    book = RuleBook(register)
    now = book.current()
    made_with = now if rules == CURRENT else book.of_sheet(player_id, chosen)
    case = case_of(register, player_id, None if chosen == latest else chosen)
    made = evidence(case, made_with.rules)
    decided = {one.topic: one for one in made.decisions}
    last = playerforms.last_of(register, player_id)
    return {
        "player": profile,
        "visits": sessions,
        "visit": chosen,
        "at": _at,
        "shown_at": "".join(_at(one) for one in sessions if one.session_id == chosen),
        "later": _at(sessions[0]) if chosen != latest else "",
        "since": _since(decided, last),
        "is_recording": len(sessions) < len(theirs),
        "made": made,
        "rules": rules,
        "version": made_with,
        "newer": _newer(now, made_with),
        "decisions": [(topic, decided.get(topic)) for topic in TOPICS],
        "elsewhere": words.decided_elsewhere(decided_elsewhere(register, player_id)),
        "seen": playerforms.seen_by_topic(last),
        "answers": ANSWERS,
        "plans": PLANS,
        "today": today(),
        "decide_at": f"/players/{player_id}/sheet",
        "sheet_of": {"visit": chosen, "rules": rules, "version": made_with.version_id},
        **parts_of(made, case),
    }


def _at(visit: Session) -> str:
    return visit.started.strftime("%Y-%m-%d %H:%M")


def _since(
    then: Mapping[str, Decided], now: Mapping[str, Decision]
) -> list[tuple[str, Decision | None]]:
    """Return what was decided on topics after what a sheet shows of them; None: taken back."""

    def told(one: Decided | Decision | None) -> tuple[object, ...] | None:
        return None if one is None else (one.answer, one.plan, one.cue, one.day)

    each = ((topic, then.get(topic), now.get(topic)) for topic in TOPICS)
    return [(topic, new) for topic, old, new in each if told(old) != told(new)]


def _newer(now: Version, made_with: Version) -> Version | None:
    return None if now.text == made_with.text else now


def parts_of(made: EvidenceSheet, case: Case) -> dict[str, Any]:
    """Return a sheet's parts as its page lists them."""
    return {
        "doubts": doubts(case),
        "holds": made.sheet.holds,
        "HOLDS": State.HOLDS,
        "feet": [
            (role, side, made.facts.get(f"{role}.foot"), _of_foot(made, role))
            for role, side in zip(FEET, _LEAD[case.handedness], strict=True)
        ],
        "topics": [topic for topic in made.sheet.topics if topic.holding],
        "lacking": [
            (topic.name, one)
            for topic in made.sheet.topics
            for one in topic.judged
            if one.state is not State.HOLDS
        ],
        "stages": [
            (title, [one for one in made.readiness if one.stage == stage])
            for stage, title in STAGES.items()
            if any(one.stage == stage for one in made.readiness)
        ],
        "facts": [fact for fact in made.facts.values() if fact.value is not None],
        "unknown": [fact for fact in made.facts.values() if fact.value is None],
        "label": label,
        "no_score": NO_SCORE,
        "notes": (*made.notes, words.TRAINING_AID, words.DESCRIBES),
    }


def _of_foot(made: EvidenceSheet, role: str) -> list[tuple[str, FactValue]]:
    names = [(what, f"{role}.{what}") for what in _OF_A_FOOT]
    return [(what, made.facts[name]) for what, name in names if name in made.facts]


def label(word: object) -> str:
    """Return a fact's name, or its value, as people read it."""
    if isinstance(word, float):
        return f"{word:g}"
    return words.fact(str(word))
