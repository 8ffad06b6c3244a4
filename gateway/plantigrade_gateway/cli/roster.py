"""The command `roster`: the bays of the site as a table in the terminal. Arguments in, no work."""

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.forward import config_of, settings_option

if TYPE_CHECKING:
    from rich.table import Table

    from plantigrade_gateway.config import Config
    from plantigrade_gateway.hub.roster import Roster

HEARS_S = 2.5
"""Two rounds of what every bay says once a second (ours)."""
_EVERY_S = 0.5


def register(
    group: click.Group,
    store_option: Callable[[Any], Any],
    json_option: Callable[[Any], Any],
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group, as `register` of `cli/run.py` does."""

    @group.command()
    @click.option("--follow", is_flag=True, help="Go on and show what changes, until Ctrl-C.")
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def roster(ctx: click.Context, follow: bool, as_json: bool) -> None:
        """Show all bays of the site as they are now, heard over the message broker.

        Players are told by name where this machine's store knows them. Exit code 1 where the broker
        cannot be heard.
        """
        import asyncio

        from plantigrade_gateway.errors import InputError
        from plantigrade_gateway.hub.roster import Roster

        config = config_of(ctx)
        if config.text("mqtt.host") is None:
            raise InputError("roster: no message broker is set; set mqtt.host")
        if follow and as_json:
            raise InputError("--follow: not with --json")
        found, names = Roster(), _names(store_of(ctx))
        with suppress(KeyboardInterrupt):
            asyncio.run(_hear(config, found, names if follow else None))
        if found.problem is not None:
            raise click.ClickException(found.problem)
        if as_json:
            from dataclasses import asdict

            rows = [asdict(row) for row in found.rows(names)]
            click.echo(json.dumps({"schema": 1, "bays": rows}, indent=1))
        elif not follow:
            _print(found, names)


async def _hear(config: "Config", found: "Roster", shown: dict[str, str] | None) -> None:
    """Hear the broker for a while, or for good where it is shown meanwhile."""
    import asyncio

    from plantigrade_gateway.hub.roster import listen

    hearing = asyncio.create_task(listen(config, found))
    try:
        if shown is None:
            await asyncio.sleep(HEARS_S)
        else:
            await _follow(found, shown)
    finally:
        hearing.cancel()
        await asyncio.gather(hearing, return_exceptions=True)


async def _follow(found: "Roster", names: dict[str, str]) -> None:
    import asyncio

    from rich.console import Group
    from rich.live import Live
    from rich.text import Text

    from plantigrade_gateway.hub.roster import summary
    from plantigrade_gateway.report.console import console

    with Live(console=console(), auto_refresh=False) as live:
        while True:
            rows = found.rows(names)
            told = Text(found.problem or summary(rows))
            live.update(Group(told, _table(found, names)), refresh=True)
            await asyncio.sleep(_EVERY_S)


def _print(found: "Roster", names: dict[str, str]) -> None:
    from plantigrade_gateway.hub.roster import summary
    from plantigrade_gateway.report.console import console, paragraph

    rows = found.rows(names)
    out = console()
    paragraph(out, summary(rows))
    if rows:
        out.print(_table(found, names))


def _table(found: "Roster", names: dict[str, str]) -> "Table":
    from rich.table import Table
    from rich.text import Text

    from plantigrade_gateway.hub.roster import COLUMNS

    table = Table(box=None, pad_edge=False)
    for title in ("bay", *(title for _, title in COLUMNS)):
        table.add_column(title)
    for row in found.rows(names):
        cells = [
            Text(f"! {getattr(row, name)}" if name in row.look else getattr(row, name))
            for name, _ in COLUMNS
        ]
        table.add_row(Text(row.key, "bold"), *cells)
    return table


def _names(store: Path | None) -> dict[str, str]:
    """Return the players that this machine's store knows by name; none where it has none."""
    from plantigrade_gateway.errors import GatewayError
    from plantigrade_gateway.hub.roster import names_of
    from plantigrade_gateway.store import schema

    if not schema.is_unused(store):
        with suppress(GatewayError):
            return names_of(schema.default_path() if store is None else store)
    return {}
