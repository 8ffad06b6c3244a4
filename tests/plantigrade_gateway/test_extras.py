"""What needs an optional extra that is not installed says the command that adds it, and no more."""

import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.extras import need

EXTRAS = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text("utf-8"))[
    "project"
]["optional-dependencies"]


def test_what_is_installed_is_not_spoken_of():
    need("numbers", "numpy", "none")


def test_a_library_that_is_missing_is_said_with_the_command_that_adds_it_here(monkeypatch):
    monkeypatch.setattr(sys, "executable", "/my folder/bin/python")
    with pytest.raises(InputError) as said:
        need("numbers", "no_such_library", "hub")
    assert str(said.value) == (
        "numbers need the optional extra 'hub', which is not installed; add it with "
        "'/my folder/bin/python' -m pip install 'plantigrade[hub]'"
    )


@pytest.mark.dear
@pytest.mark.parametrize(
    ("library", "extra", "command", "environment"),
    [
        ("obstore", "hub", "hub serve --data DATA", {}),
        ("obstore", "hub", "hub rebuild --data DATA", {}),
        (
            "psycopg",
            "hub",
            "hub bay list --data DATA",
            {"PLANTIGRADE_PEOPLE_URL": "postgresql://nobody@127.0.0.1:1/none"},
        ),
        ("bumble", "virtual", "simulate", {}),
        ("bumble", "virtual", "run --virtual --store DATA/s.sqlite3", {}),
        ("bumble", "virtual", "scan --radio tcp-client:127.0.0.1:1", {}),
        ("bumble", "virtual", "calibrate --virtual --mass 70 --store DATA/s.sqlite3", {}),
        ("cv2", "prints", "footprint target DATA/page.pdf", {}),
    ],
)
@pytest.mark.slow
def test_each_command_that_needs_one_ends_in_a_sentence(
    library, extra, command, environment, tmp_path, monkeypatch
):
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    (tmp_path / "data").mkdir()
    code = (
        f"import sys; sys.modules[{library!r}] = None\n"
        "from plantigrade_gateway.cli.main import main\n"
        "main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *command.replace("DATA", str(tmp_path / "data")).split()],
        capture_output=True,
        text=True,
        timeout=HANG_S,
    )
    assert done.returncode == 2, done.stderr
    (said,) = done.stderr.splitlines()
    way = f"add it with {shlex.quote(sys.executable)} -m pip install 'plantigrade[{extra}]'"
    assert said.startswith("Error: ") and said.endswith(way)
    assert extra in EXTRAS
