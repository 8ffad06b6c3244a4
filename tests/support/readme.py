"""The output that README.md and `recordings.md` show, made by running the commands.

``python -m tests.support.readme`` puts today's output into them; a test holds them together.
"""

import os
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

from click.testing import CliRunner

from plantigrade_gateway.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
RECORDINGS = ROOT / "hardware_notes" / "recordings.md"
LAYOUT = ROOT / "hardware_notes" / "layouts" / "eight_zone_newtons.toml"
SKIP = "…"


def output(arguments: Sequence[str]) -> list[str]:
    """Return the lines that a command prints."""
    result = CliRunner().invoke(main, list(arguments))
    assert result.exit_code == 0, result.output
    return [line.rstrip() for line in result.stdout.splitlines()]


def demo() -> str:
    """Return what `plantigrade demo` prints, abridged: beginning, two swings, the end."""
    with tempfile.TemporaryDirectory() as folder:
        lines = output(["demo", "--fast", "--no-sound", "--store", str(Path(folder) / "store")])

    def at(pattern: str) -> int:
        return next(k for k, line in enumerate(lines) if re.search(pattern, line))

    parts = [
        lines[:2],
        [SKIP],
        lines[at("set: full") : at(" swing 14 ")],
        [SKIP],
        lines[at("^Summary") : at("^Found") + 1],
        [SKIP],
        lines[at("^Sets") : at("push rolled") + 1],
        [SKIP],
    ]
    return "\n".join(line for part in parts for line in part)


def walk(path: Path) -> str:
    """Return what `plantigrade analyse` prints of an open recording of a walk."""
    return "\n".join(output(["analyse", str(path), "--layout", str(LAYOUT)]))


def python_example() -> str:
    """Return the Python code that README.md shows."""
    (code,) = re.findall(r"```python\n(.*?)```", README.read_text("utf-8"), re.DOTALL)
    return str(code)


def put(text: str, command: str, block: str) -> str:
    """Put a command's output into its place in a text."""
    head = f"```\n$ {command}\n"
    before, after = text.split(head)
    return f"{before}{head}{block}\n```{after[after.index('```') + 3 :]}"


WALK_COMMAND = (
    "plantigrade analyse GaCo02_01.csv --layout hardware_notes/layouts/eight_zone_newtons.toml"
)


def refresh() -> None:
    """Put today's output into README.md and `recordings.md`."""
    README.write_text(put(README.read_text("utf-8"), "make demo", f"{SKIP}\n{demo()}"), "utf-8")
    folder = Path(os.environ.get("PLANTIGRADE_DATA") or ROOT.parent / "shared" / "data")
    recording = folder / "gaitpdb" / "GaCo02_01.csv"
    if recording.exists():
        text = put(RECORDINGS.read_text("utf-8"), WALK_COMMAND, walk(recording))
        RECORDINGS.write_text(text, "utf-8")


if __name__ == "__main__":
    refresh()
