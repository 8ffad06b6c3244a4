"""What is printed to a terminal, as lines and cells."""

import io
import re
from collections.abc import Callable

from click.testing import Result
from rich.console import Console


def printed(show: Callable[[Console], None], width: int = 200) -> list[str]:
    """The lines that are printed, without spaces about them."""
    out = io.StringIO()
    show(Console(file=out, width=width, highlight=False, markup=False, emoji=False))
    return [line.strip() for line in out.getvalue().splitlines()]


def refused(result: Result) -> str:
    """The one sentence with which a command refused what it was given."""
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    return line


def cells(line: str) -> list[str]:
    return re.split(r" {2,}", line)
