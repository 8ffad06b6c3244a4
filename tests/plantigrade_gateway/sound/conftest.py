"""A private sound server, whose microphone hears what its loudspeaker plays."""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

PULSE = Path(__file__).resolve().parents[3] / ".ci" / "pulse"


@dataclass(frozen=True)
class SoundServer:
    """A private sound server with one null sink, the default of this process for now."""

    folder: Path

    def start_again(self) -> None:
        """Start it where it was, after it was killed."""
        (self.folder / "pid").unlink()
        subprocess.run([PULSE, "start", self.folder], capture_output=True, timeout=240, check=True)

    def signal(self, number: signal.Signals) -> None:
        """Kill it, or stop it so that it hangs."""
        with suppress(ProcessLookupError):
            os.kill(int((self.folder / "pid").read_text()), number)


@pytest.fixture
def sound_server(monkeypatch) -> Iterator[SoundServer]:
    """Start the server of `.ci/pulse`, which installs what it needs where it may.

    Where it cannot, the test skips.
    """
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))  # short: a socket's path is
    server = SoundServer(folder)
    try:
        done = subprocess.run(
            [PULSE, "start", folder], capture_output=True, text=True, timeout=240, check=False
        )
        if done.returncode == 3:
            pytest.skip(f"no sound server, .ci/pulse says: {done.stderr.strip()}")
        assert done.returncode == 0, f".ci/pulse says: {done.stderr.strip()}"
        for line in done.stdout.splitlines():
            monkeypatch.setenv(*line.split("=", 1))
        monkeypatch.setenv("PULSE_SOURCE", "plantigrade.monitor")
        yield server
    finally:
        if (folder / "pid").exists():
            server.signal(signal.SIGKILL)
        shutil.rmtree(folder)
