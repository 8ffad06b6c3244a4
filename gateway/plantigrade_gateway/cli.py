"""The command `plantigrade`: arguments in, exit code out; the work is done elsewhere.

Exit codes: 0 well, 1 something failed, 2 an input or option that cannot be used (one sentence on
standard error says which, where and what was expected).
"""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from plantigrade.errors import SignalError
from plantigrade_gateway import report
from plantigrade_gateway.analysis import Analysis, read_layout
from plantigrade_gateway.analysisjson import document, text_of
from plantigrade_gateway.errors import GatewayError, InputError

_STORE = "plantigrade.store"
_Decorated = TypeVar("_Decorated", bound=Callable[..., Any])


class BadInput(click.ClickException):
    """An input that cannot be used."""

    exit_code = 2


class Commands(click.Group):
    """A group whose commands turn the project's own errors into one sentence and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        """Run the command."""
        try:
            return super().invoke(ctx)
        except (GatewayError, SignalError) as error:
            raise BadInput(str(error)) from error


def _keep_store(ctx: click.Context, _: click.Parameter, value: Path | None) -> None:
    if value is not None:
        ctx.meta[_STORE] = value


def _store_option(command: _Decorated) -> _Decorated:
    """Let --store stand before or after a command."""
    option: Callable[[_Decorated], _Decorated] = click.option(
        "--store",
        type=click.Path(path_type=Path),
        callback=_keep_store,
        expose_value=False,
        metavar="PATH",
        help="The store's file, instead of this installation's own.",
    )
    return option(command)


def _json_option(command: _Decorated) -> _Decorated:
    option: Callable[[_Decorated], _Decorated] = click.option(
        "--json", "as_json", is_flag=True, help="Print JSON for a machine to read."
    )
    return option(command)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="plantigrade", message="%(prog)s %(version)s")
@_store_option
def main() -> None:
    """Measure how a golfer's feet stand, walk and push, with pressure insoles.

    A training aid, not a medical device.
    """
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a terminal that lacks a sign shows "?" in its place
            reconfigure(errors="replace")


@main.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--layout",
    metavar="FILE",
    help="The zone layout (TOML) of a zone CSV; the built-in eighteen zones by default.",
)
@click.option("--mass", type=float, metavar="KG", help="The person's mass.")
@click.option("--handed", type=click.Choice(["right", "left"]), help="Right unless given.")
@_json_option
@_store_option
def analyse(
    file: Path, layout: str | None, mass: float | None, handed: str | None, as_json: bool
) -> None:
    """Report what is in FILE, a zone CSV or a replay file (.pgr).

    Nothing is stored. A replay file carries its own layout, mass and handedness; --mass and
    --handed take their place.
    """
    found = _analysed(file, layout, mass, handed)
    if as_json:
        click.echo(text_of(document(found)))
    else:
        report.show(found)


def _analysed(file: Path, layout: str | None, mass: float | None, handed: str | None) -> Analysis:
    from plantigrade_gateway.analysecsv import analyse_csv
    from plantigrade_gateway.analyserecord import analyse_record
    from plantigrade_gateway.replay import is_replay
    from plantigrade_gateway.replayfile import read_replay

    if is_replay(file):
        if layout is not None:
            raise InputError(f"{file}: a replay file carries its own layout, --layout is not taken")
        return analyse_record(read_replay(file), file.name, mass, handed)
    return analyse_csv(file, read_layout(layout), mass, handed or "right")
