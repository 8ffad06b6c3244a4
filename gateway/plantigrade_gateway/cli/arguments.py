"""How commands read what they are given: names of files, numbers, days; and how one is refused."""

import errno
import math
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import click

from plantigrade.errors import SignalError, shown
from plantigrade_gateway.errors import (
    CalibrationRefused,
    GatewayError,
    RecordingError,
    RefusedNowError,
)

Decorator = Callable[[Any], Any]
"""What adds an option or a command."""


class BadInput(click.ClickException):
    """An input that cannot be used."""

    exit_code = 2


_FAILED = (CalibrationRefused, RecordingError, RefusedNowError)
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT)


def ended_by(error: GatewayError | SignalError) -> click.ClickException:
    """Return what ends a command: that it failed, or that what it was given cannot be used.

    It failed, too, where the disk has no room or another program holds the store: the same command
    may be well later.
    """
    cause = error.__cause__
    is_full = isinstance(cause, OSError) and cause.errno in _NO_ROOM
    kind = click.ClickException if is_full or isinstance(error, _FAILED) else BadInput
    return kind(str(error))


class Stopped(click.ClickException):
    """Ctrl-C came before a command was done; the text says what that left."""

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the sentence, which tells of no error."""
        click.echo(self.format_message(), file=file, err=True)


def _named(param: click.Parameter | None) -> str:
    """Return what a command calls an argument or option."""
    return "name" if param is None else param.opts[0]


def _refusal(value: object, expected: str, param: click.Parameter | None) -> click.ClickException:
    """Return the error of a value that cannot be used; a prompt, which has no name, asks again."""
    if param is None:
        return click.BadParameter(f"{shown(value)}, expected {expected}")
    return BadInput(f"{_named(param)}: {shown(value)}, expected {expected}")


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
            raise BadInput(f"{_named(param)}: is empty, expected the name of a file or folder")
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
            raise BadInput(
                f"{_named(param)} {path}: there is no folder {path.parent}; make it first"
            )
        return path


NEW_PATH = NewPath()
"""The type of every option that names what a command writes; the store's own excepted."""


class _Number(click.ParamType[Any]):
    """Refuses what is no finite number, or not within the ends, in one sentence as everywhere."""

    is_whole = False
    unit = ""

    @property
    def expected(self) -> str:
        """What can be used."""
        what = "a whole number" if self.is_whole else "a number"
        said = f"{what} of {self.unit}" if self.unit else what
        least, most = getattr(self, "min", None), getattr(self, "max", None)
        from_ = "" if least is None else f" from {least:g}"
        return said + from_ + ("" if most is None else f" to {most:g}")

    def convert(  # click's own signature
        self,
        value: Any,  # noqa: ANN401
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Any:  # noqa: ANN401
        """Return the number."""
        try:
            number = super().convert(value, param, ctx)
            if math.isfinite(number):
                return number
        except (click.BadParameter, OverflowError):
            pass
        raise _refusal(value, self.expected, param)


class Number(_Number, click.types.FloatParamType):
    """A number; `unit` is what it counts, for the sentence that refuses another."""

    def __init__(self, unit: str = "") -> None:
        self.unit = unit


class NumberWithin(_Number, click.FloatRange):
    """A number from one end to the other."""

    def __init__(self, least: float, most: float, unit: str = "") -> None:
        super().__init__(least, most)
        self.unit = unit


class Whole(_Number, click.types.IntParamType):
    """A whole number."""

    is_whole = True


class WholeWithin(_Number, click.IntRange):
    """A whole number from one end to the other, or on."""

    is_whole = True

    def __init__(self, least: int, most: int | None = None, unit: str = "") -> None:
        super().__init__(least, most)
        self.unit = unit


class Day(click.DateTime):
    """A day."""

    def __init__(self) -> None:
        super().__init__(["%Y-%m-%d"])

    def convert(  # click's own signature
        self,
        value: Any,  # noqa: ANN401
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Any:  # noqa: ANN401
        """Return the day."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            raise _refusal(value, "a day as 2026-12-31", param) from None
