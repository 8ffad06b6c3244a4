"""The table of all paths: which there are, a row of it, and the page that holds them.

A benchmark gives its figures as rows, once for the terminal and once for the table of
``hardware_notes/performance.md``; a bound that is missed says so in both.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from plantigrade.block import FloatArray

PAGE = Path(__file__).resolve().parents[2] / "hardware_notes" / "performance.md"
BEGIN, END = "<!-- `make bench` writes from here -->", "<!-- to here -->"
NOT_TAKEN = "not taken"
PATHS = {
    "stored hour against a plain pass": "analysis",
    "live packet, `Pipeline.push`": "analysis",
    "pipeline's share of a core, 2 × 100 Hz": "analysis",
    "pipeline's share of a core, 2 × 200 Hz": "analysis",
    "packet → decoded": "link",
    "packet → all measured": "link",
    "packet → cue": "heard",
    "packet → tone": "heard",
    "packet → drawn, tablet": "live_page",
    "packet → drawn, phone": "live_page",
    "outcome after the lead peak": "outcome",
    "gateway's share of a core, 2 × 200 Hz": "link",
    "an hour in the store": "store",
    "two-hour session, to the first picture": "desk",
    "two-hour session, zoom": "desk",
    "500 players, listed": "players",
    "500 players, searched": "players",
    "5,000 sessions, listed": "players",
    "5,000 sessions, searched": "players",
    "500 players, listed, PostgreSQL": "players",
    "500 players, searched, PostgreSQL": "players",
    "5,000 sessions, listed, PostgreSQL": "players",
    "5,000 sessions, searched, PostgreSQL": "players",
    "evidence sheet": "coach",
    "page for the player, PDF": "coach",
    "forwarding's share of a core, 200 Hz": "forward",
    "catch-up, database": "forward",
    "catch-up, broker": "forward",
    "hub, 200 bays": "roster",
    "hub, a bay that records": "handover",
    "memory after a day": "memory",
    "start of the program": "start",
    "start of recording and its page": "start",
    "start of a page in the browser": "start",
}
"""Each path of the table, in its order, and the benchmark that has a row for it."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A bound, in words, and whether what was measured keeps it."""

    text: str
    is_met: bool


def at_most(what: str, value: float, limit: float, unit: str) -> Asked:
    """Hold a value to an upper bound; NaN keeps none."""
    return Asked(f"{what} ≤ {limit:g} {unit}".strip(), value <= limit)


def at_least(what: str, value: float, limit: float, unit: str) -> Asked:
    """Hold a value to a lower bound; NaN keeps none."""
    return Asked(f"{what} ≥ {limit:,g} {unit}".strip(), value >= limit)


@dataclass(frozen=True, slots=True)
class Row:
    """What was measured of a path.

    Attributes
    ----------
    path : str
        One of `PATHS` where it belongs into the table.
    measured : str
        The value, or its distribution, with units.
    how : str
        Of what, with what running.
    asked : tuple of Asked
    """

    path: str
    measured: str
    how: str
    asked: tuple[Asked, ...] = ()

    def bounds(self) -> str:
        """Return the bounds; those that are missed say so."""
        return "; ".join(a.text if a.is_met else f"**missed:** {a.text}" for a in self.asked) or "–"

    def cells(self) -> str:
        """Return the row as Markdown."""
        cells = (self.path, self.measured, self.bounds(), self.how)
        return f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"

    def __str__(self) -> str:
        return f"{self.path}: {self.measured} (asked: {self.bounds()})\n    {self.how}"


@dataclass(frozen=True, slots=True)
class Spread:
    """The distribution of a measure."""

    p50: float
    p95: float
    p99: float
    most: float
    n: int

    @classmethod
    def of(cls, values: Sequence[float] | FloatArray) -> "Spread":
        """Return it; without a value every part is NaN."""
        if not len(values):
            return cls(np.nan, np.nan, np.nan, np.nan, 0)
        p50, p95, p99 = np.percentile(values, [50, 95, 99])
        return cls(float(p50), float(p95), float(p99), float(max(values)), len(values))

    def text(self, unit: str, digits: int = 0) -> str:
        """Return it in words."""
        parts = (("p50", self.p50), ("p95", self.p95), ("p99", self.p99), ("max", self.most))
        said = ", ".join(f"{name} {value:.{digits}f}" for name, value in parts)
        return f"{said} {unit} (n = {self.n:,})"


HEAD = ("| path | measured | asked | how |", "|--|--|--|--|")


def lines(rows: Iterable[Row], missing: Mapping[str, str], kept: Mapping[str, str]) -> list[str]:
    """Return the table's lines, one for each of `PATHS`.

    Parameters
    ----------
    rows : iterable of Row
    missing : mapping of str to str
        Why a benchmark gave no rows, by its name.
    kept : mapping of str to str
        Lines of an older table that stand where there is nothing newer, by path.
    """
    made = {row.path: row.cells() for row in rows}
    found = []
    for path, name in PATHS.items():
        if path in made:
            found.append(made[path])
        elif name not in missing and path in kept:
            found.append(kept[path])
        else:
            why = missing.get(name, f"`{name}` gave no row for it")
            found.append(Row(path, NOT_TAKEN, why).cells())
    return [*HEAD, *found]


def read(page: str) -> tuple[list[str], dict[str, str]]:
    """Return what a page says of the machine, and its table's lines by path."""
    written = page.split(BEGIN)[1].split(END)[0].strip().splitlines()
    said = [line for line in written if line.startswith("- ")]
    table = [line for line in written if line.startswith("| ")][1:]
    return said, {line[2:].split(" | ")[0]: line for line in table}


def page_with(page: str, said: Iterable[str], table: Iterable[str]) -> str:
    """Return a page with another table between its marks."""
    before, rest = page.split(BEGIN)
    after = rest.split(END)[1]
    return f"{before}{BEGIN}\n\n" + "\n".join([*said, "", *table]) + f"\n\n{END}{after}"
