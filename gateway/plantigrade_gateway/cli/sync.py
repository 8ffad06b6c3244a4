"""The commands `sync …`: this bay's way to the hub of its site. Arguments in, no work."""

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from plantigrade_gateway.cli.arguments import Decorator
from plantigrade_gateway.cli.forward import config_of, settings_option

if TYPE_CHECKING:
    from rich.console import Console


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group; parameters as `register` of `cli/run.py`."""

    @group.group()
    @store_option
    def sync() -> None:
        """Look at this bay's way to the hub of its site, and hand over by hand."""

    @sync.command()
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def check(ctx: click.Context, as_json: bool) -> None:
        """Say in a line whether the hub is reached, or why not.

        Exit code 1 when it is not.
        """
        import asyncio

        from plantigrade_gateway.sync.link import check as look

        found = asyncio.run(look(config_of(ctx)))
        if as_json:
            click.echo(json.dumps({"schema": 1, **dataclasses.asdict(found)}, indent=1))
        else:
            click.echo(found.found)
        if not found.well:
            ctx.exit(1)

    @sync.command()
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def now(ctx: click.Context, as_json: bool) -> None:
        """Hand over to the hub what waits, once, while no gateway runs; one that runs does it.

        On a machine without a store it makes one, and fetches the site's players. Exit code 1 when
        the hub is not reached, or does not take something.
        """
        import asyncio

        from plantigrade_gateway.store import hubstate, schema
        from plantigrade_gateway.sync.now import hand_over

        named = store_of(ctx)
        path = named or schema.default_path()
        done = asyncio.run(hand_over(path, config_of(ctx), create=named is None))
        state = hubstate.read(hubstate.path_for(path)) if done is None else None
        if as_json:
            table = None if done is None else dataclasses.asdict(done)
            click.echo(json.dumps({"schema": 1, "handed_over": table}, indent=1))
        elif done is None:
            click.echo("A gateway runs at this store and hands over by itself.")
            for line in () if state is None else hubstate.lines(state):
                click.echo(line)
        else:
            for line in done.lines():
                click.echo(line)
        if not (done.well if done is not None else state is None or state.problem is None):
            ctx.exit(1)

    @sync.command()
    @json_option
    @store_option
    @click.pass_context
    def status(ctx: click.Context, as_json: bool) -> None:
        """Say what waits to be handed over, and when the hub last answered."""
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.store import hubstate, schema

        state = hubstate.read(hubstate.path_for(store_of(ctx) or schema.default_path()))
        if as_json:
            table = None if state is None else dataclasses.asdict(state)
            click.echo(json.dumps({"schema": 1, "hub": table}, indent=1, default=str))
        elif state is None:
            click.echo("Nothing was handed over from this store yet: see plantigrade sync check.")
        else:
            show_hub(console(), store_of(ctx) or schema.default_path())


def show_hub(out: "Console", store: Path) -> None:
    """Show how a store's way to the hub is; nothing where it never had one."""
    from plantigrade_gateway.report.console import paragraph
    from plantigrade_gateway.store import hubstate

    state = hubstate.read(hubstate.path_for(store))
    if state is None:
        return
    paragraph(out, "Handed over:" if state.is_fresh else "Handed over, when it last was:")
    for line in hubstate.lines(state):
        paragraph(out, line, "    ", "  ")
