"""The JSON table that an entry holds, read within bounds."""

import json
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade_gateway.errors import RecordError

SCHEMA = 1
Made = TypeVar("Made")


def table_of(values: Mapping[str, object]) -> bytes:
    """Return the data of an entry that holds these values."""
    return json.dumps({"schema": SCHEMA, **values}, ensure_ascii=False).encode()


def read_table(data: bytes, what: str, make: Callable[[Mapping[str, Any]], Made]) -> Made:
    """Read an entry's data; keys that `make` does not ask for are left out.

    Parameters
    ----------
    data : bytes
    what : str
        Which entry, for the error.
    make : callable
        Makes what is wanted of the table; may raise ValueError, KeyError or TypeError.

    Raises
    ------
    RecordError
        Not JSON of schema 1, or nothing that `make` takes.
    """
    try:
        table = read_json(data, f"{what} entry")
        if table["schema"] != SCHEMA:
            raise RecordError(f"{what} of schema {shown(table['schema'])}, expected {SCHEMA}")
        return make(table)
    except ForeignError as error:
        raise RecordError(str(error)) from error
    except (ValueError, KeyError, TypeError) as error:
        raise RecordError(f"{what} entry: not readable: {shown(error)}") from error


def is_line(text: object, longest: int) -> bool:
    """Whether it is a short line of text, of one character at least."""
    return isinstance(text, str) and 0 < len(text) <= longest and text.isprintable()
