"""The file of a backup: a tar archive that ends with the SHA-256 of every byte before its check.

Any program that reads tar can take it apart. Its first member says what it is, its last one holds
the hash, and both have a fixed form, so one byte that is missing, other or too many is seen.
"""

import hashlib
import json
import os
import tarfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import BinaryIO

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade_gateway.converter import made
from plantigrade_gateway.errors import InputError

FORMAT = 1
"""Raised when a program of today could not restore the file; the first and the last member stay."""
STORE = "store.sqlite3"
PEOPLE = "people.jsonl"
_ABOUT = "plantigrade-backup.json"
_CHECK = "sha256"
_BLOCK = 512  # of tar
_END = bytes(2 * _BLOCK)
_READ = 1 << 20
_MOST_ABOUT = 1 << 16


@dataclass(frozen=True, slots=True)
class About:
    """What a backup says of itself.

    Attributes
    ----------
    format : int
        `FORMAT` of the program that wrote it.
    program : str
        Its version.
    made_utc : str
    store_version, people_version : int
        Of the tables in it.
    sessions : int
    """

    format: int
    program: str
    made_utc: str
    store_version: int
    people_version: int
    sessions: int


def write(file: BinaryIO, about: About, members: Mapping[str, Path]) -> None:
    """Write an archive of files, from where the file stands."""
    digest = hashlib.sha256()
    for part in _parts(about, members):
        digest.update(part)
        file.write(part)
    file.write(_tail(digest.hexdigest()))


def _parts(about: About, members: Mapping[str, Path]) -> Iterator[bytes]:
    text = json.dumps(asdict(about), indent=1).encode()
    yield _header(_ABOUT, len(text)) + _padded(text)
    for name, path in members.items():
        size = path.stat().st_size
        yield _header(name, size)
        with open(path, "rb") as file:
            yield from _copied(file, size)
        yield _padding(size)


def _copied(file: BinaryIO, size: int) -> Iterator[bytes]:
    left = size
    while left:
        data = file.read(min(_READ, left))
        if not data:
            raise OSError("became shorter while it was read")
        yield data
        left -= len(data)


def _header(name: str, size: int) -> bytes:
    info = tarfile.TarInfo(name)
    info.size, info.mode = size, 0o600
    return info.tobuf(tarfile.GNU_FORMAT)


def _padding(size: int) -> bytes:
    return bytes(-size % _BLOCK)


def _padded(data: bytes) -> bytes:
    return data + _padding(len(data))


def _tail(digest: str) -> bytes:
    return _header(_CHECK, len(digest)) + _padded(digest.encode()) + _END


def verified(path: Path, file: BinaryIO) -> About:
    """Read all of a backup and return what it says of itself.

    Raises
    ------
    InputError
        It is no backup, not all of it is there, a byte is another, a newer version of the program
        wrote it, or it holds something else than plain files with a store among them.
    OSError
        It cannot be read.
    """
    first = file.read(_BLOCK)
    if not _is_one(first):
        raise InputError(f"backup {path}: is no backup of Plantigrade, or its beginning is missing")
    size, end = os.fstat(file.fileno()).st_size, len(_tail("0" * 64))
    digest = hashlib.sha256(first)
    for data in _until(file, size - end - len(first)):
        digest.update(data)
    if file.read() != _tail(digest.hexdigest()):
        raise InputError(
            f"backup {path}: is not whole, it was cut off or changed ({size} bytes, and they do "
            "not have the hash that it ends with); take another"
        )
    if STORE not in _members(file, size - end):
        raise InputError(f"backup {path}: is not as Plantigrade writes one; take another")
    with tarfile.open(fileobj=_from_start(file), mode="r:") as archive:
        return _about(path, _read(archive, _ABOUT))


def _members(file: BinaryIO, end: int) -> set[str]:
    """Return the members' names; of what is not as `write` writes it, none.

    Anybody can reckon a hash: tar knows of links, folders and files with holes, too, and of sizes
    below 0, which lead back to a member that was read already.
    """
    found, at = set(), 0
    while at < end:
        file.seek(at)
        header = file.read(_BLOCK)
        try:
            info = tarfile.TarInfo.frombuf(header, "utf-8", "strict")
            if info.size < 0 or header != _header(info.name, info.size):
                return set()
        except (tarfile.HeaderError, ValueError):
            return set()
        found.add(info.name)
        at += _BLOCK + info.size + len(_padding(info.size))
    return found if at == end else set()


def is_one(path: Path) -> bool:
    """Return whether a file begins as a backup; it may be cut off or changed."""
    with open(path, "rb") as file:
        return _is_one(file.read(_BLOCK))


def _is_one(first: bytes) -> bool:
    return first[:100].rstrip(b"\0") == _ABOUT.encode()


def _until(file: BinaryIO, size: int) -> Iterator[bytes]:
    """Give the bytes that follow, as many as there are up to a number; none below 0."""
    while size > 0 and (data := file.read(min(_READ, size))):
        yield data
        size -= len(data)


def _from_start(file: BinaryIO) -> BinaryIO:
    file.seek(0)
    return file


def _read(archive: tarfile.TarFile, name: str) -> bytes:
    member = archive.extractfile(name)
    assert member is not None  # a plain file
    return member.read(_MOST_ABOUT)


def _about(path: Path, data: bytes) -> About:
    try:
        read = read_json(data, f"backup {path}", _MOST_ABOUT)
        version = read.get("format") if isinstance(read, dict) else None
        if isinstance(version, int) and version > FORMAT:
            raise InputError(
                f"backup {path}: was written by a newer version of Plantigrade "
                f"({shown(read.get('program'), quoted=False)}); restore it with that version"
            )
        return made(About, read)
    except (ForeignError, ValueError) as error:
        raise InputError(f"backup {path}: what it says of itself cannot be read") from error


def extract(file: BinaryIO, name: str, to: BinaryIO) -> bool:
    """Copy a member of a verified backup; return whether it is there."""
    with tarfile.open(fileobj=_from_start(file), mode="r:") as archive:
        try:
            member = archive.extractfile(name)
        except KeyError:
            return False
        assert member is not None  # a plain file
        while data := member.read(_READ):
            to.write(data)
    return True
