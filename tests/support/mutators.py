"""Ways to spoil an input: each takes chance and bytes, and gives other bytes."""

import re
from collections.abc import Callable
from random import Random

Mutator = Callable[[Random, bytes], bytes]

_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
_WORD = re.compile(rb"[A-Za-z_]+")
_NUMBERS = (
    *(b"0", b"-1", b"-0.0", b"1e999", b"-1e308", b"NaN", b"nan", b"Infinity", b"-inf", b"1e-320"),
    *(b"2147483648", b"9223372036854775807", b"-9223372036854775809", b"1" + b"0" * 400),
    *(b"9" * 5000, b"0x" + b"F" * 40, b"true", b'"1"', b"1.5.5", b"2026-01-01"),
)
_VALUES = (b"null", b"true", b"[]", b"{}", b'""', b"''", b"0", b"[[1]]", b'{"a": 1}', b"")
_SIGNS = (
    *(b"\0", b"\x1b[2J", b"\x7f", b"\x9b", b"\xff\xfe", b"\xed\xa0\x80", b"\\ud800", b"\\u0000"),
    *("\u202e".encode(), "\u2028".encode(), b"\\", b'"', b"'", b"\r", b"\n", b"\t", b"%00", b"%ff"),
    *(b"&", b"=", b"#", b"/../", b"+", b";", b"{{7*7}}", b"<b>", "\U0001f600".encode()),
)
_BRACKETS = (b"[", b"{", b"]", b"[[", b'{"a":', b"{a=", b"a.", b"(", b"'''", b'"""', b"[a.")


def _at(chance: Random, data: bytes) -> int:
    return chance.randint(0, len(data))


def _put(chance: Random, data: bytes, more: bytes) -> bytes:
    at = _at(chance, data)
    return data[:at] + more + data[at:]


def _swap(
    chance: Random, data: bytes, pattern: re.Pattern[bytes], others: tuple[bytes, ...]
) -> bytes:
    found = list(pattern.finditer(data))
    if not found:
        return _put(chance, data, chance.choice(others))
    which = chance.choice(found)
    return data[: which.start()] + chance.choice(others) + data[which.end() :]


def bit(chance: Random, data: bytes) -> bytes:
    """Turn one bit over, in one to eight places."""
    found = bytearray(data or b"\0")
    for _ in range(chance.randint(1, 8)):
        found[chance.randrange(len(found))] ^= 1 << chance.randrange(8)
    return bytes(found)


def cut(chance: Random, data: bytes) -> bytes:
    """End early."""
    return data[: _at(chance, data)]


def leave_out(chance: Random, data: bytes) -> bytes:
    """Leave a stretch out."""
    start, stop = sorted((_at(chance, data), _at(chance, data)))
    return data[:start] + data[stop:]


def repeat(chance: Random, data: bytes) -> bytes:
    """Have a stretch several times."""
    start, stop = sorted((_at(chance, data), _at(chance, data)))
    return data[:stop] + data[start:stop] * chance.choice((1, 2, 30)) + data[stop:]


def noise(chance: Random, data: bytes) -> bytes:
    """Put any bytes in."""
    return _put(chance, data, chance.randbytes(chance.choice((1, 4, 60, 3000))))


def nest(chance: Random, data: bytes) -> bytes:
    """Open many brackets."""
    return _put(chance, data, chance.choice(_BRACKETS) * chance.choice((2, 40, 1000, 20_000)))


def number(chance: Random, data: bytes) -> bytes:
    """Put another number in place of one."""
    return _swap(chance, data, _NUMBER, _NUMBERS)


def value(chance: Random, data: bytes) -> bytes:
    """Put a value of another kind in place of a number."""
    return _swap(chance, data, _NUMBER, _VALUES)


def word(chance: Random, data: bytes) -> bytes:
    """Put another word in place of one."""
    return _swap(chance, data, _WORD, (*_VALUES, b"nobody", b"name", b"zone", b"schema"))


def long(chance: Random, data: bytes) -> bytes:
    """Make something very long."""
    return _put(chance, data, chance.choice((b"a", b"1", b" ", b"\n", b",")) * 4000)


def sign(chance: Random, data: bytes) -> bytes:
    """Put in what steers terminals, ends strings or is no character."""
    return _put(chance, data, chance.choice(_SIGNS))


def lines(chance: Random, data: bytes) -> bytes:
    """Put lines into another order, some twice."""
    parts = data.splitlines(keepends=True)
    return b"".join(chance.choices(parts, k=len(parts))) if len(parts) > 1 else 2 * data


def recode(chance: Random, data: bytes) -> bytes:
    """Write it in another encoding."""
    text = data.decode("latin-1")
    return text.encode(chance.choice(("utf-16", "utf-32", "utf-8-sig", "utf-7")))


def nothing(chance: Random, data: bytes) -> bytes:
    """Leave nothing, or zeros."""
    return chance.choice((b"", b"\0" * len(data), b"\xff" * len(data)))


MUTATORS: tuple[Mutator, ...] = (
    *(bit, cut, leave_out, repeat, noise, nest, number, value, word, long, sign, lines, recode),
    nothing,
)


def mutated(chance: Random, seeds: list[bytes], mutator: Mutator) -> bytes:
    """Return one of the seeds spoilt in one way, and now and then in two more."""
    data = mutator(chance, chance.choice(seeds))
    for _ in range(chance.choice((0, 0, 0, 1, 2))):
        data = chance.choice(MUTATORS)(chance, data)
    return data
