"""A skip is a failure in CI, recordings that are not there are said, and long tests begin first."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tests.conftest import dealt

pytestmark = pytest.mark.dear

CONFTEST = Path(__file__).resolve().parent / "conftest.py"
SKIPS = """
import pytest

@pytest.fixture
def missing():
    pytest.skip("no engine")

def test_runs(): pass
def test_needs(missing): pass
@pytest.mark.skipif(True, reason="no bus")
def test_marked(): pass
def test_tries(): pytest.skip("no disk")
@pytest.mark.xfail(strict=True)
def test_known(): assert False
"""
MODULE_SKIPS = "import pytest; pytest.skip('no extra', allow_module_level=True)"
RECORDINGS = """
def test_of_a_recording(open_data): assert open_data("there.csv").read_text() == "1"
def test_of_another(open_data): open_data("not there.csv")
def test_runs(): pass
"""

LONG = """
import pytest
ran = []
def test_a(): ran.append("a")
def test_b(): ran.append("b")
@pytest.mark.long
def test_c(): ran.append("c")
def test_d(): assert ran == ["c", "a", "b"]
"""


def pytest_of(folder: Path, text: str, **environment: str) -> tuple[int, str]:
    """Run a file of tests under the project's conftest; return the exit code and the output."""
    tests = folder / "repository" / "tests"
    tests.mkdir(parents=True, exist_ok=True)
    shutil.copy(CONFTEST, tests)
    (tests / "test_it.py").write_text(text)
    kept = {k: v for k, v in os.environ.items() if k not in ("CI", "PLANTIGRADE_DATA")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-rs", str(tests)],
        env={**kept, **environment},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout


def last(output: str) -> str:
    return output.strip().splitlines()[-1]


@pytest.mark.slow
def test_a_skip_is_a_failure_in_ci_only(tmp_path):
    code, out = pytest_of(tmp_path, SKIPS)
    assert code == 0 and "1 passed, 3 skipped, 1 xfailed" in last(out)
    assert all(reason in out for reason in ("no engine", "no bus", "no disk"))
    code, out = pytest_of(tmp_path, SKIPS, CI="true")
    assert code == 1 and "1 failed, 1 passed, 1 xfailed, 2 errors" in last(out)
    assert all(reason in out for reason in ("no engine", "no bus", "no disk"))


@pytest.mark.slow
def test_a_module_that_skips_is_a_failure_in_ci_only(tmp_path):
    code, out = pytest_of(tmp_path, MODULE_SKIPS)
    assert code == 5 and "1 skipped" in last(out)
    code, out = pytest_of(tmp_path, MODULE_SKIPS, CI="true")
    assert code == 2 and "1 error" in last(out) and "no extra" in out


@pytest.mark.parametrize("ci", ["", "true"])
@pytest.mark.slow
def test_without_recordings_their_tests_are_deselected_in_one_line(tmp_path, ci):
    code, out = pytest_of(tmp_path, RECORDINGS, CI=ci)
    assert code == 0 and "1 passed, 2 deselected" in last(out)
    assert out.count("Tests of open recordings are deselected: there is no ") == 1


@pytest.mark.slow
def test_with_recordings_one_that_is_missing_fails(tmp_path):
    beside = tmp_path / "shared" / "data"
    beside.mkdir(parents=True)
    (beside / "there.csv").write_text("1")
    code, out = pytest_of(tmp_path, RECORDINGS)
    assert code == 1 and "1 failed, 2 passed" in last(out) and "deselected" not in out
    elsewhere = tmp_path / "elsewhere"
    code, out = pytest_of(tmp_path, RECORDINGS, PLANTIGRADE_DATA=str(elsewhere))
    assert code == 1 and "2 failed, 1 passed" in last(out)


def test_each_workers_part_begins_with_long_tests(tmp_path):
    code, out = pytest_of(tmp_path, LONG, PYTEST_XDIST_WORKER_COUNT="2")
    assert code == 0 and "4 passed" in last(out)


@pytest.mark.parametrize(
    ("long", "count", "workers", "order"),
    [
        ({2, 4, 6}, 9, 3, [2, 0, 1, 4, 3, 5, 6, 7, 8]),  # parts of three
        ({9}, 10, 3, [9, 0, 1, 2, 3, 4, 5, 6, 7, 8]),  # of three, three and four
        ({0, 1, 2}, 4, 2, [0, 2, 1, 3]),  # of two
        (set(), 5, 2, [0, 1, 2, 3, 4]),
    ],
)
def test_long_tests_are_dealt_like_cards(long, count, workers, order):
    assert dealt([k in long for k in range(count)], workers) == order
