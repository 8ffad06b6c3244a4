"""The rule file's page: read, changed, checked when it is kept, and every version of it."""

import asyncio

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.rules.files import built_in_text, unused
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute
from plantigrade_gateway.web.desk.reads import NotThere
from plantigrade_gateway.web.door.pages import read_form

HERE = "/rules"
_MOST_BYTES = 400_000  # of a form: a rule file is some 25,000 signs, and each may take three


def rulebook_router(desk: Desk) -> APIRouter:
    """Return the routes of the rule file's page."""
    router = APIRouter(prefix=HERE, route_class=DeskRoute)

    def page(version: str, typed: str | None = None, problem: str = "") -> Response:
        book = RuleBook(desk.reads.register)
        now = book.current()
        try:
            shown = book.version(version) if version else now
        except StoreError as error:
            raise NotThere(str(error)) from error
        answers = {"instead": HERE} if problem else {}
        return desk.page(
            "rules.html",
            422 if problem else 200,
            here="players",
            problem=problem,
            text=shown.text if typed is None else typed,
            shown=shown,
            now=now,
            is_now=shown.text == now.text,
            versions=book.versions(),
            unused=[] if problem or typed else list(unused(now.rules)),
            **answers,
        )

    @router.get("", response_class=HTMLResponse)
    def rules(version: str = "") -> Response:
        return page(version)

    @router.post("")
    async def keep(request: Request) -> Response:
        form = await read_form(request, _MOST_BYTES, 4)

        def work() -> Response:
            text = form.get("text", "").replace("\r\n", "\n")  # as browsers send lines
            if form.get("do") == "built-in":
                text = built_in_text()
            try:
                with desk.reads.writing(create=True) as register:
                    book = RuleBook(register)
                    if "seen" in form:
                        _check_seen(book, form["seen"], text)
                    book.keep(text)
            except InputError as error:
                return page("", text, str(error))
            return RedirectResponse(HERE, 303)

        return await asyncio.to_thread(work)

    return router


def _check_seen(book: RuleBook, seen: str, text: str) -> None:
    """Refuse to put a file in the place of one that its writer has not seen.

    Raises
    ------
    InputError
        Other rules were kept since the page showed the version `seen`; empty: the program's own.
    """
    now = book.current()
    if now.text not in (text, book.version(seen).text if seen else built_in_text()):
        raise InputError(
            "rules: others were kept since this page was shown; look at those that hold now, "
            "under Versions, and press again"
        )
