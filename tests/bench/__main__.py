"""Run the benchmarks: modules of this folder that have ``rows()`` or ``main()``, or those named.

``python -m tests.bench`` or ``python -m tests.bench store`` prints them. ``python -m tests.bench
--table`` (`make bench`) takes those that have a row in the table of all paths, each in a process of
its own, and writes ``hardware_notes/performance.md``; with names it renews their rows alone. They
give ratios and distributions; nothing passes or fails by a time.
"""

import importlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

from tests.bench.table import PAGE, PATHS, Asked, Row, lines, page_with, read

NAMES = sorted(
    path.stem
    for path in Path(__file__).parent.glob("*.py")
    if path.stem[0] != "_" and path.stem != "table"
)
LIMIT_S = 420.0
"""A benchmark of the table that takes longer is ended: the whole is to take 25 minutes."""
LOOP = 10_000_000


def taken(name: str) -> Iterator[Row]:
    """Run a benchmark; give its rows as it has them."""
    module = importlib.import_module(f"tests.bench.{name}")
    if hasattr(module, "rows"):
        yield from module.rows()
    else:
        module.main()


def say(names: list[str]) -> int:
    """Print benchmarks; return the exit code."""
    failed = 0
    for name in names:
        print(f"\n== {name}", flush=True)
        try:
            for row in taken(name):
                print(row, flush=True)
        except Exception:
            traceback.print_exc()
            failed = 1
    return failed


def give(name: str, to: Path) -> int:
    """Write a benchmark's rows, a line of JSON each; return the exit code."""
    with to.open("a", encoding="utf-8") as file:
        for row in taken(name):
            print(row, flush=True)
            asked = [[one.text, bool(one.is_met)] for one in row.asked]
            file.write(json.dumps([row.path, row.measured, row.how, asked]) + "\n")
            file.flush()
    return 0


def apart(name: str) -> tuple[list[Row], str | None]:
    """Run a benchmark in a process of its own; return its rows, and why there are not more."""
    if name not in NAMES:
        return [], f"there is no benchmark `{name}`"
    with tempfile.TemporaryDirectory() as folder:
        to, log = Path(folder) / "rows", Path(folder) / "log"
        to.touch()
        with log.open("wb") as errors:
            process = subprocess.Popen(
                [sys.executable, "-m", "tests.bench", "--give", name, str(to)],
                stderr=errors,
                start_new_session=True,
            )
            try:
                failed = process.wait(LIMIT_S) != 0
                why = "it failed"
            except subprocess.TimeoutExpired:
                failed, why = True, f"it was ended after {LIMIT_S:.0f} s"
            finally:
                _end(process)
        told = log.read_text("utf-8", "replace")
        found = [json.loads(line) for line in to.read_text("utf-8").splitlines()]
    if failed:
        print(told, file=sys.stderr)
        last = [line for line in told.splitlines() if line and line[0] not in " │╭╰"]
        why = f"{why}: {last[-1][:160]}" if last and why == "it failed" else why
    rows = [Row(path, got, how, tuple(Asked(*a) for a in asked)) for path, got, how, asked in found]
    return rows, why if failed else None


def _end(process: subprocess.Popen[bytes]) -> None:
    """End what a benchmark may have left running."""
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        return
    process.wait()


def yardstick_s() -> float:
    """Return how long a fixed loop of Python takes, s: what the machine is worth just now."""
    begun, n = time.perf_counter(), 0
    for k in range(LOOP):
        n += k
    return time.perf_counter() - begun


def write_table(names: list[str]) -> int:
    """Take rows and put them into the page; return the exit code."""
    begun, loop_s, load = time.monotonic(), yardstick_s(), os.getloadavg()[0]
    rows: list[Row] = []
    missing: dict[str, str] = {}
    for name in names or list(dict.fromkeys(PATHS.values())):
        at = time.monotonic()
        print(f"\n== {name}", flush=True)
        got, why = apart(name)
        rows += got
        if why is not None:
            missing[name] = why
            print(f"{name}: {why}", flush=True)
        print(f"({time.monotonic() - at:.0f} s)", flush=True)
    after_s, took_s = yardstick_s(), time.monotonic() - begun
    page = PAGE.read_text("utf-8")
    said, kept = read(page)
    told = (
        f"- {', '.join(f'`{name}`' for name in names) if names else 'All'}: on "
        f"{os.cpu_count()} cores; a loop of {LOOP:,} steps in Python took {loop_s:.2f} s before "
        f"and {after_s:.2f} s after, load average {load:.1f} before; {took_s / 60:.0f} min."
    )
    said, kept = ([*said, told], kept) if names else ([told], {})
    table = lines(rows, missing, kept)
    PAGE.write_text(page_with(page, said, table), "utf-8")
    print("\n" + "\n".join([told, *table]))
    return 0


def run(words: list[str]) -> int:
    """Do what the command says; return the exit code."""
    flag = words[0] if words and words[0].startswith("--") else ""
    if flag == "--give":
        return give(words[1], Path(words[2]))
    names = words[1:] if flag else words
    unknown = sorted(set(names) - set(NAMES))
    if unknown or flag not in ("", "--table"):
        print(f"no benchmark {', '.join(unknown) or flag}, expected some of {', '.join(NAMES)}")
        return 2
    return write_table(names) if flag else say(names or NAMES)


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
