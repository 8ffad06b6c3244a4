"""The folder called signal must never become a package: it would hide Python's own module."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def test_source_roots_hold_no_python_file():
    found = [*(ROOT / "signal").glob("*.py"), *(ROOT / "gateway").glob("*.py")]
    assert found == []


def test_tests_have_no_package_marker():
    assert list((ROOT / "tests").rglob("__init__.py")) == []


def test_standard_signal_module_wins_in_the_repository_root():
    result = subprocess.run(
        [sys.executable, "-c", "import signal; print(int(signal.SIGTERM))"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert result.stdout.strip() == "15"


@pytest.mark.dear
@pytest.mark.slow
def test_rings_point_inward():
    """The signal package imports neither I/O nor the gateway (a fresh interpreter shows it)."""
    code = (
        "import sys, pkgutil, importlib, plantigrade\n"
        "for m in pkgutil.walk_packages(plantigrade.__path__, 'plantigrade.'):\n"
        "    importlib.import_module(m.name)\n"
        "bad = {'plantigrade_gateway', 'sqlite3', 'bleak', 'miniaudio', 'click', 'asyncio'}\n"
        "print(sorted(bad & set(sys.modules)))\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "[]"
