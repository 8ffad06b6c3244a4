"""Drills on the command line: the options of a session, and the command that lists them."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import PATH, Decorator
from plantigrade_gateway.cli.forward import config_of, settings_option
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade.limits import Limits
    from plantigrade_gateway.drills.files import Drilling


def drill_options(command: Any) -> Any:  # noqa: ANN401 - click's own signature
    """Let a session begin with a drill, and with a voice."""
    drill = click.option(
        "--drill",
        metavar="NAME",
        help="Practise a drill: its name, as plantigrade drills lists them, or its file.",
    )
    feedback = click.option(
        "--feedback",
        type=click.Choice(["every", "other", "ask", "silent"]),
        help="How often the player is told, instead of the drill's own way.",
    )
    voice = click.option(
        "--voice/--no-voice", default=False, help="Say outcomes, where there is a speech engine."
    )
    return drill(feedback(voice(command)))


def drilling(
    store: Path | None,
    drill: str | None,
    feedback: str | None,
    voice: bool,
    limits: "Limits | None" = None,
) -> "Drilling":
    """Return what the options of a session ask for; targets go by the session's limits.

    Raises
    ------
    InputError
        No such drill, or its file cannot be used.
    """
    from plantigrade_gateway.drills.files import DEFAULTS, Drilling, read_drill, shelf
    from plantigrade_gateway.drills.model import Choice, Feedback
    from plantigrade_gateway.store import schema

    if feedback is not None and drill is None:
        raise InputError("--feedback: is a drill's, add --drill")
    named = drill is not None and not drill.endswith(".toml")
    files = [] if drill is None or named else [Path(drill)]
    there = shelf(store or schema.default_path(), files, limits or DEFAULTS)
    if drill is None:
        return Drilling(there, None, voice)
    chosen = there.find(drill) if named else read_drill(Path(drill), limits or DEFAULTS)
    return Drilling(there, Choice(chosen, Feedback(feedback or chosen.feedback)), voice)


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.command()
    @click.option(
        "--drill",
        "files",
        multiple=True,
        type=PATH,
        metavar="FILE",
        help="A drill file to look at as well.",
    )
    @json_option
    @settings_option
    @store_option
    @click.pass_context
    def drills(ctx: click.Context, files: tuple[Path, ...], as_json: bool) -> None:
        """List the drills: the built-in ones, and the coach's in the folder beside the store.

        What a drill takes from the analysis's limits goes by those of the settings.
        """
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.drills.files import shelf
        from plantigrade_gateway.record.settings import SessionSettings
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.report.drills import show_shelf
        from plantigrade_gateway.store import schema

        usual = SessionSettings().with_limits(config_of(ctx).limits(), {}).limits
        found = shelf(store_of(ctx) or schema.default_path(), files, usual)
        if as_json:
            rows = [
                {**drill.table(), "counts": drill.counts, "from": found.origin[name]}
                for name, drill in found.drills.items()
            ]
            click.echo(text_of({"drills": rows, "problems": list(found.problems)}))
        else:
            show_shelf(found, console())
