"""Files of somebody else's, read within bounds; what is in them `plantigrade.foreign` reads."""

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
        Of any kind: of one that never ends no more is read than is wanted.
    what : str
        What it is, for the error, with its name.
    most_bytes : int

    Raises
    ------
    InputError
        It cannot be read, or is longer.
    """
    try:
        with path.open("rb") as file:
            data = file.read(most_bytes + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = error.strerror if isinstance(error, OSError) else "no file can have this name"
        raise InputError(f"{what}: cannot be read: {reason}") from error
    if len(data) > most_bytes:
        raise InputError(f"{what}: longer than {most_bytes} bytes, expected no more")
    return data


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
