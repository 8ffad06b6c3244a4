"""A real device: a private PulseAudio server's null sink, recorded from its monitor."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.support.hearing import strongest_hz
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound import device as speakers
from plantigrade_gateway.sound import output
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.device import Speaker, named_device, short_switch_interval
from plantigrade_gateway.sound.mixer import Voice
from plantigrade_gateway.sound.motifs import PEAK, SAMPLE_RATE_HZ, Motif, glide, motif, pitch_hz
from plantigrade_gateway.sound.output import Silence, open_sound
from plantigrade_gateway.sound.pitch import TONE_PEAK, TonePoint
from plantigrade_gateway.sound.wav import WavFile

pytestmark = pytest.mark.dear

TICK = Cue(CueKind.HEEL_LIFTED, 1.0, 1.1, 0.0, motif(Motif.HEEL_LIFTED))


@pytest.fixture
def no_server(monkeypatch, tmp_path):
    """Point every sound library at nothing."""
    monkeypatch.setenv("PULSE_SERVER", f"unix:{tmp_path}/none")
    monkeypatch.setenv("ALSA_CONFIG_PATH", f"{tmp_path}/none")
    monkeypatch.setitem(speakers.BACKENDS, sys.platform, ("PULSEAUDIO", "ALSA"))


@contextmanager
def recording(sink: str = "plantigrade") -> Iterator[list[bytes]]:
    """Collect what a null sink plays, raw float32, while the context is open."""
    command = f"parec --device={sink}.monitor --format=float32le --rate=48000 --channels=1"
    blocks: list[bytes] = []
    with subprocess.Popen(
        [*command.split(), "--latency-msec=5", "--raw"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        bufsize=0,
    ) as parec:
        stdout = parec.stdout
        assert stdout is not None

        def read() -> None:
            while block := stdout.read(65536):
                blocks.append(block)

        reader = threading.Thread(target=read)
        reader.start()
        deadline = time.monotonic() + HANG_S
        while not blocks and time.monotonic() < deadline:
            time.sleep(0.02)
        assert blocks, "parec records nothing"
        yield blocks
        parec.terminate()
        reader.join(timeout=HANG_S)


def played(blocks: list[bytes], is_idle: Callable[[], bool]) -> None:
    """Wait until the device has played all: sound, and a quarter of a second of silence after it.

    Silence is counted in what was recorded, so that a slow machine only takes longer.
    """
    quiet = SAMPLE_RATE_HZ // 4
    end_s = time.monotonic() + HANG_S
    while time.monotonic() < end_s:
        raw = b"".join(blocks)
        sounds = np.flatnonzero(np.frombuffer(raw[: len(raw) // 4 * 4], dtype=np.float32))
        if is_idle() and len(sounds) and len(raw) // 4 - sounds[-1] > quiet:
            return
        time.sleep(0.02)
    raise AssertionError("the device does not come to an end")


@dataclass(frozen=True)
class Heard:
    """What a device played, without the silence around it and where a busy machine stalled."""

    samples: NDArray[np.float32]
    joins: NDArray[np.intp]  # where something was taken out: the phase may jump there

    def pitch_hz(self, begin_s: float) -> float:
        """Return the median pitch of the whole pieces of 25 ms in 0.35 s; a join breaks a piece."""
        width = round(0.025 * SAMPLE_RATE_HZ)
        starts = [round((begin_s + 0.005 * k) * SAMPLE_RATE_HZ) for k in range(66)]
        whole = [a for a in starts if not np.any((self.joins > a) & (self.joins < a + width))]
        assert whole, f"no 25 ms without a stall from {begin_s} s on"
        return float(np.median([strongest_hz(self.samples[a : a + width]) for a in whole]))


def heard_in(blocks: list[bytes]) -> Heard:
    """Take out each silence that is longer than a sine's way through zero."""
    raw = b"".join(blocks)
    samples = np.frombuffer(raw[: len(raw) // 4 * 4], dtype=np.float32)
    sounds = np.flatnonzero(samples)
    return Heard(samples[sounds], np.flatnonzero(np.diff(sounds) > 4) + 1)


def heard_whole(play: Callable[[], object], is_idle: Callable[[], bool], length: int) -> Heard:
    """Play until the device plays all of it (samples, within a tenth), and return that.

    A sound server drops a block that comes too late, as it may on a busy machine.
    """
    lengths: list[int] = []
    end_s = time.monotonic() + HANG_S
    while time.monotonic() < end_s:
        with recording() as blocks:
            play()
            played(blocks, is_idle)
        heard = heard_in(blocks)
        lengths.append(len(heard.samples))
        if lengths[-1] == pytest.approx(length, rel=0.1):
            return heard
    raise AssertionError(f"of {length} samples the device played {lengths}")


@pytest.mark.slow
def test_the_device_plays_the_pitch_of_the_cue(sound_server):
    """Heel for half a second, then toe: both are found in what the device played, in order."""
    path_t_s, path_y = [0.0, 0.5, 0.501, 1.0], [0.1, 0.1, 0.9, 0.9]
    cue = Cue(CueKind.GLIDE, 1.0, 1.1, 0.0, glide(path_t_s, path_y))
    with Speaker() as speaker:
        assert speaker.backend == "PulseAudio"
        assert speaker.running.wait(HANG_S)
        voices: list[Voice | None] = []
        length = round(1.06 * SAMPLE_RATE_HZ)
        heard = heard_whole(
            lambda: voices.append(speaker.play(cue)), lambda: speaker.mixer.idle, length
        )
        assert all(voice is not None and voice.started_ns is not None for voice in voices)
        assert not speaker.lost
    assert np.abs(heard.samples).max() <= PEAK * 1.001
    assert heard.pitch_hz(0.05) == pytest.approx(220.0 * 4.0**0.1, rel=0.01)
    assert heard.pitch_hz(0.60) == pytest.approx(220.0 * 4.0**0.9, rel=0.01)


@pytest.mark.slow
def test_the_device_follows_the_cop_from_heel_to_toe(sound_server):
    """Half a second at the heel, half at the toes: each point sounds at its own time."""
    y = np.concatenate((np.full(50, 0.1), np.full(50, 0.9)))
    points = [TonePoint(k / 100, float(pitch_hz(at)), 1.0) for k, at in enumerate(y)]
    points.append(TonePoint(1.0, 440.0, 0.0))
    with Speaker() as speaker:
        assert speaker.running.wait(HANG_S)
        heard = heard_whole(
            lambda: speaker.follow(points),
            lambda: speaker.mixer.idle,
            round(1.02 * SAMPLE_RATE_HZ),
        )
    assert np.abs(heard.samples).max() <= TONE_PEAK * 1.001
    assert heard.pitch_hz(0.1) == pytest.approx(220.0 * 4.0**0.1, rel=0.01)
    assert heard.pitch_hz(0.6) == pytest.approx(220.0 * 4.0**0.9, rel=0.01)


@pytest.mark.slow
def test_a_device_that_comes_back_is_opened_again(sound_server):
    """Lost, said; chosen again it plays, in the same session."""
    said: list[str] = []
    usual_s = sys.getswitchinterval()
    with open_sound(on_lost=said.append) as sound:
        first = sound.output
        quick_s = sys.getswitchinterval()
        assert isinstance(first, Speaker) and sound.device and not sound.lost
        assert first.running.wait(HANG_S)
        sound_server.signal(signal.SIGKILL)
        deadline = time.monotonic() + HANG_S
        while not said and time.monotonic() < deadline:
            time.sleep(0.01)
        assert said == [sound.said]
        assert sound.lost and not sound.device
        assert "let the live page play the sound, or open the device again" in sound.said
        sound_server.start_again()
        assert sound.choose(True) == "Sound plays through PulseAudio."
        second = sound.output
        assert isinstance(second, Speaker) and second is not first
        assert sound.device and not sound.lost
        assert sys.getswitchinterval() == quick_s < usual_s, "not undone by closing the first"
        assert second.running.wait(HANG_S)
        heard_whole(lambda: sound.play(TICK), lambda: second.mixer.idle, len(TICK.samples))
        assert sound.choose(False) == "The sound device is off: the live page can play the sound."
        assert isinstance(sound.output, Silence) and not sound.lost
        assert sys.getswitchinterval() == usual_s
    assert len(said) == 1


def test_a_device_that_is_not_there_leaves_all_as_it_was(no_server, tmp_path):
    with open_sound("wav", tmp_path / "a.wav") as sound:
        assert sound.choose(True).startswith("No sound device was found (PULSEAUDIO: ")
        assert isinstance(sound.output, WavFile)
        sound.play(TICK)
        sound.follow([TonePoint(2.0, 440.0, 1.0)])
        assert sound.choose(False) == f"The sound is written to {tmp_path}/a.wav."


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
@pytest.mark.slow
def test_the_watchdog_notices_a_server_that_dies_or_hangs(sound_server, how):
    """Once, with a sentence; and closing does not hang. How soon: the test below."""
    said: list[str] = []
    noticed = threading.Event()

    def on_lost(sentence: str) -> None:
        said.append(sentence)
        noticed.set()

    with Speaker(on_lost=on_lost) as speaker:
        assert speaker.running.wait(HANG_S)
        assert not noticed.is_set()  # alive: nothing said
        sound_server.signal(how)
        assert noticed.wait(HANG_S)
        assert speaker.lost
        for _ in range(30):
            speaker.play(TICK)  # nobody takes them: no error, no growth
        assert speaker.mixer.dropped > 0
        time.sleep(1.0)
    assert len(said) == 1
    assert "PulseAudio" in said[0] and "has stopped" in said[0]


class Watched:
    """What the watchdog looks at, on a clock of its own: a device that asks until it dies."""

    def __init__(self, from_s: float, until_s: float) -> None:
        self.now_s = 0.0
        self.running = threading.Event()
        self.backend = "Fake"
        self.lost = False
        self.told_at_s: list[float] = []
        self._from_s, self._until_s = from_s, until_s
        self._closing = self
        self._asked = 0

    def wait(self, seconds: float) -> bool:
        self.now_s += seconds
        if self._from_s <= self.now_s <= self._until_s:
            self._asked += 1
        return self.now_s > 20.0

    def _on_lost(self, sentence: str) -> None:
        self.told_at_s.append(self.now_s)


def test_the_watchdog_speaks_within_a_second_and_never_of_a_device_that_plays():
    dies = Watched(0.5, 5.0)
    Speaker._watch(cast(Speaker, dies))
    assert dies.lost and dies.running.is_set()
    assert len(dies.told_at_s) == 1 and 0.2 <= dies.told_at_s[0] - 5.0 <= 1.0
    plays = Watched(0.5, 30.0)
    Speaker._watch(cast(Speaker, plays))
    assert not plays.lost and plays.told_at_s == []
    wakes = Watched(2.5, 30.0)  # an idle PulseAudio sink finishes its 2 s of silence first
    Speaker._watch(cast(Speaker, wakes))
    assert not wakes.lost and wakes.running.is_set()


def test_a_server_that_does_not_answer_counts_as_no_device(sound_server, tmp_path, monkeypatch):
    monkeypatch.setenv("ALSA_CONFIG_PATH", f"{tmp_path}/none")
    sound_server.signal(signal.SIGSTOP)
    sound = open_sound(wav=tmp_path / "a.wav")
    with sound.output as output:
        assert isinstance(output, WavFile)
    assert "PULSEAUDIO: no answer within 3 s" in sound.said


def test_open_sound_opens_the_device(sound_server):
    sound = open_sound()
    with sound.output as output:
        assert isinstance(output, Speaker)
    assert sound.said == "Sound plays through PulseAudio."


def test_without_a_device_the_sound_is_written(no_server, tmp_path):
    sound = open_sound(wav=tmp_path / "a.wav", start_s=1.0)
    with sound.output as output:
        assert isinstance(output, WavFile)
        output.play(TICK)
    assert (tmp_path / "a.wav").stat().st_size == 44 + 2 * (4800 + len(TICK.samples))
    assert sound.said.startswith("No sound device was found (PULSEAUDIO: ")
    assert sound.said.endswith(f"): the sound is written to {tmp_path}/a.wav.")


def test_without_a_device_or_a_file_there_is_silence(no_server):
    sound = open_sound()
    with sound.output as output:
        assert isinstance(output, Silence)
        output.play(TICK)
    assert sound.said.endswith("there is no sound.")


def test_a_missing_library_counts_as_no_device(monkeypatch):
    monkeypatch.setitem(sys.modules, "miniaudio", None)
    with pytest.raises(SoundError, match="miniaudio library cannot be loaded"):
        Speaker()
    assert isinstance(open_sound().output, Silence)


def test_an_unknown_platform_counts_as_no_device(monkeypatch):
    monkeypatch.delitem(speakers.BACKENDS, sys.platform)
    with pytest.raises(SoundError, match=f"no sound system is known for {sys.platform}"):
        Speaker()


def test_wishes_other_than_a_device(tmp_path):
    off = open_sound("none", tmp_path / "a.wav")
    assert isinstance(off.output, Silence)
    assert off.said == "Sound is off."
    assert not (tmp_path / "a.wav").exists()
    with open_sound("wav", tmp_path / "a.wav").output as output:
        assert isinstance(output, WavFile)
    with pytest.raises(SoundError, match="expected the file's path"):
        open_sound("wav")


def test_a_missing_device_prints_nothing(no_server, tmp_path):
    """ALSA would write lines to standard error, and Python its warnings."""
    code = "from plantigrade_gateway.sound.output import open_sound; print(open_sound().said)"
    environment = os.environ | {"ALSA_CONFIG_PATH": f"{tmp_path}/none"}
    done = subprocess.run(
        [sys.executable, "-X", "dev", "-W", "error", "-c", code],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert done.stdout.startswith("No sound device was found")


def test_what_others_print_comes_back_after_the_quiet(capfd):
    with speakers.quiet_stderr():
        os.write(2, b"hidden")
    os.write(2, b"shown")
    assert capfd.readouterr().err == "shown"


def test_threads_change_quickly_for_as_long_as_any_work_wants_it():
    usual_s = sys.getswitchinterval()
    with short_switch_interval():
        quick_s = sys.getswitchinterval()
        with short_switch_interval():
            assert sys.getswitchinterval() == quick_s < usual_s
        assert sys.getswitchinterval() == quick_s
    assert sys.getswitchinterval() == usual_s


# Which device


def test_a_device_is_found_by_its_name_or_a_part_of_it():
    there = [("Built-in Audio", 1), ("Headset", 2), ("Headset Pro", 3)]
    assert named_device("headset", there) == 2  # the whole name stands before a part
    assert named_device("pro", there) == 3
    assert named_device("Built", there) == 1
    with pytest.raises(
        SoundError, match=r"no device is called Radio; there are: Built-in Audio, H"
    ):
        named_device("Radio", there)
    with pytest.raises(SoundError, match="several devices are called Head"):
        named_device("Head", there)
    with pytest.raises(SoundError, match="there are: none"):
        named_device("Radio", [])


@pytest.mark.slow
def test_a_named_device_plays_alone(sound_server):
    """A server with two sinks: what the named one plays is not in the usual one."""
    load = "load-module module-null-sink sink_name=other sink_properties=device.description=Other"
    subprocess.run(["pactl", *load.split()], check=True, capture_output=True, timeout=HANG_S)
    with recording() as usual, recording("other") as other, Speaker(device="other") as speaker:
        assert speaker.running.wait(HANG_S)
        speaker.play(TICK)
        played(other, lambda: speaker.mixer.idle)
    raw = b"".join(usual)
    assert not np.any(np.frombuffer(raw[: len(raw) // 4 * 4], dtype=np.float32))
    with pytest.raises(SoundError, match=r"no device is called nothing; there are: .*Other"):
        Speaker(device="nothing")


def test_a_sound_that_may_not_have_the_device_is_not_given_it(monkeypatch):
    """Another pair's cues come from there."""
    opened: list[object] = []

    class Device(Speaker):
        def __init__(self, *_: object, **__: object) -> None:
            opened.append(self)

    monkeypatch.setattr(output, "Speaker", Device)
    with open_sound("none", barred="It is pair A's.") as sound:
        assert sound.said == "It is pair A's."
        assert sound.choose(True) == "It is pair A's."
        assert isinstance(sound.output, Silence)
    assert opened == []
