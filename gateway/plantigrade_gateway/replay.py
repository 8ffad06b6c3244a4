"""Recorded bytes as if they came now: at their arrival times, or as fast as they are taken."""

from pathlib import Path

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.replayfile import MAGIC


def is_replay(path: Path) -> bool:
    """Whether a file is a replay file, by its first bytes.

    Raises
    ------
    InputError
        It cannot be read.
    """
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
