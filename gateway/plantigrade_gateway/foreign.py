"""Files of somebody else's, read within bounds; what is in them `plantigrade.foreign` reads."""

import os
import shlex
import stat
import zlib
from pathlib import Path

from plantigrade.errors import ForeignError
from plantigrade.foreign import MOST_BYTES
from plantigrade_gateway.errors import InputError


def read_file(path: Path, what: str, most_bytes: int = MOST_BYTES) -> bytes:
    """Return a file's bytes.

    Parameters
    ----------
    path : Path
        Of one that never ends no more is read than is wanted. A pipe that the command line has
        opened (``/dev/stdin``, ``<(…)``) is read; one with a name of its own is not waited for.
    what : str
        What it is, for the error, with its name.
    most_bytes : int

    Raises
    ------
    InputError
        It cannot be read, or is longer.
    """
    return _read(path, what, most_bytes)[0]


PIPE = "{}: is a pipe, expected a file: it is read more than once; keep it in a file first"
"""Of a recording that is a pipe."""
MOST_SECRET_BYTES = 4096
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def read_secret(path: Path, what: str) -> str:
    """Return the one line of a file that holds a secret, without what closes the line.

    Raises
    ------
    InputError
        It cannot be read, is open to others than its owner (with the command that mends it), or
        is not one line of UTF-8.
    """
    data, mode = _read(path, what, MOST_SECRET_BYTES)
    if os.name == "posix" and mode & _OTHERS:  # elsewhere a mode tells nothing of others
        raise InputError(
            f"{what}: other users of this machine may read or change it; take that away with "
            f"chmod 600 {shlex.quote(str(path))}"
        )
    try:
        lines = data.decode("utf-8").splitlines()
    except UnicodeDecodeError:
        raise InputError(f"{what}: cannot be read: not UTF-8 text") from None
    if len(lines) != 1 or not lines[0].strip():
        raise InputError(f"{what}: has {len(lines)} lines, expected one line that is the secret")
    return lines[0]


def is_pipe(path: Path) -> bool:
    """Whether a path is a pipe: to open one waits, for ever, until somebody writes to it."""
    try:
        return path.is_fifo()
    except (OSError, ValueError):  # whoever opens it says what is wrong
        return False


def _read(path: Path, what: str, most_bytes: int) -> tuple[bytes, int]:
    """Return a file's bytes and its mode."""
    if is_pipe(path) and is_pipe(path.resolve()):  # an open one resolves to a number, and no name
        raise InputError(f"{what}: is a pipe, expected a file")
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            data = file.read(most_bytes + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = error.strerror if isinstance(error, OSError) else "no file can have this name"
        raise InputError(f"{what}: cannot be read: {reason}") from error
    if len(data) > most_bytes:
        raise InputError(f"{what}: longer than {most_bytes} bytes, expected no more")
    return data, mode


def inflated(data: bytes | memoryview, most_bytes: int, wbits: int = zlib.MAX_WBITS) -> bytes:
    """Return what deflated bytes hold; a thousandth of its size may hold anything.

    Parameters
    ----------
    data : bytes
    most_bytes : int
        No more is ever made of it.
    wbits : int
        As zlib has it: negative for a raw stream.

    Raises
    ------
    ForeignError
        It is no such stream, is cut off, or holds more.
    """
    stream = zlib.decompressobj(wbits)
    try:
        body = stream.decompress(data, most_bytes + 1)
    except zlib.error as error:
        raise ForeignError(f"cannot be inflated ({error})") from error
    if len(body) > most_bytes:
        raise ForeignError(f"holds more than {most_bytes} bytes when inflated, expected less")
    if not stream.eof:
        raise ForeignError("cannot be inflated (it is cut off)")
    return body
