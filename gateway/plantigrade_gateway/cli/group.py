"""A group of commands: how it lists them, and how one that is refused ends."""

from typing import Any

import click

from plantigrade.errors import SignalError
from plantigrade_gateway.cli.arguments import Stopped, ended_by
from plantigrade_gateway.errors import GatewayError

SECTIONS: dict[str, tuple[str, ...]] = {
    "Practise": ("demo", "run", "drills"),
    "Insoles": ("scan", "pair", "calibrate", "status", "simulate"),
    "Sessions": ("desk", "sessions", "show", "check", "visit", "speed", "export", "reanalyse"),
    "Players": ("players", "sheet", "report", "compare", "eye", "footprint"),
    "Recordings": ("analyse", "replay"),
    "This machine": ("doctor", "settings", "password", "backup", "restore", "repair"),
    "A site with several bays": ("hub", "sync", "roster"),
    "A database and a broker": ("tsdb", "outbox"),
}
"""What the program's commands are for, and in which order they are listed."""
_WHOLE = 10_000  # characters: no sentence is cut


class Commands(click.Group):
    """Commands that end with one sentence where the project's own errors stop them.

    The groups among them are such groups too.
    """

    group_class = type

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        """Run the command."""
        try:
            return super().invoke(ctx)
        except (GatewayError, SignalError) as error:
            raise ended_by(error) from error
        except KeyboardInterrupt as error:
            raise Stopped("Stopped before it was done; what was finished is kept.") from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List each command with its first sentence in full; the program's own by `SECTIONS`."""
        names = tuple(self.list_commands(ctx))
        width = max(map(len, names))
        for head, listed in SECTIONS.items() if ctx.parent is None else [("Commands", names)]:
            rows = []
            for name in listed:
                command = self.get_command(ctx, name)
                assert command is not None, name
                rows.append((name.ljust(width), command.get_short_help_str(_WHOLE)))
            with formatter.section(head):
                formatter.write_dl(rows)
