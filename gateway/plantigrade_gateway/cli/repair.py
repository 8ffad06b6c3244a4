"""The command `repair`: what can be read of a damaged store, into a new one."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

_path = click.Path(path_type=Path)


def register(group: click.Group, json_option: Callable[[Any], Any]) -> None:
    """Add the command to a group; parameters as `register` of `cli/run.py`."""

    @group.command()
    @click.argument("store", type=_path)
    @click.option("--to", "new", type=_path, required=True, metavar="NEW", help="The file to make.")
    @json_option
    @click.pass_context
    def repair(ctx: click.Context, store: Path, new: Path, as_json: bool) -> None:
        """Copy what can be read of STORE into a new store, and say what is lost.

        STORE is left as it is. Exit code 1 when something is lost.
        """
        from plantigrade_gateway.analysis.serialise import text_of
        from plantigrade_gateway.formats import plural
        from plantigrade_gateway.store.repair import copied

        sessions, lost = copied(store, new, lambda text: click.echo(f"Copying {text}.", err=True))
        if as_json:
            click.echo(text_of({"store": str(new), "sessions": sessions, "lost": lost}))
        else:
            for text in lost:
                click.echo(f"Lost: {text}")
            end = "nothing is lost" if not lost else f"{plural(len(lost), 'thing')} lost"
            click.echo(f"{new}: {plural(sessions, 'session')} copied, {end}.")
        if lost:
            ctx.exit(1)
