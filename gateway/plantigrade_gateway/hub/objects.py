"""Records as objects: in a folder, or in any S3-compatible store (through ``obstore``).

Says nothing of what is in them. What was put is there for good when `put` returns: in a folder it
is synced to the disk, in another store its own word is taken for it.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import TYPE_CHECKING

import obstore
from obstore.exceptions import BaseError
from obstore.store import LocalStore, from_url

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.store.snapshot import sync

if TYPE_CHECKING:
    from obstore.store import ObjectStore

_PART_BYTES = 8 << 20  # of a long object: S3 takes no less than 5 MiB
_READ_BYTES = 4 << 20


class Objects:
    """An object store.

    Parameters
    ----------
    store : obstore's store
    folder : Path or None
        Where it lies, if it is a folder.
    """

    def __init__(self, store: "ObjectStore", folder: Path | None) -> None:
        self._store = store
        self._folder = folder
        self._refused = False  # what was to be put last

    @classmethod
    def of(cls, place: str) -> "Objects":
        """Return the object store of a place.

        Parameters
        ----------
        place : str
            A folder, which is made, or a URL such as ``s3://bucket/prefix``; what else an S3 store
            needs comes from the environment (``AWS_ACCESS_KEY_ID`` and so on), no secret from here.

        Raises
        ------
        InputError
            It cannot be used.
        """
        try:
            if "://" in place:
                return cls(from_url(place), None)
            folder = Path(place).absolute()
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            return cls(LocalStore(prefix=folder, automatic_cleanup=True), folder)
        except (BaseError, OSError, ValueError) as error:
            raise InputError(f"objects {place}: cannot be used ({_reason(error)})") from error

    def put(self, name: str, data: bytes | Iterable[bytes]) -> None:
        """Keep an object under a name, in place of one that was there.

        Parameters
        ----------
        name : str
        data : bytes or iterable of bytes
            What an iterable gives is held in a temporary file.

        Raises
        ------
        StoreError
            The store refuses: what was there before is there still.
        """
        with self._putting(name):
            if isinstance(data, bytes):
                obstore.put(self._store, name, data, use_multipart=False)
            else:
                # Not straight from the iterable: it may read objects itself, which inside of a
                # `put` cannot be; and one that fails half-way must leave no object behind.
                with NamedTemporaryFile() as file:
                    file.writelines(data)
                    file.flush()
                    path = Path(file.name)
                    obstore.put(self._store, name, path, chunk_size=_PART_BYTES, max_concurrency=2)
            if self._folder is not None:
                _sync(self._folder, self._folder / name)

    def put_all(self, objects: Sequence[tuple[str, bytes]]) -> None:
        """Keep several objects, as `put` keeps one; which of them are there if it fails is open."""
        if len(objects) < 2 or self._folder is None:
            for name, data in objects:
                self.put(name, data)
            return
        with self._putting(objects[0][0]):
            for name, data in objects:
                obstore.put(self._store, name, data, use_multipart=False)
            paths = [self._folder / name for name, _ in objects]
            for path in paths:
                sync(path)
            for folder in {path.parent for path in paths}:
                _sync_folder(self._folder, folder, len(paths))

    @contextmanager
    def _putting(self, name: str) -> Iterator[None]:
        try:
            with _explained(name):
                yield
        except StoreError:
            self._refused = True
            raise
        self._refused = False

    def is_taking(self) -> bool:
        """Whether objects can be put, as far as is seen without putting one.

        A folder must be writable, by its rights and its disk; and what was to be put last was.
        """
        return not self._refused and (
            self._folder is None or os.access(self._folder, os.W_OK | os.X_OK)
        )

    def get(self, name: str) -> bytes | None:
        """Return an object; None: there is none."""
        with _explained(name):
            try:
                return bytes(obstore.get(self._store, name).bytes())
            except FileNotFoundError:
                return None

    def pieces(self, name: str) -> Iterator[bytes]:
        """Give an object in pieces of some megabytes; nothing of one that is not there."""
        with _explained(name):
            try:
                found = obstore.get(self._store, name)
            except FileNotFoundError:
                return
            for piece in found.stream(min_chunk_size=_READ_BYTES):
                yield bytes(piece)

    def names(self, prefix: str) -> Iterator[str]:
        """Give the names of the objects under a prefix, a whole folder of names.

        In a folder, files that somebody else put there, whose names can be no object's, are left
        out: the store itself ends its list at the first of them.
        """
        with _explained(prefix):
            if self._folder is not None:
                yield from _files(self._folder, prefix)
                return
            for rows in obstore.list(self._store, prefix):
                yield from (str(row["path"]) for row in rows)

    def delete(self, names: Iterable[str]) -> None:
        """Delete objects; one that is not there is no error."""
        for name in names:
            with _explained(name):
                try:
                    obstore.delete(self._store, name)
                except FileNotFoundError:
                    continue

    def delete_all(self, prefix: str) -> None:
        """Delete the objects under a prefix."""
        self.delete(list(self.names(prefix)))


def _files(folder: Path, prefix: str) -> Iterator[str]:
    for place, _, names in os.walk(folder / prefix, onerror=_unless_missing):
        for name in names:
            path = Path(place, name)
            if name.isascii() and name.isprintable() and path.is_file() and not path.is_symlink():
                yield path.relative_to(folder).as_posix()


def _unless_missing(error: OSError) -> None:
    if not isinstance(error, FileNotFoundError):
        raise error


def _sync(folder: Path, path: Path) -> None:
    """Have a file and its names on the disk; the store itself leaves both to the system."""
    sync(path)
    _sync_folder(folder, path.parent, 1)


def _sync_folder(store: Path, folder: Path, new: int) -> None:
    """Have a folder with so many new files on the disk, and its own name."""
    sync(folder)
    if len(os.listdir(folder)) <= new:  # the folder may be as new as the files
        for each in folder.parents:
            sync(each)
            if each == store:
                break


@contextmanager
def _explained(name: str) -> Iterator[None]:
    """Turn what a store refuses into one sentence."""
    try:
        yield
    except FileNotFoundError:
        raise
    except (BaseError, OSError, ValueError) as error:
        raise StoreError(f"object {name}: the object store refuses ({_reason(error)})") from error


def _reason(error: BaseException) -> str:
    """Return the first line of an error's text: what follows is for the library's own makers."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error).partition("\n")[0] or type(error).__name__
