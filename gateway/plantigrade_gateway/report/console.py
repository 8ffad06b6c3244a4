"""Text for people on a terminal or in a pipe: paragraphs, headings, plain tables.

Rich leaves out colour and cursor codes where there is no terminal.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from plantigrade_gateway import formats


def console() -> Console:
    """Return where reports go: standard output, plain where that is no terminal."""
    made = Console(highlight=False, markup=False, emoji=False)
    if not made.width:  # COLUMNS=0 would have nothing printed at all
        made.width = 80
    return made


def paragraph(
    out: Console, text: str, indent: str = "", first: str | None = None, style: str = ""
) -> None:
    """Print a paragraph wrapped to the width; its first line may begin otherwise."""
    lines = textwrap.wrap(
        formats.printable(text),
        out.width - 1,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    for line in lines:
        out.print(Text(line, style=style), soft_wrap=True)


def heading(out: Console, text: str, beside: str = "") -> None:
    """Print a section's heading."""
    out.print()
    out.print(Text.assemble((text, "bold"), f"  {beside}" if beside else ""))


def table(*columns: str, numbers_from: int = 1) -> Table:
    """Return a plain table; columns from `numbers_from` on are set to the right."""
    made = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for k, name in enumerate(columns):
        made.add_column(name, justify="right" if k >= numbers_from else "left", no_wrap=True)
    return made


_MOST_WIDTH = 1000


@dataclass(frozen=True, slots=True)
class _Wide:
    """A table that keeps the width it needs where the terminal is narrower."""

    made: Padding

    def __rich_console__(self, out: Console, options: ConsoleOptions) -> RenderResult:
        wide = options.update(width=_MOST_WIDTH)
        needed = Measurement.get(out, wide, self.made).maximum
        yield from out.render(self.made, options.update(width=max(out.width, needed)))


def put(out: Console, made: Table, indent: int = 2) -> None:
    """Print a table, set in a little.

    A narrower terminal wraps its lines rather than lose figures.
    """
    out.print(_Wide(Padding(made, (0, 0, 0, indent), expand=False)), crop=False)


def item(out: Console, name: str, text: str, name_width: int = 15) -> None:
    """Print a named line of a list."""
    paragraph(out, text, " " * (name_width + 3), f"  {name:<{name_width}} ")


def items(out: Console, texts: Sequence[tuple[str, str]]) -> None:
    """Print named lines of a list, their texts one below the other however long a name is."""
    widest = max((len(name) for name, _ in texts), default=0)
    for name, text in texts:
        item(out, name, text, max(15, widest))


def item_whole(out: Console, name: str, text: str) -> None:
    """Print a named line of a list unbroken, for text that is to be copied."""
    out.print(Text(f"  {name:<15} {formats.printable(text)}"), soft_wrap=True)
