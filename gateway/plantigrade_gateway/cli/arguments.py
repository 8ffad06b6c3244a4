"""How commands read what they are given: the name of a file or folder, and how one is refused."""

from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import click

Decorator = Callable[[Any], Any]
"""What adds an option or a command."""


class BadInput(click.ClickException):
    """An input that cannot be used."""

    exit_code = 2


class Stopped(click.ClickException):
    """Ctrl-C came before a command was done; the text says what that left."""

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the sentence, which tells of no error."""
        click.echo(self.format_message(), file=file, err=True)


class NamedPath(click.Path):
    """The name of a file or folder; an empty one is refused.

    To Python an empty name is the current folder. Who gives one, by a variable that is not set,
    means another.
    """

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(  # click's own signature
        self,
        value: Any,  # noqa: ANN401
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Any:  # noqa: ANN401
        """Return the name as a path."""
        if value == "":
            named = "name" if param is None else param.opts[0]
            raise BadInput(f"{named}: is empty, expected the name of a file or folder")
        return super().convert(value, param, ctx)


def _pair(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """Return a pair's name, where it can be one."""
    from plantigrade_gateway.store.insoles import checked_pair

    return None if value is None else checked_pair(value)


pair_option = click.option(
    "--pair",
    "pair_name",
    callback=_pair,
    metavar="NAME",
    help="Which pair, where there are several; the usual one has no name.",
)

PATH = NamedPath()
"""The type of every argument and option that names a file or folder."""


class NewPath(NamedPath):
    """The name of a file or folder to write; the folder that it is to lie in must be there.

    A missing one is mistyped more often than meant, and nobody sees what was made.
    """

    def convert(  # click's own signature
        self,
        value: Any,  # noqa: ANN401
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Any:  # noqa: ANN401
        """Return the name as a path."""
        path: Path = super().convert(value, param, ctx)
        if not path.parent.is_dir():
            named = "name" if param is None else param.opts[0]
            raise BadInput(f"{named} {path}: there is no folder {path.parent}; make it first")
        return path


NEW_PATH = NewPath()
"""The type of every option that names what a command writes; the store's own excepted."""
