"""What every test may ask for."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def open_data() -> Callable[[str], Path]:
    """Return the finder of open recordings: a file's path from its name within their folder.

    The folder is that of the environment variable PLANTIGRADE_DATA, else ``shared/data`` beside
    the repository. Where the variable is set, a missing file fails the test; else it skips.
    """
    given = os.environ.get("PLANTIGRADE_DATA", "")
    folder = Path(given) if given else ROOT.parent / "shared" / "data"

    def find(name: str) -> Path:
        path = folder / name
        if path.exists():
            return path
        if given:
            pytest.fail(f"{name} is not in {folder}, the folder PLANTIGRADE_DATA names")
        pytest.skip(f"open recording {name} is not in {folder}; set PLANTIGRADE_DATA to its folder")

    return find
