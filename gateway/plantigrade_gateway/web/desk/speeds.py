"""Club speeds of a session on a page: by set, and those of a CSV matched, shown, joined, undone.

Nothing is kept between the steps: each form sends the file's text again, and what is joined must be
what was shown.
"""

import asyncio
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from plantigrade.errors import shown
from plantigrade_gateway import formats, words
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.speed import (
    LEAST_RELATED,
    NO_CAUSE,
    Preview,
    Relation,
    SetSpeed,
    by_order,
    by_set,
    by_time,
    places_of,
    relations,
)
from plantigrade_gateway.coach.speedfile import UNITS, SpeedFile, columns_of, read_speeds
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.said import anchor_ns
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute
from plantigrade_gateway.web.desk.judging import said_of, spoken_of
from plantigrade_gateway.web.desk.reads import Opened
from plantigrade_gateway.web.door.pages import read_form

_MOST_BYTES, _MOST_FIELDS = 1_000_000, 12
"""Of a form with a file in it: 2,000 rows of some 150 bytes, which a form writes at twice that."""
ALL = "0"
"""The number that stands for all sets."""
HOW = {"time": "by time", "order": "the first row with the first swing, and so on"}

Form = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Matched:
    """A file's speeds beside a session's swings.

    Attributes
    ----------
    file : SpeedFile
    preview : Preview
    print : str
        Tells what was shown from anything else.
    """

    file: SpeedFile
    preview: Preview
    print: str


def speeds_router(desk: Desk) -> APIRouter:
    """Return the routes of a session's club speeds."""
    router = APIRouter(prefix="/sessions", route_class=DeskRoute)

    def page(
        session_id: str, form: Form, problem: str = "", matched: Matched | None = None
    ) -> Response:
        opened = desk.reads.open(session_id)
        columns: list[str] = []
        if form.get("csv"):
            try:
                columns = columns_of(form["csv"].encode())
            except InputError as error:
                problem = problem or str(error)
        values = _shown(desk, opened, form.get("unit", ""))
        if form:
            values["instead"] = f"/sessions/{session_id}/speeds"
        status = 422 if problem else 200
        return desk.page(
            "speeds.html",
            status,
            opened=opened,
            typed=form,
            problem=problem,
            columns=columns,
            matched=matched,
            **values,
        )

    async def sent(request: Request, work: Callable[[Form], Response]) -> Response:
        form = await read_form(request, _MOST_BYTES, _MOST_FIELDS)
        return await asyncio.to_thread(work, form)

    @router.get("/{session_id}/speeds", response_class=HTMLResponse)
    def speeds(session_id: str) -> Response:
        return page(session_id, {})

    @router.post("/{session_id}/speeds")
    async def show(request: Request, session_id: str) -> Response:
        def work(form: Form) -> Response:
            if not form.get("column"):
                empty = "" if form.get("csv", "").strip() else "file: choose or paste one"
                return page(session_id, form, empty)
            try:
                matched = match(desk.reads.open(session_id), form)
            except InputError as error:
                return page(session_id, form, str(error))
            return page(session_id, form, "", matched)

        return await sent(request, work)

    @router.post("/{session_id}/speeds/join")
    async def join(request: Request, session_id: str) -> Response:
        def work(form: Form) -> Response:
            opened = desk.reads.open(session_id)
            try:
                matched = match(opened, form)
                if matched.print != form.get("print"):
                    raise InputError("club speed: something changed since this was shown")
                pairs = [
                    (opened.found.swings[pair.place], pair.row.m_s)
                    for pair in matched.preview.pairs
                ]
                with desk.reads.writing() as register:
                    Visits(register).join_speeds(session_id, pairs, matched.preview.offset_s)
            except InputError as error:
                return page(session_id, form, str(error))
            return RedirectResponse(f"/sessions/{session_id}/speeds", 303)

        return await sent(request, work)

    @router.post("/{session_id}/speeds/undo")
    async def undo(request: Request, session_id: str) -> Response:
        def work(form: Form) -> Response:
            desk.reads.session(session_id)
            with desk.reads.writing() as register:
                Visits(register).undo_join(session_id, form.get("join", ""))
            return RedirectResponse(f"/sessions/{session_id}/speeds", 303)

        return await sent(request, work)

    return router


def match(opened: Opened, form: Form) -> Matched:
    """Return the speeds of a form's file beside the swings they may be of.

    Raises
    ------
    InputError
        The file cannot be read so, or the form asks for what is not there.
    """
    how = form.get("how", "")
    if how not in HOW:
        raise InputError(f"match: {shown(how)}, expected {' or '.join(HOW)}")
    time_column = form.get("time_column") or None
    if how == "time" and time_column is None:
        raise InputError("match: by time needs the column of the time; or choose the order")
    unit = form.get("unit", "")
    file = read_speeds(form.get("csv", "").encode(), form.get("column", ""), unit, time_column)
    number = form.get("set", ALL)
    if not number.isdecimal() or len(number) > 6:
        raise InputError(f"set: {shown(number)}, expected a number")
    places = places_of(opened.found, int(number) or None)
    if how == "time":
        preview = by_time(file.rows, opened.found.swings, places)
    else:
        preview = by_order(file.rows, places)
    return Matched(file, preview, _print(opened, preview))


def _print(opened: Opened, preview: Preview) -> str:
    told = [
        (pair.row.line, pair.row.m_s, anchor_ns(opened.found.swings[pair.place]))
        for pair in preview.pairs
    ]
    return hashlib.sha256(repr((told, preview.offset_s)).encode()).hexdigest()


def _shown(desk: Desk, opened: Opened, unit: str) -> dict[str, Any]:
    said = said_of(desk.reads, opened)
    visit = spoken_of(opened, said)
    return {
        "sets": by_set(visit),
        "joins": said.joins,
        "has_speeds": has_speeds(visit),
        "relations": [(one, slope_text(one)) for one in relations(visit)],
        "least": LEAST_RELATED,
        "no_cause": NO_CAUSE,
        "units": UNITS,
        "unit": unit if unit in UNITS else "",
        "how": HOW,
    }


def has_speeds(visit: Visit) -> bool:
    """Whether any swing has a club speed."""
    return any(note.club_speed_m_s is not None for note in visit.notes.values())


def slope_text(found: Relation) -> str:
    """Return a slope as people read it."""
    return words.difference(found.slope, 2)


def set_speed_text(found: SetSpeed) -> str:
    """Return a set's club speeds: mean, SD and best, m/s; empty without any."""
    if found.speed.mean is None:
        return ""
    best = formats.number(found.best, 1)
    return f"{words.spread(found.speed, 1)} of {found.swings}, best {best} m/s"
