"""Random writes to the firmware's control point and log, and random pages, under the sanitizers."""

import re
import subprocess
from pathlib import Path

import pytest
from tests.support.firmware import FIRMWARE, ROOT, SANITIZED, STRICT, run, toolchain

pytestmark = pytest.mark.dear

__all__ = ["toolchain"]

FUZZ = ROOT / "tests" / "support" / "firmware_fuzz.c"
PARTS = ("wire", "insole", "info", "app", "events", "log", "logpage")


def built(folder: Path, firmware: Path = FIRMWARE) -> Path:
    out = folder / "fuzz"
    sources = [firmware / f"plantigrade_{part}.c" for part in PARTS]
    run("gcc", *STRICT, *SANITIZED, f"-I{firmware}", FUZZ, *sources, "-o", out)
    return out


@pytest.mark.slow
@pytest.mark.long
def test_no_write_leads_to_a_fault_or_to_an_answer_that_may_not_be(toolchain, tmp_path, capsys):
    writes = 2_000_000
    said = run(built(tmp_path), "35", writes)
    with capsys.disabled():
        print(f"\n{said.strip()}")
    done = {name: int(value) for name, value in re.findall(r"(\w+) (\d+)", said)}
    assert done["writes"] == writes
    assert done["answers"] > writes / 2
    for name in (
        "packets",
        "pages",
        "ends",
        "done",
        "unknown",
        "impossible",
        "not_now",
    ):  # each was met
        assert done[name] > writes / 2000, name


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        (
            "plantigrade_events.c",
            "(k < length) && (k < PG_MAX_REQUEST); k++",
            "(k < length); k++",
            "global-buffer-overflow",
        ),
        ("plantigrade_wire.c", "((length < TOKEN_BYTES) || ", "(", "heap-buffer-overflow"),
        (
            "plantigrade_wire.c",
            "out[4] = status;",
            "out[4] = (uint8_t)(status + 4u);",
            "WRONG status",
        ),
    ],
)
@pytest.mark.slow
def test_a_mistake_would_be_found(toolchain, tmp_path, name, old, new, said):
    firmware = tmp_path / "firmware"
    firmware.mkdir()
    for path in FIRMWARE.glob("*.[ch]"):
        text = path.read_text("ascii")
        if path.name == name:
            assert text.count(old) == 1
            text = text.replace(old, new)
        (firmware / path.name).write_text(text, "ascii")
    done = subprocess.run(
        [str(built(tmp_path, firmware)), "35", "20000"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode
    assert said in done.stdout + done.stderr
