"""Malformed, huge and hostile photos: one sentence each, and memory that is bounded."""

import os
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from tests.support.camera import Camera, photograph

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints import apart, child
from plantigrade_gateway.prints.apart import MOST_PHOTO_BYTES, flat_of

pytestmark = pytest.mark.dear


def png(width: int, height: int, rows: int | None = None, kind: bytes = b"IDAT") -> bytes:
    """A grey PNG of a size that its head claims, black, with as many rows as are asked for."""
    deflate = zlib.compressobj(9)
    row = bytes(min(width, 10_000_000) + 1)
    body = b"".join(deflate.compress(row) for _ in range(height if rows is None else rows))
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), (kind, body + deflate.flush()), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )


def jpeg() -> bytes:
    small = Camera(width=1200, height=900, focal=870.0)
    return photograph(np.ones((10, 10)), None, small, (210.0, 297.0))


def huge_jpeg() -> bytes:
    """A JPEG of which the head claims 65,500 × 65,500 pixels."""
    data = bytearray(jpeg())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 65500, 65500)
    return bytes(data)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: b"", "expected a JPEG or PNG"),
        (lambda: b"GIF89a" + bytes(1000), "expected a JPEG or PNG"),
        (lambda: b"II*\0" + bytes(1000), "expected a JPEG or PNG"),
        (lambda: b"<svg xmlns='http://www.w3.org/2000/svg'/>", "expected a JPEG or PNG"),
        (lambda: b"\xff\xd8\xff", "damaged"),
        (lambda: b"\xff\xd8\xff" + bytes(range(256)) * 400, "damaged"),
        (lambda: jpeg()[:2000], "damaged"),
        (lambda: png(0, 0), "damaged"),
        (lambda: png(8, 8, kind=b"IDAx"), "damaged"),
        (lambda: png(60_000, 60_000, rows=2000), "more than 50,000,000 pixels"),
        (lambda: png(8_000, 6_300, rows=2000), "more than 50,000,000 pixels"),
        (huge_jpeg, "more than 50,000,000 pixels"),
        (lambda: png(1, 1), "no target page"),
        (lambda: png(7_000, 7_000), "no target page"),
        (lambda: bytes(MOST_PHOTO_BYTES + 1), "longer than"),
    ],
)
@pytest.mark.slow
def test_each_is_refused_in_one_sentence(make, says):
    with pytest.raises(InputError, match=says) as raised:
        flat_of(make())
    assert "\n" not in str(raised.value)


@pytest.mark.slow
def test_spoilt_photos_give_nothing_but_our_own_refusal():
    random, good = np.random.default_rng(3), jpeg()
    for _ in range(12):
        data = bytearray(good)
        for place in random.integers(2, len(data), 30):
            data[place] = random.integers(0, 256)
        with pytest.raises(InputError):
            flat_of(bytes(data))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such bound")
def test_the_process_that_decodes_cannot_take_more_memory_than_is_said():
    code = (
        "from plantigrade_gateway.prints import apart, child\nchild.bound()\n"
        "try:\n    bytearray(child.MOST_MEMORY)\nexcept MemoryError:\n    print('refused')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "refused"


def test_a_decoder_that_dies_or_never_ends_is_one_sentence(monkeypatch):
    """A child in its place that is killed by a signal, and one that goes on for good."""
    run = subprocess.run

    def instead(code: str) -> Callable[..., subprocess.CompletedProcess[bytes]]:
        def ran(_: object, **how: Any) -> subprocess.CompletedProcess[bytes]:
            return run([sys.executable, "-c", code], **how)

        return ran

    monkeypatch.setattr(subprocess, "run", instead("import os; os.kill(os.getpid(), 9)"))
    with pytest.raises(InputError, match="memory and time"):
        flat_of(jpeg())
    monkeypatch.setattr(apart, "_MOST_S", 0.5)
    monkeypatch.setattr(subprocess, "run", instead("import time; time.sleep(60)"))
    with pytest.raises(InputError, match="too long"):
        flat_of(jpeg())


def test_nothing_is_decoded_in_the_service():
    code = (
        "import sys\nfrom plantigrade_gateway.prints import apart, ink, sheet, target\n"
        "from plantigrade_gateway.errors import InputError\n"
        "try:\n    apart.flat_of(b'\\xff\\xd8\\xff')\nexcept InputError:\n    pass\n"
        "print('cv2' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"paper": "a5"}, "expected one of a4, letter"),
        ({"paper": "a4", "corners": [(0.0, 0.0)] * 3}, "expected four"),
        ({"paper": "a4", "corners": [(0.0, 0.0)] * 4}, "corners"),
        ({"paper": "a4", "corners": [(float("nan"), 0.0)] * 4}, "finite"),
        ({"paper": "a4", "corners": [(0, 0), (1e300, 0), (1e300, 1e300), (0, 1e300)]}, "finite"),
        ({"paper": "a4", "corners": [(0, 0), (9, 9), (9, 0), (0, 9)]}, "in order around"),
    ],
)
def test_corners_and_paper_that_make_no_sense_are_refused(given, says):
    with pytest.raises(InputError, match=says):
        flat_of(jpeg(), **given)


def test_without_the_library_the_way_to_it_is_said(monkeypatch):
    monkeypatch.setitem(sys.modules, "cv2", None)
    with pytest.raises(InputError, match=r"plantigrade\[prints\]"):
        flat_of(jpeg())
    assert child.MOST_PIXELS * 3 * 2 < child.MOST_MEMORY
    assert os.environ.get("OPENCV_IO_MAX_IMAGE_PIXELS") is None  # bounds are the child's alone
