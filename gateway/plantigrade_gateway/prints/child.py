"""The process that decodes one photo: bytes of a stranger in, a flat picture of the sheet out.

Its memory and time are bounded before a decoder is loaded; what goes wrong in it stays in it.
"""

import json
import os
import sys
from typing import TYPE_CHECKING, Any, BinaryIO

from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    import numpy as np

MOST_PIXELS = 50_000_000
"""Of a photo (ours): what telephones take at most in their usual settings."""
MOST_MEMORY = 1_500_000_000
"""Bytes of addresses that this process may have (ours)."""
MOST_CPU_S = 30
"""Processor time of this process (ours)."""
PITCH_MM = 0.5
"""Cells of the flat picture (ours)."""
_JPEG, _PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"


def main() -> None:
    """Read a line of JSON and a photo, write a line of JSON and a flat picture."""
    bound()
    out: dict[str, Any]
    try:
        out, picture = answer(sys.stdin.buffer)
    except InputError as error:
        out, picture = {"error": str(error)}, b""
    except MemoryError:
        out, picture = {"error": "photo: needs more memory than it may take"}, b""
    sys.stdout.buffer.write(json.dumps(out).encode() + b"\n" + picture)


def bound() -> None:
    """Bound this process, as far as the system can."""
    os.environ["OPENCV_IO_MAX_IMAGE_PIXELS"] = str(MOST_PIXELS)
    os.environ["OPENCV_LOG_LEVEL"] = "SILENT"
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # a thread's stack counts as memory
        os.environ[name] = "1"
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def answer(source: BinaryIO) -> tuple[dict[str, Any], bytes]:
    """Return what was found, and the flat picture twice: its cells, and as JPEG.

    Raises
    ------
    InputError
        The photo cannot be used: one sentence.
    """
    import numpy as np

    wanted = json.loads(source.readline())
    photo = decoded(source.read())

    import cv2

    from plantigrade_gateway.prints import finding
    from plantigrade_gateway.prints.sheet import PAPERS

    grey = np.asarray(cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    if wanted["paper"] is None:
        found = finding.find_target(grey)
    else:
        corners = None if wanted["corners"] is None else np.array(wanted["corners"], dtype=float)
        paper = PAPERS[wanted["paper"]]
        found = finding.find_sheet(grey, paper, corners, mirrored=wanted["mirrored"])
    area = found.paper.area(target=found.target)
    per_mm = finding.check_scale(found, area)
    flat = finding.flattened(photo, found, area, PITCH_MM)
    said = {
        "paper": found.paper.name,
        "target": found.target,
        "mirrored": found.mirrored,
        "off_mm": found.off_mm,
        "px_per_mm": per_mm,
        "pitch_mm": PITCH_MM,
        "shape": list(flat.shape),
    }
    _, jpeg = cv2.imencode(".jpg", flat, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return said, flat.tobytes() + jpeg.tobytes()


def decoded(data: bytes) -> "np.ndarray":
    """Return a photo as blue, green and red.

    Raises
    ------
    InputError
        It is no JPEG or PNG, has too many pixels, or is damaged.
    """
    if not data.startswith((_JPEG, _PNG)):
        raise InputError("photo: expected a JPEG or PNG file")
    import cv2
    import numpy as np

    cv2.setNumThreads(1)
    try:
        photo = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error as error:
        if "pixels" in str(error) or "MAX_IMAGE" in str(error):
            raise InputError(
                f"photo: has more than {MOST_PIXELS:,} pixels, expected no more"
            ) from error
        if error.code == cv2.Error.STS_NO_MEM:
            raise MemoryError from error
        raise InputError("photo: cannot be read, it is damaged") from error
    if photo is None:
        raise InputError("photo: cannot be read, it is damaged")
    return np.asarray(photo, dtype=np.uint8)


if __name__ == "__main__":
    main()
