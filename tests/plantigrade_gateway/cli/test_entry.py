"""Ctrl-C at any time, and an output that takes nothing, end the command without a traceback."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

AT_IMPORT = """
import os, signal, sys

class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Interrupts())
"""
AT_EXIT = """
import atexit, os, signal
atexit.register(os.kill, os.getpid(), signal.SIGINT)
"""
BEGIN = "from plantigrade_gateway.cli.entry import main; main()"


def run(code: str, folder: Path, *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code + BEGIN, *(command or ("sessions",))],
        env={**os.environ, "HOME": str(folder), "XDG_DATA_HOME": str(folder)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.parametrize(
    "module",
    ["plantigrade_gateway.cli.main", "click", "plantigrade_gateway.store.schema"],
)
def test_an_interrupt_while_the_program_is_loaded_is_its_end(tmp_path, module):
    done = run(AT_IMPORT.format(module=module), tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")


@pytest.mark.dear
@pytest.mark.parametrize(
    ("module", "command", "said"),
    [
        ("store.sessions", "sessions", "Stopped before it was done; what was finished is kept."),
        ("session.stage", "run", "Stopped before recording began: nothing is recorded."),
    ],
)
@pytest.mark.slow
def test_an_interrupt_of_a_command_at_work_is_one_sentence(tmp_path, module, command, said):
    """What the command itself imports, it imports when it is at work."""
    done = run(AT_IMPORT.format(module=f"plantigrade_gateway.{module}"), tmp_path, command)
    assert (done.returncode, done.stdout, done.stderr.strip()) == (1, "", said)
    assert not list(tmp_path.rglob("*.sqlite*"))


@pytest.mark.dear
def test_an_interrupt_when_the_command_has_ended_is_its_end(tmp_path):
    done = run(AT_EXIT, tmp_path)
    assert (done.returncode, done.stderr) == (-signal.SIGINT, "")
    assert done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this platform")
@pytest.mark.parametrize("command", [("sessions",), ("sessions", "--json"), ("--help",)])
def test_an_output_that_takes_nothing_is_one_sentence(tmp_path, command):
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-c", BEGIN, *command],
            env={**os.environ, "HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path)},
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            check=False,
        )
    said = "Error: standard output: cannot be written: No space left on device\n"
    assert (done.returncode, done.stderr) == (1, said)
