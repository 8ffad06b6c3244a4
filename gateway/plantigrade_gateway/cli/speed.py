"""The commands `speed` and `eye`: what came from elsewhere, beside what the insoles say.

Arguments in, no work; `register` adds them to the command's group.
"""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import PATH, Decorator, Number, Whole
from plantigrade_gateway.cli.players import opened_register
from plantigrade_gateway.cli.visits import opened_visit
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade_gateway.people.visits import Visits


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.command()
    @click.argument("session")
    @click.argument("file", type=PATH, required=False)
    @click.option("--column", metavar="NAME", help="The column of the club speed.")
    @click.option("--unit", metavar="UNIT", help="Its unit: m/s, mph or km/h.")
    @click.option("--time", "time_column", metavar="NAME", help="The column of the time.")
    @click.option(
        "--offset", "offset_s", type=Number("seconds"), metavar="S", help="To add to its times."
    )
    @click.option("--order", is_flag=True, help="Match the first with the first, and so on.")
    @click.option(
        "--set", "set_number", type=Whole(), metavar="N", help="Only the swings of a set."
    )
    @click.option("--join", is_flag=True, help="Join what is shown.")
    @click.option("--undo", is_flag=True, help="Undo the last join.")
    @json_option
    @store_option
    @click.pass_context
    def speed(
        ctx: click.Context,
        /,
        session: str,
        join: bool,
        undo: bool,
        as_json: bool,
        **given: Any,  # noqa: ANN401
    ) -> None:
        """Show SESSION's club speeds; or match those of a CSV FILE with its swings.

        Nothing is joined without --join. A file is matched by time (--time), or by --order.
        """
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.report.visit import show_speeds, speeds_json

        with opened_visit(store_of(ctx), session) as (visits, session_id):
            if given["file"] is not None:
                _match(visits, session_id, join, as_json, **given)
                return
            if join or any(value not in (None, False) for value in given.values()):
                raise InputError("speed: these options are of a file, name one")
            if undo:
                count = visits.undo_join(session_id)
                click.echo(f"Undone: {count} club speeds went.")
                return
            seen = visits.visit(session_id)
        if as_json:
            click.echo(text_of(speeds_json(seen)))
        else:
            show_speeds(seen, console())

    @group.command()
    @click.argument("player")
    @json_option
    @store_option
    @click.pass_context
    def eye(ctx: click.Context, player: str, as_json: bool) -> None:
        """Compare the coach's blind taps on PLAYER's swings with the program's answers."""
        from plantigrade_gateway.coach.eye import ANSWERS, agreement
        from plantigrade_gateway.converter import plain, text_of
        from plantigrade_gateway.people.case import case_of
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.report.visit import show_eye

        with opened_register(store_of(ctx)) as found:
            player_id = found.find(player).player_id
            visits = case_of(found, player_id).visits
        made = [agreement(what, visits) for what in ANSWERS]
        if as_json:
            told = {"schema": 1, "player": player_id, "eye": plain(made)}
            click.echo(text_of(told))
        else:
            show_eye(made, console())


def _match(
    visits: "Visits",
    session_id: str,
    join: bool,
    as_json: bool,
    *,
    file: Path,
    column: str | None,
    unit: str | None,
    time_column: str | None,
    offset_s: float | None,
    order: bool,
    set_number: int | None,
) -> None:
    """Match a file with a session's swings, show it, and join it when told to."""
    from plantigrade_gateway.coach.speed import by_order, by_time, places_of
    from plantigrade_gateway.coach.speedfile import read_speeds
    from plantigrade_gateway.converter import plain, text_of
    from plantigrade_gateway.foreign import read_file
    from plantigrade_gateway.report.console import console
    from plantigrade_gateway.report.visit import show_preview

    text = read_file(file, f"file {file}")
    if column is None or unit is None:
        raise InputError("speed: --column and --unit are needed; nobody guesses a unit")
    if order == (time_column is not None) or (order and offset_s is not None):
        raise InputError("speed: expected --time with the column of the time, or --order")
    found = read_speeds(text, column, unit, time_column)
    analysis = visits.read(session_id)
    places = places_of(analysis, set_number)
    if order:
        preview = by_order(found.rows, places)
    else:
        preview = by_time(found.rows, analysis.swings, places, offset_s)
    joined = None
    if join and preview.pairs and not preview.doubt:
        pairs = [(analysis.swings[pair.place], pair.row.m_s) for pair in preview.pairs]
        joined = visits.join_speeds(session_id, pairs, preview.offset_s)
    if as_json:
        told = {"schema": 1, "session": session_id, "preview": plain(preview)}
        click.echo(text_of({**told, "left_out": plain(found.left_out), "joined": joined}))
    else:
        show_preview(preview, found, analysis, console())
        done = "Joined; --undo takes it back." if joined else "Nothing is joined."
        click.echo(done if joined or not preview.pairs else f"{done} {_how(preview.doubt)}")
    if join and joined is None:
        raise InputError(f"speed: not joined: {preview.doubt or 'no row matches a swing'}")


def _how(doubt: str) -> str:
    return "Say --offset to choose." if doubt else "--join joins what is shown."
