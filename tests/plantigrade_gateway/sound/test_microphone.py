"""The real capture path: strikes played into a null sink, heard from its monitor."""

import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
from tests.support import soundbay
from tests.support.program import running
from tests.support.soundbay import CLUBS, Tape
from tests.support.waiting import HANG_S

from plantigrade.transients import Transient, TransientDetector
from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.record.heard import HeardSound, Listening, Purpose
from plantigrade_gateway.sound.listening import Heard
from plantigrade_gateway.sound.microphone import Microphone
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

STRIKES = 33


def bay_of_strikes(strikes: int = STRIKES) -> Tape:
    rng = np.random.default_rng(6)
    tape = Tape(rng, 0.0, 2.0 + 0.4 * strikes)
    names = list(CLUBS)
    for k in range(strikes):
        at_s = 1.0 + 0.4 * k + rng.uniform(0.0, 0.05)
        tape.add(at_s, soundbay.strike(rng, CLUBS[names[k % 3]], rng.normal(0.0, 2.0)))
    return tape


def play(tape: Tape) -> None:
    """Play a tape into the device; its room fades in before the first strike.

    A room that is there from one sample to the next, after the device's silence, is a beginning of
    its own, or is none: by where it falls among the detector's hops.
    """
    command = "pacat --playback --device=plantigrade --format=float32le --rate=48000 --channels=1"
    sound = tape.samples.astype("<f4")
    fade = soundbay.RATE // 2
    sound[:fade] *= np.linspace(0.0, 1.0, fade, dtype="<f4")
    command_line = [*command.split(), "--raw"]
    subprocess.run(command_line, input=sound.tobytes(), check=True, timeout=HANG_S)


@pytest.mark.slow
def test_strikes_through_the_device_agree_with_the_arrays(sound_server):
    tape = bay_of_strikes()
    arrays = TransientDetector().push(tape.samples.astype(np.float32))
    assert len(arrays) == STRIKES
    heard: list[Heard] = []
    began_ns = time.monotonic_ns()
    with Microphone(heard.append):
        play(tape)
        end_s = time.monotonic() + HANG_S
        while len(heard) < STRIKES and time.monotonic() < end_s:
            time.sleep(0.05)
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


@pytest.mark.slow
def test_a_microphone_that_stops_is_told_once(sound_server):
    lost: list[str] = []
    with Microphone(lambda _: None, lost.append) as microphone:
        end_s = time.monotonic() + HANG_S
        while not microphone.blocks and time.monotonic() < end_s:
            time.sleep(0.02)
        assert microphone.blocks
        sound_server.signal(signal.SIGKILL)
        while not lost and time.monotonic() < end_s:
            time.sleep(0.05)
    assert len(lost) == 1
    assert "has stopped" in lost[0]


def test_without_a_device_there_is_one_sentence(monkeypatch, tmp_path):
    monkeypatch.setenv("PULSE_SERVER", f"unix:{tmp_path}/none")
    with pytest.raises(SoundError, match="PULSEAUDIO"):
        Microphone(lambda _: None, backends=("PULSEAUDIO",))


def kept(path: Path) -> list[Entry]:
    """Return the entries of the only session so far."""
    with Store.open(path, create=False) as store:
        (session,) = store.sessions()
        return [entry for batch in store.batches(session.session_id) for entry in batch]


def clicks_of(entries: list[Entry]) -> list[Transient]:
    heard = [HeardSound.from_json(e.data).transient for e in entries if e.kind is Kind.HEARD]
    return [one for one in heard if one.is_click]


@pytest.mark.slow
def test_a_run_with_a_microphone_keeps_what_it_hears(sound_server, tmp_path):
    """Six strikes in the bay while virtual insoles send; the program's own speaker is off."""
    tape, path = bay_of_strikes(6), tmp_path / "store.sqlite3"
    arrays = TransientDetector().push(tape.samples.astype(np.float32))
    quiet = ("--no-sound", "--no-page", "--mass", "80", "--store", str(path))
    with running("run", "--virtual", "--microphone", "2.5", *quiet) as program:
        program.printed("listens for strikes, 2.5 m from the ball")
        program.printed("Stamp your left heel five times")
        play(tape)
        end_s = time.monotonic() + HANG_S
        while len(clicks_of(kept(path))) < len(arrays) and time.monotonic() < end_s:
            time.sleep(0.2)
    entries = kept(path)
    listened = [Listening.from_json(e.data) for e in entries if e.kind is Kind.LISTEN]
    told = [one for one in listened if one.purpose is not Purpose.OWN]
    assert told == [Listening(Purpose.ON, 2.5, 0.5), Listening(Purpose.STAMPS)]
    levels = [one.level_db for one in clicks_of(entries)]
    assert levels == pytest.approx([one.level_db for one in arrays], abs=0.5)
