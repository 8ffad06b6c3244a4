"""The commands of what leaves the bay: settings, outbox, tsdb. Arguments in, no work."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from plantigrade_gateway.config import Config

Decorator = Callable[[Any], Any]

_SETTINGS = "plantigrade.settings"


def _keep(ctx: click.Context, _: click.Parameter, value: Path | None) -> None:
    if value is not None:
        ctx.meta[_SETTINGS] = value


settings_option: Decorator = click.option(
    "--settings",
    type=click.Path(path_type=Path),
    callback=_keep,
    expose_value=False,
    metavar="FILE",
    help="The settings file, instead of this installation's own.",
)
"""Let ``--settings`` name the file; `config_of` reads it."""


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
    """Add the commands to a group; parameters as `livecli.register`."""

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


def _show_settings(rows: list[dict[str, Any]]) -> None:
    from plantigrade_gateway.config import default_path
    from plantigrade_gateway.paper import console, paragraph

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
