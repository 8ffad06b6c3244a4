"""How commands read what they are given: the name of a file or folder, and how one is refused."""

from pathlib import Path
from typing import Any

import click


class BadInput(click.ClickException):
    """An input that cannot be used."""

    exit_code = 2


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


PATH = NamedPath()
"""The type of every argument and option that names a file or folder."""
