"""Objects in a real folder: what was put is there, what was not is none; refusals."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.hub.objects import Objects, _explained

MEGABYTE = 1 << 20


@pytest.fixture
def objects(tmp_path: Path) -> Objects:
    return Objects.of(str(tmp_path / "new" / "objects"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "new" / "objects"


def names(objects: Objects, prefix: str = "") -> list[str]:
    return sorted(objects.names(prefix))


def test_what_was_put_is_there_and_replaced_by_what_is_put_next(objects, folder):
    assert folder.is_dir() and folder.stat().st_mode & 0o077 == 0  # its owner's alone
    assert objects.get("pieces/a/1.x") is None
    objects.put("pieces/a/1.x", b"one")
    assert objects.get("pieces/a/1.x") == (folder / "pieces/a/1.x").read_bytes() == b"one"
    objects.put("pieces/a/1.x", b"two")
    assert objects.get("pieces/a/1.x") == b"two"
    assert objects.is_taking()


def test_a_long_one_is_put_and_given_in_pieces(objects):
    parts = [bytes([k]) * MEGABYTE for k in range(9)]
    objects.put("sessions/a/9.pgr", iter(parts))
    found = list(objects.pieces("sessions/a/9.pgr"))
    assert len(found) > 1 and b"".join(found) == b"".join(parts)
    assert list(objects.pieces("sessions/b/9.pgr")) == []


def test_one_that_fails_half_way_leaves_what_was_there(objects):
    def failing() -> Iterator[bytes]:
        yield b"half"
        raise StoreError("a piece is spoilt")

    objects.put("sessions/a/1.pgr", b"whole")
    with pytest.raises(StoreError, match="a piece is spoilt"):
        objects.put("sessions/a/1.pgr", failing())
    assert objects.get("sessions/a/1.pgr") == b"whole"
    assert not objects.is_taking()  # what was to be put last was not
    objects.put("sessions/a/2.pgr", iter([b"later"]))
    assert objects.is_taking()


def test_several_are_put_at_once(objects):
    objects.put_all([])
    objects.put_all([("pieces/a/0.x", b"0")])
    objects.put_all([(f"pieces/{name}/{k}.x", b"%d" % k) for name in "ab" for k in (1, 2)])
    assert names(objects) == [
        *("pieces/a/0.x", "pieces/a/1.x", "pieces/a/2.x"),
        *("pieces/b/1.x", "pieces/b/2.x"),
    ]
    assert objects.get("pieces/b/2.x") == b"2"
    assert names(objects, "pieces/b") == ["pieces/b/1.x", "pieces/b/2.x"]
    assert names(objects, "sessions") == []


def test_what_can_be_no_object_s_name_is_left_out(objects, folder):
    objects.put("pieces/a/1.x", b"one")
    (folder / "pieces" / "größe").write_bytes(b"")
    (folder / "pieces" / "tab\there").write_bytes(b"")
    (folder / "pieces" / "link").symlink_to(folder / "pieces/a/1.x")
    (folder / "pieces" / "empty").mkdir()
    assert names(objects) == ["pieces/a/1.x"]


def test_deleting_what_is_not_there_is_no_error(objects):
    for name in ("pieces/a/1.x", "pieces/a/2.x", "pieces/b/1.x", "sessions/a/1.pgr"):
        objects.put(name, b"")
    objects.delete(["pieces/a/1.x", "pieces/a/1.x", "never/was", "sessions/a/1.pgr"])
    assert names(objects) == ["pieces/a/2.x", "pieces/b/1.x"]
    objects.delete_all("pieces/a")
    objects.delete_all("pieces/a")
    assert names(objects) == ["pieces/b/1.x"]


def test_a_refusal_is_a_sentence_and_remembered_until_one_is_taken(objects, folder):
    (folder / "pieces").write_bytes(b"a file where a folder should be")
    with pytest.raises(
        StoreError, match=r"^object pieces/a/1\.x: the object store refuses \("
    ) as no:
        objects.put("pieces/a/1.x", b"one")
    assert "\n" not in str(no.value) and not objects.is_taking()
    with pytest.raises(StoreError, match=r"^object pieces/a/1\.x: the object store refuses \("):
        objects.put_all([("pieces/a/1.x", b"1"), ("pieces/a/2.x", b"2")])
    (folder / "pieces").unlink()
    objects.put("pieces/a/1.x", b"one")
    assert objects.is_taking()


def test_a_folder_that_cannot_be_written_takes_nothing(objects, monkeypatch):
    asked: list[int] = []
    monkeypatch.setattr(os, "access", lambda _, how: asked.append(how))
    assert not objects.is_taking() and asked == [os.W_OK | os.X_OK]


@pytest.mark.parametrize("place", ["nothing://here", "{}/file/objects"])
def test_a_place_that_cannot_be_used_is_refused(tmp_path, place):
    (tmp_path / "file").write_bytes(b"")
    where = place.format(tmp_path)
    with pytest.raises(InputError) as refused:
        Objects.of(where)
    assert str(refused.value).startswith(f"objects {where}: cannot be used (")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(28, "No space left on device"), "No space left on device"),
        (OSError("of its own"), "of its own"),
        (ValueError("first line\nfor its makers"), "first line"),
        (ValueError(), "ValueError"),
    ],
)
def test_why_a_store_refuses_is_the_system_s_word_or_the_first_line(error, says):
    with (
        pytest.raises(StoreError, match=f"^object x: the object store refuses [(]{says}[)]$"),
        _explained("x"),
    ):
        raise error
