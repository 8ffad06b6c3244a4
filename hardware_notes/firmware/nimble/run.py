"""Build the companion behind NimBLE's Linux port, and let the gateway record it.

    python hardware_notes/firmware/nimble/run.py CHECKOUT [SECONDS]

CHECKOUT is a working copy of that open-source Bluetooth host, whose sources are not in this
repository. Needs gcc, g++ and the extra ``virtual``. The program talks HCI over TCP to a virtual
controller; the gateway's own live source, on the same air, streams from it for SECONDS (60) and
the packets are counted. The exit code is 0 when none is missing or repeated.
"""

import asyncio
import socket
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from bumble.transport.common import AsyncPipeSink

from plantigrade.block import Foot
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.sources.bluetooth import Radio
from plantigrade_gateway.sources.inbox import Inbox
from plantigrade_gateway.sources.live import LiveSource
from plantigrade_gateway.virtual.air import Air, AirController, RadioConditions, serve_radio
from plantigrade_gateway.virtual.backend import AirRadio
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.stream import StreamEvent

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parent
SERIAL = 0x51A70004
FOLDERS = ("nimble/host/src", "nimble/host/util/src", "nimble/host/services/gap/src")
FOLDERS += ("nimble/host/services/gatt/src", "nimble/transport/src", "porting/nimble/src")
FOLDERS += ("porting/npl/linux/src", "nimble/transport/socket/src", "nimble/src")
LEFT_OUT = {"hal_timer.c", "os_cputime.c", "os_cputime_pwr2.c"}  # not of the Linux port
INCLUDES = ("porting/examples/linux/include", "porting/npl/linux/include", "nimble/include")
INCLUDES += ("nimble/transport/socket/include", "nimble/transport/include", "nimble/host/include")
INCLUDES += ("nimble/host/services/gap/include", "nimble/host/services/gatt/include")
INCLUDES += ("nimble/host/util/include", "porting/nimble/include")
CHOICES = {
    "BLE_SOCK_TYPE__linux_tcp": 1,
    "BLE_SOCK_TYPE__linux_blue": 0,
    "BLE_SM_LEGACY": 0,
    "BLE_SM_SC": 0,
}
"""No pairing, so no library for its arithmetic."""


def built(checkout: Path, folder: Path) -> Path:
    """Compile NimBLE, the companion and the glue."""
    sources = [
        path
        for name in FOLDERS
        for path in sorted((checkout / name).glob("*.c*"))
        if path.name not in LEFT_OUT
    ]
    ours = [HERE / "glue.c"]
    ours += [
        FIRMWARE / f"plantigrade_{part}.c" for part in ("app", "events", "info", "insole", "wire")
    ]
    flags = [f"-I{checkout / name}" for name in INCLUDES] + [f"-I{FIRMWARE}", "-D_GNU_SOURCE"]
    flags += [f"-DMYNEWT_VAL_{name}={value}" for name, value in CHOICES.items()]

    def compiled(path: Path) -> Path:
        out = folder / f"{path.parent.parent.name}-{path.name}.o"
        compiler = ["g++"] if path.suffix == ".cc" else ["gcc", "-std=gnu99"]
        warnings = ["-Wall", "-Wextra"] if path in ours else ["-w"]
        subprocess.run(
            [*compiler, *flags, *warnings, "-g", "-O1", "-c", path, "-o", out], check=True
        )
        return out

    with ThreadPoolExecutor() as pool:
        objects = list(pool.map(compiled, [*sources, *ours]))
    program = folder / "companion-nimble"
    subprocess.run(["g++", *objects, "-lpthread", "-lrt", "-o", program], check=True)
    return program


class _Kept(Inbox):
    def __init__(self, entries: list[Entry]) -> None:
        super().__init__()
        self._entries = entries

    def put(self, entry: Entry) -> None:
        self._entries.append(entry)


async def recorded(program: Path, seconds: float) -> list[Entry]:
    """Let the gateway stream from the program for so long."""
    air = Air(RadioConditions(interval_s=0.015, retry=0.05))
    listener = socket.create_server(("127.0.0.1", 0))
    chip, central = AirController("nimble", link=air), AirController("gateway", link=air)
    radio = await AirRadio.on(central, AsyncPipeSink(central))
    address = "C0:00:51:A7:00:04"
    known = KnownInsole(SERIAL, Foot.LEFT, "NimBLE", address, 270)
    entries: list[Entry] = []
    async with serve_radio(chip, listener):
        port = str(listener.getsockname()[1])
        process = await asyncio.create_subprocess_exec(program, port, stdout=subprocess.DEVNULL)
        try:
            backend = Radio(radio.scanner, radio.client)
            source = LiveSource((known,), backend, print, inbox=_Kept(entries))
            async with source:
                await asyncio.sleep(seconds)
        finally:
            process.kill()
            await process.wait()
            await radio.close()
    return entries


def main(checkout: Path, seconds: float) -> int:
    """Build, record, count; return the exit code."""
    with tempfile.TemporaryDirectory() as name:
        entries = asyncio.run(recorded(built(checkout, Path(name)), seconds))
    batch = Batch.of([e for e in entries if e.kind is Kind.NOTIFICATION])
    decoder = Decoder(0)
    out = decoder.feed(batch.arrival_ns, batch.length, batch.payload)
    facts = [str(item.kind) for item in out if isinstance(item, StreamEvent)]
    counts = decoder.counts
    print(f"packets {counts.packets} lost {counts.lost_packets} facts {facts or 'none'}")
    return 0 if counts.packets > 0 and not counts.lost_packets and not facts else 1


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(str(__doc__))
    sys.exit(main(Path(sys.argv[1]).resolve(), float((*sys.argv, "60")[2])))
