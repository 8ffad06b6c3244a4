"""JSON and TOML that somebody else wrote, read within bounds.

A text that is too long, nested too deep, or holds a number that no 64 bits hold is refused before
it costs anything; what is read holds no sign that steers a terminal and no half of a character.
The limits are ours: far above what any file of this project needs.
"""

import json
import re
import tomllib
from collections.abc import Iterator
from typing import Any

from plantigrade.errors import ForeignError, plain, shown

MOST_BYTES = 1 << 20
"""Of one text, unless the reader says less."""
MOST_DEEP = 32
"""Tables and lists inside each other; of a dotted TOML key, its parts."""

_BITS = 63
# A string is left out as a whole; one that is never closed ends with the text, so that no sign is
# looked at twice.
_JSON_SIGNS = re.compile(r'"(?:[^"\\]++|\\.)*+(?:"|\Z)?|[\[{\]}]', re.DOTALL)
_TOML_SIGNS = re.compile(
    r'"""(?:[^"\\]++|\\.|"(?!""))*+(?:"""|\Z)?'
    r"|'''(?:[^']++|'(?!''))*+(?:'''|\Z)?"
    r'|"(?:[^"\\\n]++|\\.)*+"?'
    r"|'[^'\n]*+'?"
    r"|\#[^\n]*+"
    r"|[\[{\]},=\n.]",
    re.DOTALL,
)


def read_json(data: bytes | bytearray | str, what: str, most_bytes: int = MOST_BYTES) -> Any:  # noqa: ANN401
    """Read JSON.

    Parameters
    ----------
    data : bytes or str
        Bytes are UTF-8, with or without a byte-order mark.
    what : str
        What it is, for the error: a file, or the kind of a message.
    most_bytes : int
        The longest that is looked at; of a str, characters.

    Returns
    -------
    object
        Any JSON value; NaN and Infinity, which Python writes, are numbers too.

    Raises
    ------
    ForeignError
        One sentence: what it is, what is wrong, what was expected.
    """
    text = _text(data, what, most_bytes)
    depth = 0
    for sign in _signs(_JSON_SIGNS, text):
        depth = _deeper(depth, sign, what)
    try:
        return _bounded(json.loads(text), what)
    except ValueError as error:
        raise _not("JSON", what, error) from error


def read_toml(data: bytes | str, what: str) -> dict[str, Any]:
    """Read TOML, as `read_json` reads JSON."""
    text = _text(data, what, MOST_BYTES)
    depth = dots = 0
    for sign in _signs(_TOML_SIGNS, text):
        depth = _deeper(depth, sign, what)
        dots = dots + 1 if sign == "." else 0
        if dots >= MOST_DEEP:
            raise ForeignError(f"{what}: a key of too many parts, expected at most {MOST_DEEP}")
    try:
        table: dict[str, Any] = _bounded(tomllib.loads(text), what)
    except ValueError as error:
        raise _not("TOML", what, error) from error
    return table


def _text(data: bytes | bytearray | str, what: str, most_bytes: int) -> str:
    if len(data) > most_bytes:
        raise ForeignError(f"{what}: longer than {most_bytes} bytes, expected no more")
    if isinstance(data, str):
        return data.removeprefix("\ufeff")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ForeignError(
            f"{what}: cannot be read: not UTF-8 text at byte {error.start}"
        ) from error


def _signs(pattern: re.Pattern[str], text: str) -> Iterator[str]:
    """Yield the signs outside strings and comments."""
    for match in pattern.finditer(text):
        if match.end() - match.start() == 1:
            yield match[0]


def _deeper(depth: int, sign: str, what: str) -> int:
    depth += (sign in "[{") - (sign in "]}")
    _check_depth(depth, what)
    return depth


def _check_depth(depth: int, what: str) -> None:
    if depth > MOST_DEEP:
        raise ForeignError(f"{what}: nested more than {MOST_DEEP} deep, expected less")


def _not(form: str, what: str, error: ValueError) -> ForeignError:
    if isinstance(error, ForeignError):
        return error
    # The limit of Python's own on the digits of a whole number tells of functions of Python's.
    long = "integer string conversion" in str(error)
    reason = "a number has too many digits" if long else plain(str(error))
    return ForeignError(f"{what}: is not {form}: {shown(reason, quoted=False)}")


def _bounded(value: Any, what: str, depth: int = 0) -> Any:  # noqa: ANN401 - any JSON or TOML
    """Return a value with its texts made plain and its numbers checked."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, dict):
        _check_depth(depth, what)  # dotted keys in tables in each other have no brackets
        return {plain(key): _bounded(item, what, depth + 1) for key, item in value.items()}
    if isinstance(value, list):
        _check_depth(depth, what)
        return [_bounded(item, what, depth + 1) for item in value]
    if isinstance(value, int) and not -(1 << _BITS) <= value < 1 << _BITS:
        raise ForeignError(f"{what}: a whole number of more than 64 bits, expected a smaller one")
    return value
