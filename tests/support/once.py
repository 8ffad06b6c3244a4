"""What is dear to make and the same for all tests: made once in a test run, by whoever is first."""

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return a file of this test run; the first of its processes makes it, the others wait.

    It is read by all: who changes it takes a copy.
    """
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent
    path = base / name
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not path.exists():
            part = path.with_name(f"part-{name}")
            part.unlink(missing_ok=True)
            make(part)
            part.rename(path)
    return path
