"""Build the companion for a Cortex-M3, run it in an emulator, and print what it says.

    python hardware_notes/firmware/cortex_m/run.py [FOLDER [COMPANION]]

Every vector of the notes goes through it. Needs Debian's gcc-arm-none-eabi and qemu-system-arm.
FOLDER keeps the image and its map; COMPANION holds other sources than the notes' own. The exit
code is 0 when every vector is right.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
COMPANION = HERE.parent
NOTES = COMPANION.parent
LIBRARY = ["plantigrade_wire", "plantigrade_insole", "plantigrade_info", "plantigrade_app"]
LIBRARY += ["plantigrade_events"]
CORE = ["-mcpu=cortex-m3", "-mthumb", "-mfloat-abi=soft"]
# No loop is to become a call of memset or memcpy: nothing of a C library is linked.
FLAGS = ["-std=c99", "-Os", "-ffreestanding", "-fno-tree-loop-distribute-patterns"]
WARNINGS = ["-Wall", "-Wextra", "-Werror", "-Wconversion", "-Wshadow"]
# One instruction is 1 ns of the machine's own time: its timer counts instructions, alike each run.
EMULATOR = ["qemu-system-arm", "-M", "mps2-an385", "-nographic", "-monitor", "none"]
EMULATOR += ["-serial", "none", "-semihosting-config", "enable=on,target=native"]
EMULATOR += ["-icount", "shift=0"]

Block = dict[str, str]


def blocks(path: Path) -> list[Block]:
    """Read the blocks of a file of vectors."""
    lines = [line for line in path.read_text("ascii").splitlines() if not line.startswith("#")]
    parts = [part.splitlines() for part in "\n".join(lines).split("\n\n") if part.strip()]
    pairs = [[line.partition("=") for line in part if line.strip()] for part in parts]
    return [{name.strip(): value.strip() for name, _, value in part} for part in pairs]


def array(name: str, kind: str, values: list[int] | bytes) -> str:
    """Declare a C array; an empty one gets an element, for C has no arrays of none."""
    return f"static const {kind} {name}[] = {{{', '.join(f'{v}u' for v in values) or '0u'}}};"


def constant(kind: str, fields: str) -> str:
    """Declare a C structure; in flash, so that no call of memset makes it."""
    return f"static const {kind} given = {{{fields}}};"


def words(text: str) -> list[int]:
    """Read a vector's list of numbers."""
    return [int(word) for word in text.replace("/", " ").split()]


def fields(**more: str) -> str:
    """Name C fields and their numbers."""
    return ", ".join(f".{name} = {value}u" for name, value in more.items())


def request(data: bytes) -> bytes:
    """Return what reading a request must give: kind, token, value in two bytes (section 4)."""
    return data[1:3] + data[3:].ljust(2, b"\0")


def call(block: Block) -> tuple[list[str], str, bytes]:
    """Arrays, the call that writes a vector's bytes into `out`, and these bytes."""
    data = bytes.fromhex(block["hex"])
    raw = [array("raw", "uint8_t", data)]
    b = block.get
    names: tuple[str, ...]
    foot = f"PG_{b('foot', 'left').upper()}"
    shape = f".foot = {foot}, .sample_format = PG_{b('sample_format', 'u16').upper()}"
    if "answer" in block:
        set_up = f"{b('charging', '0')}, {b('subscribed', '1')}"
        return raw, f"answer({set_up}, raw, {len(data)}u)", bytes.fromhex(block["answer"])
    match block["kind"]:
        case "data":
            flags = (
                int(block["first"]) | int(block["dropped"]) << 1 | int(block["battery_low"]) << 2
            )
            names = ("zones", "frames", "period_us", "counter", "clock_us")
            given = fields(flags=str(flags), **{name: block[name] for name in names})
            counts = array("counts", "uint16_t", words(block["counts"]))
            head = constant("pg_header", f"{shape}, {given}")
            return [counts, head], "write_data(&given, counts)", data
        case "start" | "stop" | "rate" | "frames" | "identify" | "time":
            return raw, f"read_again(raw, {len(data)}u)", request(data)
        case "ack":
            given = f".kind = {b('request')}u, .token = {b('token')}u"
            head = constant("pg_request", given)
            return [head], f"pg_write_ack(out, &given, {b('status')}u)", data
        case "identity":
            names = ("zones", "frames", "period_us", "battery_percent", "streaming")
            given = fields(**{n: block[n] for n in (*names, "firmware", "serial")})
            head = constant("pg_identity", f"{shape}, {given}")
            return [head], f"pg_write_identity(out, {b('token')}u, &given)", data
        case "clock":
            return [], f"pg_write_clock(out, {b('token')}u, {b('clock_us')}u)", data
        case "service_data":
            given = f"{foot}, {b('length_mm')}u, {b('battery')}u, {b('serial')}u"
            return [], f"(pg_write_announcement(out, {given}), PG_ANNOUNCEMENT_BYTES)", data
        case "status":
            names = ("streaming", "charging", "battery_low", "resets", "packets_lost", "uptime_s")
            given = fields(
                battery_percent=block["battery"], **{name: block[name] for name in names}
            )
            head = constant("pg_status", given)
            return [head], "(pg_write_status(out, &given), PG_STATUS_BYTES)", data
        case "information":
            names = ("zones", "bits", "hardware", "firmware", "calibration", "points")
            given, arrays = fields(**{name: block[name] for name in names}), []
            if "table" in block:
                rows = [", ".join(row.split()) for row in block["table"].split("/")]
                arrays = [
                    f"static const pg_zone table[] = {{{', '.join(f'{{{r}}}' for r in rows)}}};"
                ]
                sides = fields(length_mm=block["length_mm"], width_mm=block["width_mm"])
                given += f", .table = table, {sides}"
            arrays.append(constant("pg_information", given))
            return arrays, "pg_write_information(out, sizeof out, &given)", data
        case "curve":
            names = ("calibration", "points", "zones")
            given = fields(**{name: block[name] for name in names})
            lists = ("counts", "zeros", "pressures")
            given += "".join(f", .{name} = {name}" for name in lists)
            arrays = [array(name, "uint16_t", words(block[name])) for name in lists]
            arrays.append(constant("pg_curve", given))
            return arrays, "pg_write_curve(out, sizeof out, &given)", data
    raise SystemExit(f"{block['name']}: no such kind: {block['kind']}")


def vectors(wire: list[Block], profile: list[Block]) -> str:
    """Write the C function of all vectors. Wrong values of the profile are a host's to refuse."""
    lines = ["static void all_vectors(void)", "{"]
    for block in [*wire, *(block for block in profile if "error" not in block)]:
        name = block["name"]
        if "error" in block:
            data = bytes.fromhex(block["hex"])
            lines += [
                "{",
                array("raw", "uint8_t", data),
                f'refuse("{name}", raw, {len(data)}u);',
                "}",
            ]
            continue
        arrays, written, want = call(block)
        held = f'hold("{name}", {written}, want, {len(want)}u);'
        lines += ["{", *arrays, array("want", "uint8_t", want), held, "}"]
    return "\n".join([*lines, "}", ""])


def run(*command: object) -> str:
    """Run a program; return what it prints, or stop with what it complains of."""
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{command[0]} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout


def build(folder: Path, companion: Path) -> Path:
    """Build the image and image.map in a folder; print the sizes of the companion's parts."""
    made = vectors(*(blocks(NOTES / f"{name}_vectors.txt") for name in ("wire", "profile")))
    (folder / "vectors.inc").write_text(made, "ascii")
    sources = [companion / f"{name}.c" for name in LIBRARY]
    sources += [HERE / name for name in ("startup.c", "app.c", "main.c")]
    objects = [folder / f"{source.stem}.o" for source in sources]
    for source, out in zip(sources, objects, strict=True):
        paths = [f"-I{folder}", f"-I{companion}", f"-I{HERE}"]
        run("arm-none-eabi-gcc", *CORE, *FLAGS, *WARNINGS, *paths, "-c", source, "-o", out)
    image = folder / "image.elf"
    layout = ["-nostdlib", "-T", HERE / "board.ld", f"-Wl,-Map={folder / 'image.map'}"]
    run("arm-none-eabi-gcc", *CORE, *layout, *objects, "-lgcc", "-o", image)
    for line in run("arm-none-eabi-size", *objects[: len(LIBRARY)], image).splitlines()[1:]:
        text, data, bss, *_, name = line.split()
        print(f"size {Path(name).stem} {text} {data} {bss}")
    return image


def main(folder: Path, companion: Path = COMPANION) -> int:
    """Build the image in a folder and run it; return its exit status."""
    image = build(folder, companion)
    done = subprocess.run(
        [*EMULATOR, "-kernel", str(image)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=120,
        check=False,
    )
    print(done.stdout, end="")
    return done.returncode


if __name__ == "__main__":
    if len(sys.argv) > 1:
        kept = Path(sys.argv[1])
        kept.mkdir(parents=True, exist_ok=True)
        sys.exit(main(kept, *map(Path, sys.argv[2:3])))
    with tempfile.TemporaryDirectory() as name:
        sys.exit(main(Path(name)))
