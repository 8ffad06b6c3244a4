"""What is asked of the process that decodes photos, and what its answers come to; without it."""

import json
import subprocess
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints import apart
from plantigrade_gateway.prints.apart import flat_of

SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 150.0), (0.0, 150.0)]
FOUND = {
    "pitch_mm": 0.5,
    "paper": "A4",
    "target": True,
    "mirrored": False,
    "off_mm": 0.2,
    "px_per_mm": 4.0,
}


@pytest.fixture
def asked(monkeypatch) -> list[dict[str, Any]]:
    """What the other process is given; it answers as `answers` of the test's module says."""
    found: list[dict[str, Any]] = []
    monkeypatch.setattr(apart, "need", lambda *_: None)

    def run(command: list[str], **more: Any) -> SimpleNamespace:
        head, _, photo = more["input"].partition(b"\n")
        found.append({**json.loads(head), "photo": photo, "limit_s": more["timeout"]})
        picture = np.arange(24, dtype=np.uint8).reshape(2, 4, 3)
        said = json.dumps({**FOUND, "shape": [2, 4, 3]}).encode()
        return SimpleNamespace(returncode=0, stdout=said + b"\n" + picture.tobytes() + b"JPEG\n..")

    monkeypatch.setattr(subprocess, "run", run)
    return found


def answered(monkeypatch, returncode: int, stdout: bytes) -> None:
    monkeypatch.setattr(apart, "need", lambda *_: None)
    done = SimpleNamespace(returncode=returncode, stdout=stdout)
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: done)


def test_a_picture_and_its_file_come_back_whole(asked):
    flat = flat_of(b"\xff\xd8\nphoto", paper="a4", corners=SQUARE, mirrored=True)
    (wanted,) = asked
    assert wanted["photo"] == b"\xff\xd8\nphoto" and wanted["limit_s"] == 60.0
    assert (wanted["paper"], wanted["mirrored"]) == ("a4", True)
    assert wanted["corners"] == [list(point) for point in SQUARE]
    assert flat.picture.shape == (2, 4, 3) and flat.picture.ravel().tolist() == list(range(24))
    assert flat.jpeg == b"JPEG\n.."
    assert (flat.pitch_mm, flat.off_mm, flat.px_per_mm) == (0.5, 0.2, 4.0)


def test_a_sheet_is_told_from_the_target_page(asked):
    flat = flat_of(b"photo")
    assert asked[0]["paper"] is None and asked[0]["mirrored"] is False
    assert flat.sheet == "A4 target"
    assert replace(flat, target=False).sheet == "A4"


@pytest.mark.parametrize(
    ("code", "stdout", "said"),
    [
        (0, b'{"error": "photo: is no JPEG or PNG file"}\n', "photo: is no JPEG or PNG file"),
        (1, b"", "photo: cannot be read within the memory and time that it may take"),
        (-9, b"{}\n", "photo: cannot be read within the memory and time that it may take"),
        (0, b"", "photo: cannot be read within the memory and time that it may take"),
    ],
)
def test_what_it_cannot_read_is_a_sentence(monkeypatch, code, stdout, said):
    answered(monkeypatch, code, stdout)
    with pytest.raises(InputError) as refused:
        flat_of(b"photo")
    assert str(refused.value) == said


def test_one_that_takes_too_long_is_a_sentence(monkeypatch):
    def late(*_: object, **__: object) -> None:
        raise subprocess.TimeoutExpired("child", 60.0)

    answered(monkeypatch, 0, b"")
    monkeypatch.setattr(subprocess, "run", late)
    with pytest.raises(InputError, match="photo: takes too long to read"):
        flat_of(b"photo")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"paper": "a5"}, "paper: is 'a5', expected one of a4, letter"),
        ({"corners": SQUARE[:3]}, "corners: 3 are given, expected four"),
        ({"corners": [*SQUARE[:3], (0.0, float("nan"))]}, "corners: expected finite pixels, 100,"),
        ({"corners": [*SQUARE[:3], (0.0, 100_001.0)]}, "corners: expected finite pixels, 100,000"),
        ({"corners": [SQUARE[k] for k in (0, 2, 1, 3)]}, "corners: expected the four of a sheet"),
        (
            {"corners": [(0.0, 0.0), (50.0, 0.0), (100.0, 0.0), (50.0, 90.0)]},
            "corners: expected th",
        ),
        ({"corners": [(0.0, 0.0)] * 4}, "corners: expected the four of a sheet"),
    ],
)
def test_what_cannot_be_asked_is_refused_before(asked, given, said):
    with pytest.raises(InputError) as refused:
        flat_of(b"photo", **given)
    assert str(refused.value).startswith(said) and asked == []


def test_corners_go_around_either_way_and_up_to_the_farthest(asked):
    flat_of(b"photo", corners=SQUARE[::-1])
    flat_of(b"photo", corners=[(x * 1000.0, y * 600.0) for x, y in SQUARE])
    assert len(asked) == 2


def test_a_photo_is_25_megabytes_at_most(asked):
    flat_of(bytes(25_000_000))
    with pytest.raises(InputError, match="longer than 25,000,000 bytes, expected no more"):
        flat_of(bytes(25_000_001))
    assert len(asked) == 1
