"""A real file system of a megabyte or so, where this user may mount one (root)."""

import contextlib
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest


class NoDisk(Exception):
    """This user may not mount one."""


@contextlib.contextmanager
def mounted(folder: Path, size: str) -> Iterator[Path]:
    """Mount one at a folder; raises `NoDisk`."""
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode:
        raise NoDisk(f"a tiny disk needs the right to mount (run as root): {made.stderr.strip()}")
    try:
        yield folder
    finally:
        for _ in range(50):  # a process that was killed may hold it a moment longer
            gone = subprocess.run(["umount", str(folder)], capture_output=True, check=False)
            if gone.returncode == 0:
                break
            time.sleep(0.1)
        else:
            # what failed with a file open leaves nothing that later runs could not delete
            subprocess.run(["umount", "--lazy", str(folder)], check=False)
            raise OSError(gone.stderr.decode(errors="replace"))


@contextlib.contextmanager
def tiny_disk(folder: Path, size: str) -> Iterator[Path]:
    """Mount one at a folder for a test, which is skipped where that is not allowed."""
    with contextlib.ExitStack() as stack:
        try:
            disk = stack.enter_context(mounted(folder, size))
        except NoDisk as error:
            pytest.skip(str(error))
        yield disk


def fill(disk: Path) -> Path:
    """Write a file into all of the room that is left, and return it."""
    filler = disk / "filler"
    with contextlib.suppress(OSError), open(filler, "wb", buffering=0) as file:
        while file.write(bytes(1 << 20)):
            pass
    return filler
