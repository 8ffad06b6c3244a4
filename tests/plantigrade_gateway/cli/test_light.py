"""Commands that compute nothing load no library that computes, draws, serves or listens."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.records import packets, step

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

HEAVY = {"scipy", "bokeh", "fastapi", "uvicorn", "jinja2", "pyarrow", "typst", "cv2", "miniaudio"}
HEAVY |= {"aiohttp", "influxdb_client", "aiomqtt", "bleak", "bumble", "cryptography", "argon2"}
NONE_AT_ALL = {"numpy", "pydantic", "rich", "sqlalchemy", "asyncio"}
"""Not even these, where only the arguments are looked at."""

CODE = """
import json, sys
from plantigrade_gateway.cli.main import main
try:
    main(prog_name="plantigrade")
finally:
    print(json.dumps([name for name in sys.modules if "." not in name]), file=sys.stderr)
"""


def loaded(store: Path, *arguments: str) -> tuple[str, set[str]]:
    """Return what a command prints, and the packages it has loaded by its end."""
    environment = {**os.environ, "COLUMNS": "200"}
    run = [sys.executable, "-c", CODE, "--store", str(store), *arguments]
    done = subprocess.run(run, env=environment, capture_output=True, text=True, check=True)
    return done.stdout, set(json.loads(done.stderr))


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Path:
    """Return a store with a session that has a step, and a player; both invented."""
    path: Path = tmp_path_factory.mktemp("light") / "store.sqlite3"
    with Store.open(path) as opened:
        session = opened.create_session("insoles", analysis_version=1)
        opened.append(session, packets(10))
        opened.write(session, [], [event_row(session, step(5), 10)])
        opened.end_session(session, "stop")
    added = CliRunner().invoke(
        main, ["--store", str(path), "players", "add", "Vera Probe", "--handed", "right"]
    )
    assert added.exit_code == 0, added.output
    return path


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ("sessions", "insoles"),
        ("sessions --json", '"steps": 1'),
        ("players", "Vera Probe"),
        ("drills", "Counts: "),
        ("status", "insole"),
        ("outbox", ""),
        ("settings", "tsdb.url"),
    ],
)
def test_what_only_lists_loads_nothing_that_computes(store, arguments, says):
    said, packages = loaded(store, *arguments.split())
    assert says in said
    allowed = {"sqlalchemy"} if arguments == "players" else set()
    assert packages & (HEAVY | {"sqlalchemy"}) <= allowed


@pytest.mark.parametrize("arguments", ["--help", "--version", "run --help", "roster --help"])
def test_help_loads_the_arguments_alone(store, arguments):
    said, packages = loaded(store, *arguments.split())
    assert "plantigrade" in said
    assert packages & (HEAVY | NONE_AT_ALL) == set()


@pytest.mark.slow
def test_what_computes_does_load_it(store):
    """So that the tests above can fail: the same way of looking sees it."""
    _, packages = loaded(store, "export", "last", "--to", str(store.parent / "out"))
    assert "pyarrow" in packages and "numpy" in packages


def test_a_session_begins_without_scipy():
    """Half of the time to start: what finds events needs NumPy alone, but for what compares."""
    code = (
        "import sys, numpy, plantigrade_gateway.session.runner\n"
        "from plantigrade.sway import lowpass\n"
        "lowpass(numpy.zeros((9, 2)), 100.0)\n"
        "print({'scipy', 'bokeh', 'pyarrow', 'numpy'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "{'numpy'}"
