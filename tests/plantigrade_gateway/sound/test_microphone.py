"""The real capture path: strikes played into a null sink, heard from its monitor."""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from tests.support import soundbay
from tests.support.soundbay import CLUBS, Tape
from tests.support.waiting import HANG_S

from plantigrade.transients import TransientDetector
from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.listening import Heard
from plantigrade_gateway.sound.microphone import Microphone

pytestmark = pytest.mark.dear

PULSE = Path(__file__).resolve().parents[3] / ".ci" / "pulse"
STRIKES = 33


@pytest.fixture
def server(monkeypatch) -> Iterator[Path]:
    """A private sound server whose microphone hears what its loudspeaker plays."""
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))  # short: a socket's path is
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
        yield folder
    finally:
        with suppress(OSError, ValueError):
            Path(f"/proc/{(folder / 'pid').read_text().strip()}").stat()
            subprocess.run([PULSE, "stop", folder], check=False, timeout=60)
        shutil.rmtree(folder, ignore_errors=True)


def bay_of_strikes() -> Tape:
    rng = np.random.default_rng(6)
    tape = Tape(rng, 0.0, 2.0 + 0.4 * STRIKES)
    names = list(CLUBS)
    for k in range(STRIKES):
        at_s = 1.0 + 0.4 * k + rng.uniform(0.0, 0.05)
        tape.add(at_s, soundbay.strike(rng, CLUBS[names[k % 3]], rng.normal(0.0, 2.0)))
    return tape


def play(tape: Tape) -> None:
    command = "pacat --playback --device=plantigrade --format=float32le --rate=48000 --channels=1"
    sound = tape.samples.astype("<f4").tobytes()
    subprocess.run([*command.split(), "--raw"], input=sound, check=True, timeout=HANG_S)


def test_strikes_through_the_device_agree_with_the_arrays(server):
    tape = bay_of_strikes()
    arrays = TransientDetector().push(tape.samples.astype(np.float32))
    assert len(arrays) == STRIKES
    heard: list[Heard] = []
    began_ns = time.monotonic_ns()
    with Microphone(heard.append) as microphone:
        play(tape)
        end_s = time.monotonic() + HANG_S
        while len(heard) < STRIKES and time.monotonic() < end_s:
            time.sleep(0.05)
        assert microphone.is_listening
    found = [one.transient for one in heard if one.transient.is_click]
    assert len(found) == STRIKES
    hop_s = 0.00025
    moved_s = [one.t_s - array.t_s for one, array in zip(found, arrays, strict=True)]
    assert np.ptp(moved_s) <= 2.0 * hop_s + 1e-9
    for one, array in zip(found, arrays, strict=True):
        assert one.level_db == pytest.approx(array.level_db, abs=0.5)
        assert one.top_level_db == pytest.approx(array.top_level_db, abs=0.5)
        assert one.high_share == pytest.approx(array.high_share, abs=0.05)
        assert one.is_click == array.is_click
    hosts = [one.host_ns for one in heard]
    assert hosts == sorted(hosts)
    assert began_ns < hosts[0] < hosts[-1] < time.monotonic_ns()


def test_a_microphone_that_stops_is_told_once(server):
    lost: list[str] = []
    with Microphone(lambda _: None, lost.append) as microphone:
        end_s = time.monotonic() + HANG_S
        while not microphone.blocks and time.monotonic() < end_s:
            time.sleep(0.02)
        assert microphone.blocks
        os.kill(int((server / "pid").read_text()), signal.SIGKILL)
        while not lost and time.monotonic() < end_s:
            time.sleep(0.05)
        assert not microphone.is_listening or lost
    assert len(lost) == 1
    assert "has stopped" in lost[0]


def test_without_a_device_there_is_one_sentence(monkeypatch, tmp_path):
    monkeypatch.setenv("PULSE_SERVER", f"unix:{tmp_path}/none")
    with pytest.raises(SoundError, match="PULSEAUDIO"):
        Microphone(lambda _: None, backends=("PULSEAUDIO",))
