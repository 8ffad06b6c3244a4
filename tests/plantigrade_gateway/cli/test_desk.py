"""The command `desk`, as the real program."""

import re
import time
from urllib.request import urlopen

import pytest
from click.testing import CliRunner
from tests.support.program import Program

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store


@pytest.mark.slow
def test_the_desk_is_served_without_a_gateway_until_told(tmp_path):
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        session_id = store.create_session("invented", analysis_version=1)
        store.end_session(session_id, "stop")
    program = Program(["desk", "--port", "0", "--store", str(path)])
    try:
        program.url()
        until = time.monotonic() + 120.0
        while (found := re.search(r"Stored sessions: (\S+)", program.said)) is None:
            assert time.monotonic() < until, program.said
            time.sleep(0.05)
        with urlopen(found[1], timeout=60.0) as answer:
            assert session_id in answer.read().decode()
            assert "'unsafe-inline'" in answer.headers["content-security-policy"]
            assert answer.headers["cache-control"] == "no-store"
    finally:
        program.stop()
    assert program.process.returncode == 0, program.said


def test_a_store_that_is_not_there_is_not_made(tmp_path):
    result = CliRunner().invoke(main, ["desk", "--store", str(tmp_path / "gone.sqlite3")])
    assert result.exit_code == 2 and "gone.sqlite3: not found" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_desk_is_its_pages_and_has_no_option_not_to_serve_them():
    result = CliRunner().invoke(main, ["desk", "--no-page"])
    assert result.exit_code == 2 and "No such option" in result.output
