"""A backup's file: any program that reads tar takes it apart, and no byte of it may be another."""

import hashlib
import io
import json
import tarfile
from dataclasses import replace
from pathlib import Path

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store import archive
from plantigrade_gateway.store.archive import About, extract, is_one, verified, write

ABOUT = About(1, "2.0.0", "2026-03-02T09:00:00+00:00", 9, 4, 3)


def made(folder: Path, about: About = ABOUT) -> Path:
    """A backup of two files: of 513 bytes, and of exactly one block."""
    (folder / "store").write_bytes(bytes(range(256)) * 2 + b"x")
    (folder / "people").write_bytes(b"p" * 512)
    path = folder / "backup.tar"
    with path.open("wb") as file:
        write(file, about, {"store.sqlite3": folder / "store", "people.jsonl": folder / "people"})
    return path


def read(path: Path) -> About:
    with path.open("rb") as file:
        return verified(path, file)


def test_tar_takes_it_apart_and_its_hash_is_of_every_byte_before(tmp_path):
    """Blocks of 512 bytes, as POSIX says: a head each, text, two, one, the hash, an end of two."""
    path = made(tmp_path)
    with tarfile.open(path, "r:") as opened:
        members = opened.getmembers()
        parts = {one.name: opened.extractfile(one).read() for one in members}  # type: ignore[union-attr]
    assert list(parts) == ["plantigrade-backup.json", "store.sqlite3", "people.jsonl", "sha256"]
    assert {(one.mode, one.isfile()) for one in members} == {(0o600, True)}
    assert parts["store.sqlite3"] == bytes(range(256)) * 2 + b"x"
    assert json.loads(parts["plantigrade-backup.json"])["sessions"] == 3
    data = path.read_bytes()
    assert len(data) == 512 * ((1 + 1) + (1 + 2) + (1 + 1) + (1 + 1) + 2)
    assert parts["sha256"].decode() == hashlib.sha256(data[: -4 * 512]).hexdigest()
    assert read(path) == ABOUT and is_one(path)


def test_a_member_is_copied_out_or_is_not_there(tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "_READ", 100)  # in several turns
    path = made(tmp_path)
    assert read(path) == ABOUT
    with path.open("rb") as file:
        for name, size in (("store.sqlite3", 513), ("people.jsonl", 512)):
            to = io.BytesIO()
            assert extract(file, name, to)
            assert len(to.getvalue()) == size
        assert to.getvalue() == b"p" * 512
        assert not extract(file, "notes.txt", to)


@pytest.mark.parametrize("at", [600, 1100, 2600, -1030, -1])
def test_a_byte_that_is_another_is_seen(tmp_path, at):
    path = made(tmp_path)
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)
    with pytest.raises(InputError, match=rf"is not whole, .*\({len(data)} bytes") as refused:
        read(path)
    assert str(refused.value).startswith(f"backup {path}: ")
    assert is_one(path)  # by its beginning


@pytest.mark.parametrize("cut", [1, 512, 1024, 3000, 5000])
def test_one_that_was_cut_off_or_goes_on_is_seen(tmp_path, cut):
    path = made(tmp_path)
    data = path.read_bytes()
    for spoilt in (data[:-cut], data + bytes(cut)):
        path.write_bytes(spoilt)
        with pytest.raises(InputError, match="is not whole"):
            read(path)


@pytest.mark.parametrize("data", [b"", b"\0" * 4096, b"SQLite format 3\0" * 100])
def test_what_is_no_backup_is_refused(tmp_path, data):
    path = tmp_path / "notes"
    path.write_bytes(data)
    assert not is_one(path)
    with pytest.raises(
        InputError, match="is no backup of Plantigrade, or its beginning is missing"
    ):
        read(path)


def test_one_of_a_newer_version_says_which(tmp_path):
    path = made(tmp_path, replace(ABOUT, format=2, program="9.1"))
    with pytest.raises(InputError, match=r"newer version of Plantigrade \(9\.1\); restore it with"):
        read(path)


@pytest.mark.parametrize("change", [{"format": "one"}, {"sessions": None}])
def test_one_that_says_nonsense_of_itself_is_refused(tmp_path, change):
    path = made(tmp_path, replace(ABOUT, **change))
    with pytest.raises(InputError, match="what it says of itself cannot be read"):
        read(path)


def test_a_file_that_shrinks_while_it_is_copied_is_an_error(tmp_path):
    with pytest.raises(OSError, match="became shorter while it was read"):
        list(archive._copied(io.BytesIO(b"1234"), 5))
    assert list(archive._copied(io.BytesIO(b"12345"), 4)) == [b"1234"]
