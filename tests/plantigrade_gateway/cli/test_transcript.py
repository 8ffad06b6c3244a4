"""Whole outputs of commands, one after the other on one small store: `transcript.txt`, by people.

All is invented. What differs from run to run is replaced by a word: ids, days and times of day,
folders, sizes, versions. The text was read line by line when it was written; a change here is a
change of what people read.
"""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.practice import store_practice

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

TRANSCRIPT = Path(__file__).with_name("transcript.txt")
COMMAND = "$ plantigrade "
UNTIL_NS = 245_000_000_000  # two sets, the second of three swings
SPEEDS = "swing;speed\n1;88.0\n2;90.5\n3;\n4;92.0\n"
REPLACED = (
    (r"\b[0-9a-f]{32}\b", "ID"),
    (r"\b[0-9a-f]{8}\b(?!-)", "ID8"),
    (r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?( ?[+-]\d\d:?\d\d|Z)?", "TIME"),
    (r"\d{4}-\d\d-\d\d", "DAY"),
    (r"^(  started .* on )\S+$", r"\1HOST"),
    (r"restore-\w+", "restore-TIME"),
    (r"^one\.\S+$", "CREDENTIAL"),
    (r"\d+(\.\d+)? (kB|MB|GB|bytes)", "SIZE"),
)


def told(arguments: str) -> str:
    """What a command prints, what it says beside it, and the exit code that is not 0."""
    # wide, so that no line breaks by the length of a folder's name
    env = {"COLUMNS": "1000", "TERM": "dumb"}
    result = CliRunner().invoke(main, shlex.split(arguments), env=env)
    assert result.exception is None or isinstance(result.exception, SystemExit), arguments
    lines = [line.rstrip() for line in result.output.splitlines()]
    if result.exit_code:
        lines.append(f"(exit code {result.exit_code})")
    return "\n".join(lines)


def commands() -> Iterator[str]:
    for line in TRANSCRIPT.read_text("utf-8").splitlines():
        if line.startswith(COMMAND):
            yield line.removeprefix(COMMAND)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty folder to work in, with a store of the practice session for the usual one."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "store.sqlite3"
    monkeypatch.setattr(schema, "default_path", lambda: path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    with Store.open(path) as store:
        store_practice(store, UNTIL_NS)
    (tmp_path / "speeds.csv").write_text(SPEEDS)
    return tmp_path


def transcript(folder: Path) -> str:
    blocks = []
    for command in commands():
        text = told(command).replace(str(folder), "FOLDER")
        for pattern, word in REPLACED:
            text = re.sub(pattern, word, text, flags=re.MULTILINE)
        blocks.append(f"{COMMAND}{command}\n{text}\n")
    return "\n".join(blocks)


@pytest.mark.slow
def test_what_the_commands_say(folder):
    assert transcript(folder) == TRANSCRIPT.read_text("utf-8")
