"""The firmware companion built for this machine: where its C is, and the program made of it."""

import subprocess
from hashlib import sha256
from importlib import resources
from os import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import platformdirs

from plantigrade_gateway.errors import BluetoothError

_SOURCES = ("wire", "insole", "info", "app", "events", "applog", "log", "logpage")
_FLAGS = ("-std=c99", "-O2", "-DPG_APP_LOG=1", "-DPG_QUEUE_PACKETS=255u")
"""A longer queue than a board's: this machine may be busy for a second."""
_LIMIT_S = 120.0


def firmware_folder() -> Path:
    """Return the folder of the companion's C.

    Raises
    ------
    BluetoothError
        It is not there.
    """
    installed = Path(str(resources.files("plantigrade_gateway") / "data" / "firmware"))
    of_repository = Path(__file__).resolve().parents[3] / "hardware_notes" / "firmware"
    for folder in (installed, of_repository):
        if (folder / "host" / "companion.c").is_file():
            return folder
    raise BluetoothError(
        "companion: its C sources are not here (hardware_notes/firmware of the repository); "
        "install plantigrade from its wheel, or run it in the repository's folder"
    )


def companion_program(
    firmware: Path | None = None,
    cache: Path | None = None,
    compiler: str = "cc",
    flags: tuple[str, ...] = (),
) -> Path:
    """Return the companion as a program of this machine; built where the cache has none of it.

    Parameters
    ----------
    firmware : Path, optional
        Its sources; `firmware_folder` by default.
    cache : Path, optional
        Where programs are kept, the user's cache by default.
    compiler : str
    flags : tuple of str
        More of the compiler's.

    Raises
    ------
    BluetoothError
        No sources, no compiler, one that does not end, or it does not compile; says which.
    """
    firmware = firmware or firmware_folder()
    folder = cache or platformdirs.user_cache_path("plantigrade", appauthor=False) / "companion"
    sources = [firmware / "host" / "companion.c"]
    sources += [firmware / f"plantigrade_{name}.c" for name in _SOURCES]
    command = [compiler, *_FLAGS, *flags, f"-I{firmware}"]
    seen = sha256(repr(command[:-1]).encode())
    for path in [*sources, *sorted(firmware.glob("*.h"))]:
        seen.update(path.read_bytes())
    program = folder / f"companion-{seen.hexdigest()[:16]}"
    if program.is_file():
        return program
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=folder) as name:
        made = Path(name) / "companion"
        try:
            done = subprocess.run(
                [*command, *map(str, sources), "-o", str(made)],
                capture_output=True,
                text=True,
                timeout=_LIMIT_S,
                check=False,
            )
        except FileNotFoundError:
            raise BluetoothError(
                f"companion: there is no C compiler ({compiler}) on this machine; install one, "
                "on Debian: apt install gcc libc6-dev"
            ) from None
        except subprocess.TimeoutExpired:
            raise BluetoothError(
                f"companion: its compiler ({compiler}) does not end in {_LIMIT_S:.0f} s; "
                "run it again when the machine is less busy"
            ) from None
        if done.returncode:
            said = next((x for x in done.stderr.splitlines() if "error" in x), "no reason given")
            raise BluetoothError(f"companion: it does not compile here: {said.strip()}")
        replace(made, program)
    return program
