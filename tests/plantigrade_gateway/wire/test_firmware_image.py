"""The firmware companion on an emulated Cortex-M3, and what a static checker says of it.

The image prints the bytes it made of each vector; they are held against the gateway's encoders.
"""

import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.plantigrade_gateway.wire.test_codec import (
    ANSWERS,
    ANSWERS_CLOCK_US,
    BAD,
    GOOD,
    message_of,
)
from tests.plantigrade_gateway.wire.test_firmware import ANSWERING
from tests.plantigrade_gateway.wire.test_information import GOOD as VALUES
from tests.plantigrade_gateway.wire.test_information import (
    announcement_of,
    curve_of,
    information_of,
    status_of,
)
from tests.support.firmware import APPLICATION, FIRMWARE, LOGGING, run, toolchain
from tests.support.firmware_model import Model

from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.information import write_curve
from plantigrade_gateway.wire.messages import Frames, Identify, Rate, Start, Stop, Time

pytestmark = pytest.mark.dear

__all__ = ["toolchain"]

CORTEX_M = FIRMWARE / "cortex_m"
CPPCHECK = [
    *("cppcheck", "--std=c99", "--enable=warning,style,performance,portability"),
    *(
        "--inconclusive",
        "--inline-suppr",
        "--error-exitcode=1",
        "-q",
        f"-I{FIRMWARE}",
        f"-I{CORTEX_M}",
    ),
]
TOLERANCE, STACK_TOLERANCE = 0.15, 32
"""Share, and bytes; stated in the firmware's README: another compiler makes other code."""


@dataclass(frozen=True)
class Image:
    """What the run said, and where image and map lie."""

    folder: Path
    status: int
    text: str

    def numbers(self) -> dict[str, int]:
        found = re.findall(r"^(\w+) (\d+)$", self.text, re.MULTILINE)
        return {name: int(value) for name, value in found}


def image_of(folder: Path, companion: Path = FIRMWARE) -> Image:
    done = subprocess.run(
        [sys.executable, str(CORTEX_M / "run.py"), str(folder), str(companion)],
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
    )
    return Image(folder, done.returncode, done.stdout + done.stderr)


@pytest.fixture(scope="module")
def image(toolchain, tmp_path_factory) -> Image:
    made = image_of(tmp_path_factory.mktemp("image"))
    assert made.status == 0, made.text[-2000:]
    return made


def changed(folder: Path, name: str, old: str, new: str) -> Path:
    """Copy the companion with one change in it."""
    companion = folder / "companion"
    companion.mkdir()
    for path in FIRMWARE.glob("*.[ch]"):
        shutil.copy(path, companion)
    text = (companion / name).read_text("ascii")
    assert text.count(old) == 1
    (companion / name).write_text(text.replace(old, new), "ascii")
    return companion


# ---- vectors


def bytes_of(block: dict[str, str]) -> bytes:
    """What the gateway's code makes of a vector's fields."""
    if block["kind"] == "service_data":
        return announcement_of(block).encode()
    if block["kind"] == "status":
        return status_of(block).encode()
    if block["kind"] == "information":
        return information_of(block).encode()
    if block["kind"] == "curve":
        return write_curve(int(block["calibration"]), curve_of(block))
    message = message_of(block)
    sent = encode(message)
    if isinstance(message, Start | Stop | Rate | Frames | Identify | Time):
        return sent[1:3] + sent[3:].ljust(2, b"\0")  # an insole reads these: kind, token, value
    return sent


def answer_to(block: dict[str, str]) -> bytes:
    charging, subscribed = block.get("charging") == "1", block.get("subscribed") != "0"
    model = Model(ANSWERING, battery=87, charging=charging, subscribed=subscribed)
    return model.control(bytes.fromhex(block["hex"]), ANSWERS_CLOCK_US)


def test_every_vector_is_written_as_the_gateway_writes_it(image):
    expected = {block["name"]: bytes_of(block).hex() for block in [*GOOD, *VALUES]}
    expected |= {block["name"]: answer_to(block).hex() for block in ANSWERS}
    said = dict(re.findall(r"^vector (\w+) ([0-9a-f]*)$", image.text, re.MULTILINE))
    assert said == expected
    numbers = image.numbers()
    assert numbers["passed"] == len(expected)
    assert numbers["refused"] == len(BAD)
    assert numbers["wrong"] == 0


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("plantigrade_wire.c", "out[1] = (uint8_t)(value >> 8);", "out[1] = 0u;", "WRONG data_"),
        (
            "plantigrade_info.c",
            "out[12] = information->points;",
            "out[12] = 0u;",
            "WRONG information_",
        ),
        (
            "plantigrade_wire.c",
            "if (length != REQUEST_BYTES[nth]) {",
            "if (length < REQUEST_BYTES[nth]) {",
            "WRONG obeyed bad_start_excess",
        ),
    ],
)
@pytest.mark.slow
def test_a_mistake_of_the_companion_would_be_said(toolchain, tmp_path, name, old, new, said):
    made = image_of(tmp_path / "image", changed(tmp_path, name, old, new))
    assert said in made.text
    assert made.status == made.numbers()["wrong"] > 0


def test_a_second_run_says_the_same_to_the_instruction(image, tmp_path):
    assert image_of(tmp_path).text == image.text


# ---- what it needs


def foreign_symbols(image: Image) -> set[str]:
    """Symbols of the image that are helpers of the compiler's or of a C library."""
    named = {
        line.split()[-1]
        for line in run("arm-none-eabi-nm", image.folder / "image.elf").splitlines()
    }
    helper = re.compile(r"__\w*|\w*alloc\w*|free|_?sbrk|mem(cpy|set|cmp|move)")
    return {name for name in named if helper.fullmatch(name)}


def members(image: Image) -> list[str]:
    """Parts of libraries in the map."""
    return re.findall(r"lib\w+\.a\((\w+\.o)\)", (image.folder / "image.map").read_text())


def test_it_links_no_allocation_no_floating_point_and_no_library(image):
    assert foreign_symbols(image) == set()
    assert members(image) == []


def test_a_floating_point_operation_would_show_in_the_map(toolchain, tmp_path):
    old = "return HEADER_BYTES + table_bytes;"
    new = "return HEADER_BYTES + (size_t)((float)table_bytes * 1.0001f);"
    made = image_of(tmp_path / "image", changed(tmp_path, "plantigrade_info.c", old, new))
    assert "__aeabi_fmul" in foreign_symbols(made)
    assert members(made)


# ---- numbers of the README


def test_the_readme_states_what_the_image_prints(image, capsys):
    numbers, readme = image.numbers(), (FIRMWARE / "README.md").read_text("utf-8")
    rows = re.findall(r"^\| `(\w+)`[^|]*\| (\d+) \|$", readme, re.MULTILINE)
    stated = {name: int(value) for name, value in rows}
    with capsys.disabled():
        print("", *re.findall(r"^size .*$", image.text, re.MULTILINE), stated, numbers, sep="\n")
    assert stated.keys() == numbers.keys() - {"wrong"}
    for name in ("passed", "refused", "application_ram_bytes"):
        assert stated.pop(name) == numbers[name]
    deep = stated.pop("stack_bytes")
    assert numbers["stack_bytes"] == pytest.approx(deep, abs=STACK_TOLERANCE)
    for name, value in stated.items():
        assert numbers[name] == pytest.approx(value, rel=TOLERANCE), name


def test_the_painted_stack_is_as_deep_as_the_calls(toolchain, tmp_path, image):
    """256 bytes more in one function of the companion are 256 bytes more of stack."""
    old = "    app->turning = true;\n"
    new = "    volatile uint8_t deep[256];\n    deep[0] = 0u;\n    (void)deep[0];\n" + old
    made = image_of(tmp_path / "image", changed(tmp_path, "plantigrade_app.c", old, new))
    assert made.status == 0
    deeper = made.numbers()["stack_bytes"] - image.numbers()["stack_bytes"]
    assert 128 <= deeper <= 280


def test_sizes_of_every_part_are_printed_and_none_keeps_data(image):
    rows = re.findall(r"^size (\w+) (\d+) (\d+) (\d+)$", image.text, re.MULTILINE)
    assert [name for name, *_ in rows] == [*(path.stem for path in APPLICATION), "image"]
    assert all(int(text) > 0 for _, text, _, _ in rows)
    assert {(data, bss) for _, _, data, bss in rows[:-1]} == {("0", "0")}


# ---- static analysis


def test_cppcheck_finds_nothing(image):
    sources = [path for part in (".", "cortex_m", "host") for path in (FIRMWARE / part).glob("*.c")]
    assert len(sources) == len(LOGGING) + 3 + 1
    run(*CPPCHECK, f"-I{image.folder}", *sources)


def test_cppcheck_would_find_a_read_past_the_end(toolchain, tmp_path):
    source = tmp_path / "not_ours.c"
    source.write_text("int last(void);\nint last(void)\n{ int a[4] = {0}; return a[4]; }\n")
    done = subprocess.run([*CPPCHECK, str(source)], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "arrayIndexOutOfBounds" in done.stderr
