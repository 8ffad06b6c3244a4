"""Files of somebody else's, read within bounds; what is in them `plantigrade.foreign` reads."""

from pathlib import Path

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
