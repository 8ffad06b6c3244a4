"""A folder in which files on a person are made whole, before they come to lie where they are meant.

Knows nothing of what is written.
"""

import fcntl
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = ".plantigrade-making-"
_OURS = re.compile(re.escape(_PREFIX) + r"[a-z0-9_]{8}")
"""Names that nobody else gives: folders of them are removed."""


@contextmanager
def staging_in(parent: Path) -> Iterator[Path]:
    """Give a new folder to write in, which is removed at the end if it is still there.

    What killed programs left of this kind is removed first: it is data on a person, too. A folder
    at work is locked, and gets its name once it is.
    """
    for left in parent.glob(f"{_PREFIX}*"):
        if _OURS.fullmatch(left.name):
            _remove_if_left(left)
    made = Path(tempfile.mkdtemp(prefix=".new", dir=parent))
    handle = os.open(made, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        staging = made.rename(made.with_name(_PREFIX + made.name.removeprefix(".new")))
        try:
            yield staging
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    finally:
        os.close(handle)


def _remove_if_left(folder: Path) -> None:
    with suppress(OSError):  # another one's, or gone by now
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)
        finally:
            os.close(handle)
