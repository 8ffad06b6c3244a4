"""The page of what each path costs is as `make bench` writes it; no time is held to anything."""

import re
from pathlib import Path

import pytest
from tests.bench.table import (
    BEGIN,
    END,
    PAGE,
    PATHS,
    Row,
    Spread,
    at_least,
    at_most,
    page_with,
    read,
)
from tests.bench.table import lines as table_lines

ROOT = Path(__file__).resolve().parent.parent
TEXT = PAGE.read_text("utf-8")


def test_the_page_is_linked_and_says_how_to_read_it():
    assert "(hardware_notes/performance.md)" in (ROOT / "README.md").read_text("utf-8")
    assert "(performance.md)" in (ROOT / "hardware_notes" / "README.md").read_text("utf-8")
    assert "How to read it" in TEXT.split(BEGIN)[0]


def test_the_page_has_a_row_for_each_path_in_order_and_nothing_else():
    written = TEXT.split(BEGIN)[1].split(END)[0].strip().splitlines()
    machine = [line for line in written if line.startswith("- ")]
    table = written[len(machine) + 1 :]
    assert machine and written[: len(machine)] == machine and written[len(machine)] == ""
    for line in machine:
        assert re.search(
            r": on \d+ cores; a loop of 10,000,000 steps in Python took \d+\.\d\d s before and "
            r"\d+\.\d\d s after, load average \d+\.\d before; \d+ min\.$",
            line,
        ), line
    assert table[:2] == ["| path | measured | asked | how |", "|--|--|--|--|"]
    cells = [line.strip("|").split("|") for line in table[2:]]
    assert [row[0].strip() for row in cells] == list(PATHS)
    assert [len(row) for row in cells] == [4] * len(PATHS)
    assert all(cell.strip() for row in cells for cell in row)


def test_each_path_is_measured_by_the_benchmark_that_is_named():
    for path, name in PATHS.items():
        file = ROOT / "tests" / "bench" / f"{name}.py"
        assert f'"{path}"' in file.read_text("utf-8")


def test_a_missed_bound_says_so():
    row = Row("here", "12 ms", "by hand", (at_most("p95", 12, 10, "ms"), at_least("", 3, 2, "/s")))
    assert row.cells() == "| here | 12 ms | **missed:** p95 ≤ 10 ms; ≥ 2 /s | by hand |"
    assert at_most("", 10.0, 10.0, "ms").is_met and at_least("", 2.0, 2.0, "").is_met
    assert not at_least("", 1.9, 2.0, "").is_met
    assert not at_most("", float("nan"), 1.0, "").is_met, "nothing measured keeps no bound"
    assert Row("here", "1 ms", "by hand").cells() == "| here | 1 ms | – | by hand |"


def test_a_table_names_what_was_not_taken_and_why_and_keeps_what_was_not_tried():
    first, second, third = list(dict.fromkeys(PATHS.values()))[:3]
    paths = {name: [p for p, n in PATHS.items() if n == name] for name in (first, second, third)}
    old = {path: f"| {path} | old | – | then |" for path in PATHS}
    new = Row(paths[first][0], "new", "now")
    made = dict(zip(PATHS, table_lines([new], {second: "no sound here"}, old)[2:], strict=True))
    assert made[paths[first][0]] == f"| {paths[first][0]} | new | – | now |"
    assert made[paths[second][0]] == f"| {paths[second][0]} | not taken | – | no sound here |"
    assert made[paths[third][0]] == old[paths[third][0]]
    alone = table_lines([new], {}, {})
    assert alone.count(new.cells()) == 1 and sum("not taken" in one for one in alone) == (
        len(PATHS) - 1
    )


def test_a_page_that_was_written_is_read_as_it_was_and_keeps_its_prose():
    table = table_lines([Row(path, "1 | 2", "so") for path in PATHS], {}, {})
    page = page_with(f"before\n\n{BEGIN}\n\nold\n\n{END}\n\nafter\n", ["- a machine"], table)
    said, kept = read(page)
    assert said == ["- a machine"]
    assert list(kept) == list(PATHS) and list(kept.values()) == table[2:]
    assert page.startswith("before\n\n<!--") and page.endswith("-->\n\nafter\n")
    assert page_with(page, said, table) == page


def test_a_distribution_says_how_many_and_its_tail():
    spread = Spread.of(list(range(1, 102)))  # quantiles of 1…101 are the numbers themselves
    assert (spread.p50, spread.p95, spread.p99, spread.most, spread.n) == (51, 96, 100, 101, 101)
    assert spread.text("ms") == "p50 51, p95 96, p99 100, max 101 ms (n = 101)"
    assert Spread.of([]).p50 == pytest.approx(float("nan"), nan_ok=True)
