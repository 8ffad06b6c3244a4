"""The commands `settings`, `outbox` and `tsdb`: what is sent on. Arguments in, no work."""

import json
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway import formats
from plantigrade_gateway.cli.arguments import PATH, Decorator
from plantigrade_gateway.sinks import LOADS, SINKS, TSDB

if TYPE_CHECKING:
    from plantigrade_gateway.config import Config
    from plantigrade_gateway.store.outbox import DeadLetter, Depth
    from plantigrade_gateway.store.store import Store


_SETTINGS = "plantigrade.settings"


def _keep(ctx: click.Context, _: click.Parameter, value: Path | None) -> None:
    if value is not None:
        ctx.meta[_SETTINGS] = value


settings_option: Decorator = click.option(
    "--settings",
    type=PATH,
    callback=_keep,
    expose_value=False,
    metavar="FILE",
    help="The settings file, instead of this installation's own.",
)
"""Let ``--settings`` name the file; `config_of` reads it."""


limit_option: Decorator = click.option(
    "--limit",
    "limits",
    multiple=True,
    metavar="NAME=VALUE",
    help="Decide by another limit in this session, such as push_rolled=0.25; those there are: "
    "plantigrade settings. May be given more than once.",
)
"""Let ``--limit`` set what a session is decided by; `config.limits_of` reads it."""


def settings_file(ctx: click.Context) -> Path | None:
    """Return the settings file that was named."""
    named = ctx.meta.get(_SETTINGS)
    return named if isinstance(named, Path) else None


def config_of(ctx: click.Context) -> "Config":
    """Return the settings in force.

    Raises
    ------
    InputError
        As `config.load`.
    """
    from plantigrade_gateway.config import load

    return load(settings_file(ctx))


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group; parameters as `register` of `cli/run.py`."""

    @group.command()
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def settings(ctx: click.Context, as_json: bool) -> None:
        """Show every setting in force, and where it came from; secrets are masked."""
        from plantigrade_gateway.config import table

        rows = table(config_of(ctx))
        if as_json:
            click.echo(json.dumps({"schema": 1, "settings": rows}, indent=1))
        else:
            _show_settings(rows)

    @group.command()
    @click.option("--retry", is_flag=True, help="Send what was set aside again.")
    @click.option("--again", "session", metavar="SESSION", help="Send all of a session again.")
    @click.option(
        "--forget", metavar="SINK", help=f"Drop all that waits for {formats.either(SINKS)}."
    )
    @json_option
    @store_option
    @click.pass_context
    def outbox(
        ctx: click.Context, retry: bool, session: str | None, forget: str | None, as_json: bool
    ) -> None:
        """Show what waits to be sent on, and what was set aside since it would not be taken."""
        from plantigrade_gateway.store import schema
        from plantigrade_gateway.store.store import Store

        shows = not retry and session is None and forget is None
        if shows and schema.is_unused(store_of(ctx)):
            _show_outbox([], [], {}, [], as_json)
            return
        with Store.open(store_of(ctx), create=False, read_only=shows) as store:
            _outbox(store, retry, session, forget, as_json)

    @group.group()
    @store_option
    def tsdb() -> None:
        """Look at the time-series database of the settings."""

    @tsdb.command()
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def check(ctx: click.Context, as_json: bool) -> None:
        """Check its address, the right to write, the clocks and a round trip.

        Exit code 1 when something is not well.
        """
        import asyncio

        from plantigrade_gateway.forward.check import check as look

        found = asyncio.run(look(config_of(ctx)))
        if as_json:
            import dataclasses

            rows = [dataclasses.asdict(one) for one in found]
            click.echo(json.dumps({"schema": 1, "checks": rows}, indent=1))
        else:
            _show_findings([(one.name, one.well, one.found) for one in found])
        if any(one.well is False for one in found):
            ctx.exit(1)

    @tsdb.command()
    @click.argument("session")
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def verify(ctx: click.Context, session: str, as_json: bool) -> None:
        """Read every point of SESSION back and compare it with the store, kind by kind.

        Steps, stands, swings, cues, sets, the session's states, link health and regional loads.
        Exit code 1 when one is missing, differs, is there twice or is not in the store.
        """
        import asyncio
        import dataclasses

        from plantigrade_gateway.forward.verify import verify as compare
        from plantigrade_gateway.store.store import Store

        with Store.open(store_of(ctx), read_only=True) as store:
            found = asyncio.run(compare(config_of(ctx), store, session))
            what_to_do = "" if found.is_whole else _what_to_do(store, session)
        if as_json:
            click.echo(json.dumps({"schema": 1, **dataclasses.asdict(found)}, indent=1))
        else:
            for kind in found.kinds:
                click.echo(
                    f"{kind.kind + ':':<9}{kind.why_not}"
                    if kind.why_not
                    else f"{kind.kind + ':':<9}{kind.stored} stored, {kind.there} in the database; "
                    f"of {kind.expected} points {kind.missing} missing, {kind.different} different,"
                    f" {kind.doubled} twice, {kind.extra} that the store does not have"
                )
            if found.older:
                click.echo(f"{found.older} points of earlier revisions, which no longer count")
            if found.first:
                click.echo(f"first: {found.first}")
            if what_to_do:
                click.echo(what_to_do)
        if not found.is_whole:
            ctx.exit(1)

    @tsdb.command()
    @click.option("--player", metavar="ID", help="All points of a player and of their sessions.")
    @click.option("--session", metavar="ID", help="All points of a session.")
    @click.option(
        "--moved",
        metavar="ID",
        help="Of a session that was given to another player: what was sent for the former.",
    )
    @settings_option
    @store_option
    @click.pass_context
    def delete(
        ctx: click.Context, player: str | None, session: str | None, moved: str | None
    ) -> None:
        """Delete from the database what was deleted here: a player's points, or a session's.

        By the whole id, as on the receipt of the deletion. Deleting again changes nothing.
        """
        import asyncio

        from plantigrade_gateway.errors import InputError
        from plantigrade_gateway.forward.removal import remove, remove_former
        from plantigrade_gateway.store.store import Store

        given = {"player": player, "session": session, "moved": moved}
        chosen = [(tag, ident) for tag, ident in given.items() if ident is not None]
        if len(chosen) != 1:
            raise InputError("tsdb delete: name one of --player, --session and --moved")
        ((tag, ident),) = chosen
        with Store.open(store_of(ctx), read_only=True) as store:
            if tag == "moved":
                gone = asyncio.run(remove_former(config_of(ctx), store, ident))
                what = f"session {ident} that were sent for another player"
            else:
                gone = asyncio.run(remove(config_of(ctx), store, tag, ident))
                what = f"{tag} {ident}"
        click.echo(f"{gone} series of {what} are deleted from the database.")


def _outbox(
    store: "Store", retry: bool, session: str | None, forget: str | None, as_json: bool
) -> None:
    from plantigrade_gateway.store.forwardstate import held
    from plantigrade_gateway.store.outbox import Outbox
    from plantigrade_gateway.store.sessions import find

    box = Outbox(store.database)
    said = []
    if retry:
        said.append(f"Sent again: {formats.plural(box.retry_dead_letters(), 'row')}.")
    if session is not None:
        found = find(store, session)
        _refuse_withheld(store, found.player_id)
        session_id = found.session_id
        said.append(f"Sent again: {formats.plural(box.resend(session_id), 'row')}.")
        if LOADS in box.active():
            said.append(_resent_loads(store, session_id))
    if forget is not None:
        box.forget(forget)
        said.append(f"What waited for {forget} is dropped.")
    depths = box.depths()
    _show_outbox(said, depths, held(store.path, depths), box.dead_letters(), as_json)


def _refuse_withheld(store: "Store", player_id: str | None) -> None:
    """Refuse to send on what is of a player whose consent to it has ended."""
    from datetime import date

    from plantigrade_gateway.errors import InputError
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.people.withheld import withheld

    if player_id is None:
        return
    with Register(store) as register:
        if player_id in withheld(register, date.today()):
            raise InputError(
                f"player {player_id}: consent to send on was withdrawn or has run out, so nothing "
                "of this session is sent"
            )


def _what_to_do(store: "Store", session: str) -> str:
    """Say what helps where store and database differ: sending again does not while some is sent."""
    from plantigrade_gateway.store.forwardstate import held
    from plantigrade_gateway.store.outbox import Outbox
    from plantigrade_gateway.store.sessions import find

    if find(store, session).state != "ended":
        return (
            "The session has not ended: what was sent while this was read, or waits, differs. "
            "Compare again when it has."
        )
    depths = [d for d in Outbox(store.database).depths() if d.sink in (TSDB, LOADS)]
    kept = held(store.path, depths)
    if waiting := sum(depth.waiting - kept[depth.sink] for depth in depths):
        return (
            f"{formats.plural(waiting, 'row waits', 'rows wait')} to be sent: compare again when "
            "plantigrade outbox shows none."
        )
    return f"To send them again: plantigrade outbox --again {session}"


def _resent_loads(store: "Store", session_id: str) -> str:
    from plantigrade_gateway.forward.verify import loads, loads_lost

    if loads_lost(store, session_id) is not None:
        return "Regional loads are not sent again: none were, or by another analysis."
    blocks, seconds = loads(store, session_id), 0
    while piece := list(islice(blocks, 60)):
        store.write(session_id, [], piece)
        seconds += len(piece)
    return f"{seconds} s of regional loads are sent again."


def _show_outbox(
    said: list[str],
    depths: "list[Depth]",
    held: dict[str, int],
    aside: "list[DeadLetter]",
    as_json: bool,
) -> None:
    import dataclasses

    if as_json:
        rows = [
            {"sink": a.sink, "id": a.item.point_id, "kind": a.item.kind, "reason": a.reason}
            for a in aside
        ]
        sinks = [{**dataclasses.asdict(d), "held": held[d.sink]} for d in depths]
        table = {"schema": 1, "sinks": sinks, "aside": rows}
        click.echo(json.dumps(table, indent=1))
        return
    for text in said:
        click.echo(text)
    if not depths:
        click.echo(
            "Nothing is sent on: no gateway has run with a database or a broker set here, see "
            "plantigrade settings."
        )
    for d in depths:
        off = "" if d.active else ", no longer configured"
        dropped = f", {d.dropped} dropped for room" if d.dropped else ""
        kept = held[d.sink]
        again = f" ({kept} of them kept, to be sent again if it restarts)" if kept else ""
        click.echo(
            f"{d.sink}: {d.waiting - kept} waiting, {d.sent + kept} sent{again}, "
            f"{d.aside} aside{dropped}{off}"
        )
    for a in aside:
        click.echo(f"set aside for {a.sink}: {a.item.kind} {a.item.point_id}: {a.reason}")


def _show_findings(found: list[tuple[str, bool | None, str]]) -> None:
    from plantigrade_gateway.report.console import console, item

    out = console()
    for name, well, text in found:
        mark = {True: "ok", False: "FAIL", None: "-"}[well]
        item(out, f"{mark:<5}{name}", text)


def _show_settings(rows: list[dict[str, Any]]) -> None:
    from plantigrade_gateway.config import default_path
    from plantigrade_gateway.report.console import console, paragraph

    out = console()
    for row in rows:
        value = row["value"]
        shown = "not set" if value is None else str(value)
        if isinstance(value, bool):
            shown = shown.lower()  # as it is written in the file
        unit = f" {row['unit']}" if row["unit"] and value is not None else ""
        origin = "" if row["from"] == "default" else f"  (from {row['from']})"
        paragraph(out, f"{shown}{unit}{origin}", " " * 21, f"{row['name']:<20} ")
        paragraph(out, row["doc"], "    ", style="dim")
    out.print()
    paragraph(
        out,
        f"Settings are read from {default_path()}, or the file that --settings or "
        "PLANTIGRADE_SETTINGS names, then from the environment: tsdb.url is PLANTIGRADE_TSDB_URL. "
        "Tokens and passwords only from the environment or files of their own.",
    )
