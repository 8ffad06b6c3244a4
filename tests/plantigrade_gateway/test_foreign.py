"""Files of others are read within bounds."""

import os
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from plantigrade.errors import MOST_SAID
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_file
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store

PACKAGE = Path(__file__).resolve().parents[2] / "gateway" / "plantigrade_gateway"
OWN = {
    "child.py": "its own process, over a pipe",
    "hub/__main__.py": "its own process, on the command line",
    "hub/deletions.py": "its own rows",
    "hub/intake.py": "its own rows",
    "people/restore.py": "its own file, under its hash",
    "forward/removal.py": "its own rows",
    "session/part.py": "its own process, over a pipe",
    "session/several.py": "its own process, over a pipe",
    "store/enqueue.py": "its own rows",
    "store/rows.py": "its own rows",
    "web/__main__.py": "its own process, on the command line",
    "web/desk/cache.py": "its own rows",
    "prints/apart.py": "its own process, over a pipe",
    "prints/child.py": "its own process, over a pipe",
    "report/swingframes.py": "its own rows",
    "report/typeset.py": "what its own template says",
    "web/live/audience.py": "its own process, over a pipe",
    "web/live/page.py": "its own process, over a pipe",
}
"""What may read JSON without bounds: what this program itself has written."""


def test_only_what_we_wrote_ourselves_is_read_without_bounds():
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if re.search(r"json\.loads?\(|tomllib", path.read_text("utf-8"))
    }
    assert found == set(OWN)


def test_a_file_is_read_to_its_limit_and_no_further(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"x" * 100)
    assert read_file(path, "drill a", 100) == b"x" * 100
    with pytest.raises(InputError, match="drill a: longer than 99 bytes"):
        read_file(path, "drill a", 99)
    with pytest.raises(InputError, match="zeros: longer than 1000 bytes"):
        read_file(Path("/dev/zero"), "zeros", 1000)  # it never ends


@pytest.mark.parametrize(
    "order",
    [
        ("analyse", "PIPE"),
        ("analyse", "FILE", "--layout", "PIPE"),
        ("replay", "PIPE", "--fast"),
        ("drills", "--drill", "PIPE"),
        ("calibrate", "--bench", "PIPE"),
        ("speed", "last", "PIPE"),
        ("sheet", "PLAYER", "--rules", "PIPE"),
    ],
    ids=lambda order: " ".join(order),
)
def test_a_pipe_is_refused_and_not_waited_for(tmp_path, order):
    pipe, file = tmp_path / "pipe", tmp_path / "file"
    os.mkfifo(pipe)
    file.write_text("time_s,L1,R1\n0.0,1,1\n0.01,1,1\n", "utf-8")
    names = {"PIPE": str(pipe), "FILE": str(file)}
    with Store.open(tmp_path / "store") as store, Register(store) as register:
        player = register.add(name="P-17", handedness="right")
        names |= {"PLAYER": player, "last": store.create_session("a", analysis_version=1)}
    given = [names.get(word, word) for word in order]
    done = CliRunner().invoke(main, [*given, *("--store", str(tmp_path / "store"))])
    assert done.exit_code == 2 and done.output.count("\n") == 1
    assert ": is a pipe, expected a file" in done.output, done.output


def test_a_pipe_that_the_command_line_opened_is_read():
    """As ``--drill <(…)`` gives one: somebody writes to it already."""
    out, into = os.pipe()
    os.write(into, b"some text")
    os.close(into)
    try:
        assert read_file(Path(f"/dev/fd/{out}"), "drill a") == b"some text"
    finally:
        os.close(out)


@pytest.mark.parametrize("name", ["none", ".", "nul\0", "x" * 5000])
def test_what_cannot_be_read_is_said_in_one_sentence(tmp_path, name):
    with pytest.raises(InputError, match="cannot be read: ") as caught:
        read_file(tmp_path / name, f"drill {name}")
    text = str(caught.value)
    assert "\n" not in text and "\0" not in text and len(text) <= MOST_SAID
