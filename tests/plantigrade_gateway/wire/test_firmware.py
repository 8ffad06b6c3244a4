"""The firmware companion: how it compiles, its single messages, its answers."""

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.plantigrade_gateway.wire.test_codec import (
    ANSWERS,
    ANSWERS_CLOCK_US,
    BAD,
    GOOD,
    message_of,
)
from tests.support.firmware import (
    APPLICATION,
    BARE,
    CORTEX_M0,
    FIRMWARE,
    LIBRARY,
    LOG,
    STRICT,
    answers,
    driver,
    random_request,
    run,
    toolchain,
)
from tests.support.firmware_model import CLOCK, REQUESTS, Config, Model
from tests.support.vectors import by_name

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.wire.codec import (
    FLAG_BATTERY_LOW,
    FLAG_DROPPED,
    FLAG_FIRST,
    decode,
    encode,
)
from plantigrade_gateway.wire.messages import (
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Identify,
    Identity,
    SampleFormat,
    Start,
    Time,
    frame_bytes,
    max_frames,
)

pytestmark = pytest.mark.dear

__all__ = ["driver", "toolchain"]

# ---- how it compiles


@pytest.mark.parametrize("level", ["-O0", "-Os", "-O3"])
@pytest.mark.slow
def test_it_builds_freestanding_and_needs_no_symbol_at_all(toolchain, tmp_path, level):
    out = tmp_path / "library.o"
    run("gcc", *STRICT, *BARE, level, *LIBRARY, "-o", out)
    assert run("nm", "-u", out).split() == []
    run("arm-none-eabi-gcc", *STRICT, *BARE, *CORTEX_M0, level, *LIBRARY, "-o", out)
    assert run("arm-none-eabi-nm", "-u", out).split() == []


@pytest.mark.slow
def test_the_application_needs_the_port_and_no_other_symbol(toolchain, tmp_path):
    header = (FIRMWARE / "plantigrade_port.h").read_text("ascii")
    port = set(re.findall(r"^[\w ]+\b(port_\w+)\(", header, re.MULTILINE))
    assert len(port) == 20
    out = tmp_path / "application.o"
    for level in ("-O0", "-Os", "-O3"):
        run("gcc", *STRICT, *BARE, level, *APPLICATION, "-o", out)
        assert set(run("nm", "-u", out).split()) - {"U"} == port
        run("arm-none-eabi-gcc", *STRICT, *BARE, *CORTEX_M0, level, *APPLICATION, "-o", out)
        assert set(run("arm-none-eabi-nm", "-u", out).split()) - {"U"} == port


def test_a_floating_point_operation_or_a_copy_would_show_as_a_symbol(toolchain, tmp_path):
    """The check above can fail: without a float unit each operation is a call."""
    source, out = tmp_path / "not_ours.c", tmp_path / "not_ours.o"
    source.write_text(
        "typedef struct { int a[99]; } block;\n"
        "float scaled(float x, int n, block *to, const block *from);\n"
        "float scaled(float x, int n, block *to, const block *from)\n"
        "{ *to = *from; return x * (float)n; }\n"
    )
    run("arm-none-eabi-gcc", *STRICT, *BARE, *CORTEX_M0, "-Os", source, "-o", out)
    needed = set(run("arm-none-eabi-nm", "-u", out).split()) - {"U"}
    assert needed == {"__aeabi_fmul", "__aeabi_i2f", "memcpy"}


def test_headers_may_be_included_from_cpp(toolchain, tmp_path):
    source = tmp_path / "app.cpp"
    source.write_text('#include "plantigrade_app.h"\npg_app app;\n')
    out = tmp_path / "app.o"
    flags = ["-Wall", "-Wextra", "-Werror", "-ffreestanding", f"-I{FIRMWARE}"]
    run("arm-none-eabi-g++", *flags, *CORTEX_M0, "-c", source, "-o", out)


def test_a_queue_that_cannot_be_does_not_compile(toolchain, tmp_path):
    for room, fits in (("0", False), ("1", True), ("255", True), ("256", False)):
        command = ["gcc", *STRICT, f"-DPG_QUEUE_PACKETS={room}u", "-c", str(LIBRARY[1])]
        done = subprocess.run(
            [*command, "-o", str(tmp_path / "x.o")], capture_output=True, text=True, check=False
        )
        assert (done.returncode == 0) is fits
        assert ("pg_queue_fits" in done.stderr) is not fits


def sizes(path: Path) -> tuple[int, int, int]:
    text, data, bss = run("arm-none-eabi-size", path).splitlines()[1].split()[:3]
    return int(text), int(data), int(bss)


def test_the_sizes_the_readme_states_are_those_measured(toolchain, tmp_path, capsys):
    rows = []
    for source in [*APPLICATION, *LOG]:
        out = tmp_path / f"{source.stem}.o"
        flags = [*STRICT, *CORTEX_M0, "-Os", "-ffreestanding"]
        run("arm-none-eabi-gcc", *flags, "-c", source, "-o", out)
        rows.append(f"| `{source.name}` | " + " | ".join(map(str, sizes(out))) + " |")
    version = toolchain["arm-none-eabi-gcc"]
    with capsys.disabled():
        print(f"\narm-none-eabi-gcc {version} -Os, Cortex-M0+: text, data, bss", *rows, sep="\n")
    readme = (FIRMWARE / "README.md").read_text("utf-8")
    stated = re.search(r"arm-none-eabi-gcc (\d+\.\d+\.\d+)", readme)
    assert stated
    found = re.findall(r"^\| `\w+\.c` \| \d+ \| \d+ \| \d+ \|$", readme, re.MULTILINE)
    assert len(found) == len(rows)
    if stated[1] == version:  # another compiler makes other code
        assert found == rows


# ---- single messages


def data_line(packet: DataPacket) -> str:
    frames, zones = packet.counts.shape
    flags = (
        FLAG_FIRST * packet.first
        | FLAG_DROPPED * packet.dropped
        | FLAG_BATTERY_LOW * packet.battery_low
    )
    numbers = [
        list(Foot).index(packet.foot),
        int(packet.sample_format),
        flags,
        packet.counter,
        packet.clock_us,
        packet.period_us,
        zones,
        frames,
        *packet.counts.ravel().tolist(),
    ]
    return "data " + " ".join(map(str, numbers))


def identity_line(said: Identity) -> str:
    numbers = [
        said.token,
        list(Foot).index(said.foot),
        int(said.sample_format),
        said.zones,
        said.frames,
        said.period_us,
        said.battery_percent,
        int(said.streaming),
        said.firmware,
        said.serial,
    ]
    return "identity " + " ".join(map(str, numbers))


ANSWERING = Config(min_period_us=2500, firmware=0x0100, serial=1)
"""The insole of the vectors' answers (wire format §7)."""


@pytest.mark.parametrize("block", GOOD, ids=by_name)
def test_known_answers(driver, block):
    """Messages an insole sends are written byte for byte; those of a host are read and answered."""
    message = message_of(block)
    hexed = bytes.fromhex(block["hex"]).hex()
    match message:
        case DataPacket():
            assert driver([data_line(message)]) == [hexed]
        case Ack(token, request, status):
            assert driver([f"ack {token} {request} {int(status)}"]) == [hexed]
        case Identity():
            assert driver([identity_line(message)]) == [hexed]
        case Clock(token, clock_us):
            assert driver([f"clock {token} {clock_us}"]) == [hexed]
        case _:
            config = Config()
            _, answer, state = driver([config.init, f"control 77 {hexed}", "state"])
            said = decode(bytes.fromhex(answer))
            if isinstance(message, Time):
                assert said == Clock(message.token, 77)
            elif isinstance(message, Identify):
                assert isinstance(said, Identity) and said.token == message.token
            else:
                assert said == Ack(message.token, int(block["hex"][3:5], 16), AckStatus.DONE)
            assert state.startswith("1" if isinstance(message, Start) else "0")


@pytest.mark.parametrize("block", ANSWERS, ids=by_name)
def test_known_writes_get_the_known_answers(driver, block):
    """The C and the model of it that the other tests use; what is refused changes nothing."""
    data, answer = bytes.fromhex(block["hex"]), bytes.fromhex(block["answer"])
    charging = int(block.get("charging", "0"))
    subscribed = int(block.get("subscribed", "1"))
    model = Model(ANSWERING, battery=87, charging=bool(charging), subscribed=bool(subscribed))
    assert model.control(data, ANSWERS_CLOCK_US) == answer
    ask, identify = f"control {ANSWERS_CLOCK_US}", encode(Identify(1, 0)).hex()
    script = ["battery 87 0", f"charging {charging}", f"subscribed {subscribed}"]
    script += [f"{ask} {data.hex()}", f"{ask} {identify}"]
    said, after = driver([ANSWERING.init, *script])[4:]
    assert said == (answer.hex() or "-")
    done = answer and decode(answer) == Ack(data[2], data[1], AckStatus.DONE)
    if not done:
        assert bytes.fromhex(after) == encode(Model(ANSWERING, battery=87).identity(1))


@pytest.mark.parametrize("block", BAD, ids=by_name)
def test_wrong_messages_at_the_control_point_change_nothing(driver, block):
    """Those of an insole, too: the host's mistakes are the known answers' business."""
    data = bytes.fromhex(block["hex"])
    config, identify = Config(), encode(Identify(1, 0)).hex()
    script = [f"control 5 {identify}", f"control 5 {data.hex()}", f"control 5 {identify}", "show"]
    before, answer, after, shown = driver([config.init, *script])[1:]
    assert before == after
    assert shown == "1 0"
    assert answer == (Model(config).control(data, 5).hex() or "-")


def random_packet(rng: np.random.Generator) -> DataPacket:
    sample_format = SampleFormat(int(rng.integers(2)))
    zones = int(rng.integers(1, 65))
    frames = int(rng.integers(1, max_frames(zones, sample_format) + 1))
    top = 4096 if sample_format is SampleFormat.PACKED12 else 65536
    return DataPacket(
        list(Foot)[rng.integers(2)],
        sample_format,
        bool(rng.integers(2)),
        bool(rng.integers(2)),
        bool(rng.integers(2)),
        int(rng.integers(CLOCK)),
        int(rng.integers(CLOCK)),
        int(rng.integers(1000, 65536)),
        rng.integers(0, top, (frames, zones)).astype(np.uint16),
    )


def test_random_packets_are_written_as_the_gateway_writes_them(driver):
    rng = np.random.default_rng(31)
    packets = [random_packet(rng) for _ in range(2000)]
    written = answers(driver, [data_line(packet) for packet in packets])
    assert written == [encode(packet).hex() for packet in packets]


def test_every_size_of_packet_fits_or_not_as_the_gateway_says(driver):
    cases = [(f, z, s) for f in range(1, 256, 3) for z in (1, 2, 17, 18, 64) for s in SampleFormat]
    said = answers(driver, [f"fit {f} {z} {int(s)}" for f, z, s in cases])
    assert said == [str(int(f * frame_bytes(z, s) <= 228)) for f, z, s in cases]
    assert said == [str(int(f <= max_frames(z, s))) for f, z, s in cases]


def test_a_saturated_sample_stays_saturated_in_twelve_bits(driver):
    config = replace(Config(), zones=3, frames=1)
    start = encode(Start(0)).hex()
    lines = driver([config.init, f"control 0 {start}", "frame 5 4095 4096 65535", "packet"])
    packet = decode(bytes.fromhex(lines[-1]))
    assert isinstance(packet, DataPacket)
    assert packet.counts.tolist() == [[4095, 4095, 4095]]


def test_any_bytes_at_the_control_point_are_answered_as_documented(driver):
    """Done is said exactly where the gateway reads a request whose value is possible."""
    rng = np.random.default_rng(32)
    config = replace(Config(), min_period_us=2500)
    tried = [(random_request(rng), int(rng.integers(CLOCK))) for _ in range(3000)]
    script = [x for data, at in tried for x in (config.init, f"control {at} {data.hex()}")]
    lines = answers(driver, script)
    statuses = set()
    for (data, clock_us), line in zip(tried, lines[1::2], strict=True):
        answer = b"" if line == "-" else bytes.fromhex(line)
        assert answer == Model(config).control(data, clock_us)
        if answer and isinstance(said := decode(answer), Ack):
            statuses.add(said.status)
            done = said.status is AckStatus.DONE
            try:
                assert isinstance(decode(data), REQUESTS) or not done
            except WireError:
                assert not done
    assert statuses == set(AckStatus) - {AckStatus.NOT_NOW}
