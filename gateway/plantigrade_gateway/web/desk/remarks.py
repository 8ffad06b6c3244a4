"""What the coach says on a session's pages: of a swing, of an instant, and of what was worn.

A swing is left out with a reason or counted again, gets a club speed, and is judged by eye. The
form's ``do`` names which.
"""

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from plantigrade.errors import shown
from plantigrade.events import Swing
from plantigrade_gateway.coach.speedfile import UNITS, in_m_s
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.said import place_of
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute
from plantigrade_gateway.web.desk.judging import is_open, said_of
from plantigrade_gateway.web.desk.playerforms import Form, form_of_request
from plantigrade_gateway.web.desk.reads import NotThere, Opened
from plantigrade_gateway.web.desk.session import noted, session_view
from plantigrade_gateway.web.desk.swing import swing_view

UNIT_COOKIE = "speed-unit"
"""The unit that was typed last on this device, so that it is not asked again with each swing."""
_KEPT_S = 365 * 86_400
_DIGITS = 18  # of a moment in ns


def speed_units(request: Request) -> dict[str, Any]:
    """Return what a form shows in which a club speed is typed: units, and the one typed last."""
    typed = request.cookies.get(UNIT_COOKIE, "")
    cookie = {"unit_cookie": UNIT_COOKIE, "unit_kept_s": _KEPT_S}
    return {"units": UNITS, "speed_unit": typed, **cookie}


Act = Callable[[Visits, str, Swing, Form], None]


def _leave_out(visits: Visits, session_id: str, swing: Swing, form: Form) -> None:
    visits.exclude(session_id, swing, form.get("reason", ""))


def _count_again(visits: Visits, session_id: str, swing: Swing, form: Form) -> None:
    visits.include(session_id, swing)


def _tap(visits: Visits, session_id: str, swing: Swing, form: Form) -> None:
    blind = form.get("eye") == "1"
    visits.tap(session_id, swing, form.get("what", ""), form.get("answer", ""), is_blind=blind)


def _show_answer(visits: Visits, session_id: str, swing: Swing, form: Form) -> None:
    visits.show_answer(session_id, swing)


def _set_speed(visits: Visits, session_id: str, swing: Swing, form: Form) -> None:
    text = form.get("speed", "").strip()
    value = None if not text else in_m_s(_number(text, "club speed"), form.get("unit", ""))
    visits.set_speed(session_id, swing, value)


ACTS: Mapping[str, Act] = {
    "leave out": _leave_out,
    "count again": _count_again,
    "tap": _tap,
    "show": _show_answer,
    "speed": _set_speed,
}
"""What can be done with a swing, by what the form calls it."""

_STIFF: Mapping[str, bool | None] = {"": None, "soft": False, "stiff": True}


def remarks_router(desk: Desk) -> APIRouter:
    """Return the routes by which something is said of a swing, an instant or what was worn."""
    router = APIRouter(prefix="/sessions", route_class=DeskRoute)
    _add_swings(router, desk)
    _add_notes(router, desk)
    _add_worn(router, desk)
    return router


def _add_swings(router: APIRouter, desk: Desk) -> None:
    @router.post("/{session_id}/swings/{number:number}")
    async def remark(request: Request, session_id: str, number: int) -> Response:
        form = await form_of_request(request)
        return await asyncio.to_thread(remarked, session_id, number, form)

    def remarked(session_id: str, number: int, form: Form) -> Response:
        opened = desk.reads.open(session_id)
        number = _number_now(opened, number, form.get("of", ""))
        eye = form.get("eye") == "1"
        here = f"/sessions/{session_id}/swings/{number}" + ("?eye=1" if eye else "")
        swing = opened.swing(number)
        try:
            act = ACTS.get(form.get("do", ""))
            if act is None:
                raise InputError(f"do: expected {' or '.join(ACTS)}")
            _check_blind(desk, opened, number, form)
            with desk.reads.writing() as register:
                act(Visits(register), opened.session_id, swing, form)
        except InputError as error:
            unit = form.get("unit", "")
            template, view = swing_view(desk.reads, opened, number, eye=eye, unit=unit)
            return desk.page(template, 422, **view, problem=str(error), typed=form, instead=here)
        gone = RedirectResponse(here, 303)
        if form.get("do") == "speed":
            gone.set_cookie(UNIT_COOKIE, form.get("unit", ""), _KEPT_S, samesite="strict")
        return gone


def _number_now(opened: Opened, number: int, of: str) -> int:
    """Return the number that a form's swing has by now, by the moment that its page named it by.

    What came late makes the results again: a swing more or less before it, and its number is
    another's. A tap could not be taken back from that one.

    Raises
    ------
    NotThere
        It is no swing any more.
    """
    if not of:
        return number  # of a program, which names none
    is_moment = of.isascii() and of.isdigit() and len(of) <= _DIGITS
    place = place_of(opened.found.swings, int(of)) if is_moment else None
    if place is None:
        raise NotThere(
            f"swing {number}: the session's results were made again, and it is none any more"
        )
    return place + 1


def _check_blind(desk: Desk, opened: Opened, number: int, form: Form) -> None:
    """Refuse a tap that comes from a page without the answer, after the answer was shown."""
    asked = form.get("do") == "tap" and form.get("eye") == "1"
    if asked and is_open(said_of(desk.reads, opened), number - 1):
        raise InputError("eye: the program's answer was shown meanwhile, so this is not blind")


def _add_notes(router: APIRouter, desk: Desk) -> None:
    @router.post("/{session_id}/notes")
    async def note(request: Request, session_id: str) -> Response:
        form = await form_of_request(request)

        def work() -> Response:
            opened = desk.reads.open(session_id)
            try:
                t_s = seconds_of(form.get("at", ""))
                with desk.reads.writing() as register:
                    Visits(register).note(session_id, t_s, form.get("text", ""))
            except InputError as error:
                shown = session_view(desk, opened, str(error), form, "note")
                return desk.page("session.html", 422, **shown, instead=f"/sessions/{session_id}")
            return _to_notes(session_id)

        return await asyncio.to_thread(work)

    @router.post("/{session_id}/notes/{note_id}/remove")
    async def remove(request: Request, session_id: str, note_id: str) -> Response:
        await form_of_request(request)

        def work() -> Response:
            desk.reads.session(session_id)
            with desk.reads.writing() as register:
                Visits(register).remove_note(session_id, note_id)
            return _to_notes(session_id)

        return await asyncio.to_thread(work)


def _add_worn(router: APIRouter, desk: Desk) -> None:
    @router.post("/{session_id}/worn")
    async def wear(request: Request, session_id: str) -> Response:
        form = await form_of_request(request)

        def work() -> Response:
            opened = desk.reads.open(session_id)
            here = f"/sessions/{session_id}"
            try:
                sole = form.get("sole", "")
                if sole not in _STIFF:
                    raise InputError(f"sole: {shown(sole)}, expected soft, stiff or nothing")
                now = noted(said_of(desk.reads, opened))
                if form.get("seen", now.seen) != now.seen:
                    raise InputError(
                        f"Meanwhile was noted: {now.said or 'no shoe'}"
                        f"{', player unchanged' if now.unchanged else ''}. Press again to put this "
                        "in its place."
                    )
                worn = {name: form.get(name, "") for name in ("shoe", "footbed")}
                with desk.reads.writing() as register:
                    visits = Visits(register)
                    visits.set_conditions(session_id, **worn, is_shoe_stiff=_STIFF[sole])
                    visits.mark_unchanged(session_id, is_unchanged="unchanged" in form)
            except InputError as error:
                view = session_view(desk, opened, str(error), form, "worn")
                return desk.page("session.html", 422, **view, instead=here)
            return RedirectResponse(f"{here}#worn", 303)

        return await asyncio.to_thread(work)


def _to_notes(session_id: str) -> Response:
    return RedirectResponse(f"/sessions/{session_id}#notes", 303)


def seconds_of(text: str) -> float:
    """Return a session time, s, of ``12:03.4``, ``1:02:03`` or seconds.

    Raises
    ------
    InputError
        It is none.
    """
    parts = text.strip().replace(",", ".").split(":")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if not 1 <= len(values) <= 3:
        raise InputError(f"time: {shown(text)}, expected minutes and seconds as 12:03")
    if any(not 0.0 <= value < 60.0 for value in values[1:]):
        raise InputError(f"time: {shown(text)}, expected under 60 after a colon, as in 12:03")
    return sum(value * 60.0**power for power, value in enumerate(reversed(values)))


def _number(text: str, what: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"{what}: {shown(text)}, expected a number") from None
