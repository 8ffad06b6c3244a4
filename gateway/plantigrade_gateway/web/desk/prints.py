"""A player's footprints on a page: a photo flattened, marked by hand, read, kept, taken away.

Nothing is kept between the steps: each sends the photo again, with the marks as they stand.
"""

import asyncio
import base64
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from plantigrade.errors import SampleError
from plantigrade.footprint import Marks
from plantigrade_gateway.converter import plain
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.prints import Footprint, Prints, indices
from plantigrade_gateway.people.profile import FEET
from plantigrade_gateway.prints.apart import flat_of
from plantigrade_gateway.prints.ink import LEVEL
from plantigrade_gateway.prints.reading import read_print
from plantigrade_gateway.prints.target import target_page
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute
from plantigrade_gateway.web.door.pages import read_body

_MOST_BYTES = 8_000_000
"""Of a photo that the page sends: it makes it anew, at most 3,000 pixels wide (ours)."""
_MOST_S = 60.0
Numbers = Annotated[list[float] | None, Query()]


def prints_router(desk: Desk) -> APIRouter:
    """Return the routes of a player's footprints."""
    router = APIRouter(prefix="/players", route_class=DeskRoute)
    one_at_a_time = asyncio.Semaphore(1)  # each takes memory and a processor

    @router.get("/{player_id}/prints", response_class=HTMLResponse)
    def page(player_id: str) -> Response:
        profile = desk.reads.player(player_id)
        taken = Prints(desk.reads.register).of(player_id)
        return desk.page(
            "prints.html",
            here="players",
            player=profile,
            taken=taken,
            found=[(foot, indices(taken, foot)) for foot in FEET],
        )

    @router.get("/{player_id}/target.pdf")
    def target(player_id: str, paper: Literal["a4", "letter"] = "a4") -> Response:
        desk.reads.player(player_id)
        headers = {"Content-Disposition": f'inline; filename="footprint-{paper}.pdf"'}
        return Response(target_page(paper), media_type="application/pdf", headers=headers)

    @router.post("/{player_id}/prints/read.json")
    async def read(
        request: Request,
        player_id: str,
        foot: Literal["left", "right"],
        how: Literal["walking", "standing"],
        sheet: Literal["target", "a4", "letter"] = "target",
        mirrored: bool = False,
        level: float = LEVEL,
        corner: Numbers = None,
        mark: Numbers = None,
        keep: bool = False,
        keep_picture: bool = False,
    ) -> Response:
        photo = await read_body(request, "photo", _MOST_BYTES, _MOST_S)

        def work() -> Response:
            desk.reads.player(player_id)
            marks = None if mark is None else _marks(mark)
            flat = flat_of(
                photo,
                paper=None if sheet == "target" else sheet,
                corners=None if corner is None else _points(corner, "corners"),
                mirrored=mirrored,
            )
            found = read_print(flat, level, marks)
            one = Footprint.of(
                found.index,
                found.marks,
                foot=foot,
                how=how,
                is_mirrored=flat.mirrored,
                level=level,
                sheet=flat.sheet,
            )
            if keep:
                with desk.reads.writing() as register:
                    Prints(register).keep(player_id, one, flat.jpeg if keep_picture else None)
            said: dict[str, Any] = {
                "footprint": plain(one),
                "said": one.said,
                "picture": base64.b64encode(flat.jpeg).decode("ascii"),
                "pitch_mm": flat.pitch_mm,
                "rows": found.print_.shape[0],
                "columns": found.print_.shape[1],
                "print": base64.b64encode(np.packbits(found.print_).tobytes()).decode("ascii"),
                "kept": keep,
            }
            return JSONResponse(said)

        async with one_at_a_time:
            return await asyncio.to_thread(work)

    @router.get("/{player_id}/prints/{print_id}.jpg")
    def picture(player_id: str, print_id: str) -> Response:
        data = Prints(desk.reads.register).picture(player_id, print_id)
        return Response(data, media_type="image/jpeg")

    @router.post("/{player_id}/prints/{print_id}/remove")
    def remove(player_id: str, print_id: str) -> Response:
        with desk.reads.writing() as register:
            Prints(register).take_away(player_id, print_id)
        return RedirectResponse(f"/players/{player_id}/prints#kept", 303)

    return router


def _points(numbers: list[float], what: str) -> list[tuple[float, float]]:
    if len(numbers) != 8:
        raise InputError(f"{what}: {len(numbers)} numbers, expected four points")
    return [(numbers[k], numbers[k + 1]) for k in range(0, 8, 2)]


def _marks(numbers: list[float]) -> Marks:
    heel, toe, one, other = _points(numbers, "marks")
    try:
        return Marks(heel, toe, (one, other))
    except SampleError as error:
        raise InputError(str(error)) from error
