"""The command `repair`: what can be read of a damaged store, into a new one."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from plantigrade_gateway.cli.arguments import NEW_PATH, PATH


def register(
    group: click.Group,
    store_option: Callable[[Any], Any],
    json_option: Callable[[Any], Any],
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group; parameters as `register` of `cli/run.py`."""

    @group.command()
    @click.argument("damaged", metavar="STORE", type=PATH, required=False)
    @click.option(
        "--to", "new", type=NEW_PATH, required=True, metavar="NEW", help="The file to make."
    )
    @json_option
    @store_option
    @click.pass_context
    def repair(ctx: click.Context, damaged: Path | None, new: Path, as_json: bool) -> None:
        """Copy what can be read of STORE into a new store, and say what is lost.

        STORE, this installation's own unless named, is left as it is. Exit code 1 when something
        is lost.
        """
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.formats import plural
        from plantigrade_gateway.people import tables
        from plantigrade_gateway.store import schema
        from plantigrade_gateway.store.repair import copied

        store = damaged or store_of(ctx) or schema.default_path()
        sessions, lost = copied(
            store,
            new,
            lambda text: click.echo(f"Copying {text}.", err=True),
            tables.make_beside,
        )
        if as_json:
            click.echo(text_of({"store": str(new), "sessions": sessions, "lost": lost}))
        else:
            for text in lost:
                click.echo(f"Lost: {text}")
            end = "nothing is lost" if not lost else f"{plural(len(lost), 'thing')} lost"
            click.echo(f"{new}: {plural(sessions, 'session')} copied, {end}.")
        if lost:
            ctx.exit(1)
