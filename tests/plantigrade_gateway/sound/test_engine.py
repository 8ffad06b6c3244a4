"""Announcements by engines made for the test: what they are told, what is made of their sound."""

import sys
import threading
import wave
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.motifs import MIN_RAMP_S, PEAK, SAMPLE_RATE_HZ
from plantigrade_gateway.sound.speech import LONGEST, Announcer, Engine, find_engine

HZ = 500.0
"""Of the tone that the engines say."""


def tone(path: Path, rate_hz: int = 22_050, channels: int = 1, width: int = 2) -> Path:
    """A WAV of half a second of a tone at a quarter of full scale."""
    t_s = np.arange(rate_hz // 2) / rate_hz
    samples = np.rint(8191 * np.sin(2 * np.pi * HZ * t_s)).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(width)
        file.setframerate(rate_hz)
        file.writeframes(samples.tobytes())
    return path


def engine(folder: Path, sound: Path, name: str) -> Engine:
    """An engine that keeps what it is told in ``told`` and gives a file's sound."""
    path = folder / name
    path.write_text(
        f"#!{sys.executable}\n"
        "import pathlib, sys\n"
        f"folder = pathlib.Path({str(folder)!r})\n"
        "words = sys.stdin.read()\n"
        "(folder / 'told').write_text(repr(sys.argv[1:]) + chr(10) + words)\n"
        f"data = pathlib.Path({str(sound)!r}).read_bytes()\n"
        "if '-o' in sys.argv:\n"
        "    pathlib.Path(sys.argv[sys.argv.index('-o') + 1]).write_bytes(data)\n"
        "else:\n"
        "    sys.stdout.buffer.write(data)\n"
    )
    path.chmod(0o755)
    return Engine(name, str(path))


@pytest.mark.parametrize("name", ["espeak-ng", "say"])
@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 48_000])
def test_a_voice_comes_at_our_rate_and_level_with_ramps(tmp_path, name, rate_hz):
    samples = engine(tmp_path, tone(tmp_path / "a.wav", rate_hz), name).render("Good.")
    assert len(samples) / SAMPLE_RATE_HZ == pytest.approx(0.5, abs=1e-4)
    assert np.abs(samples).max() == pytest.approx(PEAK, rel=0.02)
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    hz = np.fft.rfftfreq(len(samples), 1 / SAMPLE_RATE_HZ)
    assert hz[np.argmax(spectrum)] == pytest.approx(HZ, abs=2.1)
    n = round(MIN_RAMP_S * SAMPLE_RATE_HZ)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)  # half a cosine, from 0
    for end in (samples, samples[::-1]):
        assert np.all(np.abs(end[:n]) <= 1.02 * PEAK * ramp + 1e-9)
    assert np.abs(samples[n : 3 * n]).max() > 0.9 * PEAK


def test_words_are_given_on_standard_input_and_cut(tmp_path):
    sound = tone(tmp_path / "a.wav")
    engine(tmp_path, sound, "espeak-ng").render("a\n-w b" + "x" * 500)
    arguments, words = (tmp_path / "told").read_text().split("\n", 1)
    assert arguments == repr(["-v", "en", "-s", "165", "--stdin", "--stdout"])
    assert words.startswith("a -w bxxx") and len(words) == LONGEST == 200
    engine(tmp_path, sound, "say").render("good")
    arguments, words = (tmp_path / "told").read_text().split("\n", 1)
    assert words == "good" and "--data-format=LEI16@22050" in arguments
    assert arguments.endswith("'-f', '-']")


@pytest.mark.parametrize(
    ("rate_hz", "channels", "width"),
    [(7_999, 1, 2), (48_001, 1, 2), (22_050, 2, 2), (22_050, 1, 1)],
)
def test_another_kind_of_sound_is_refused(tmp_path, rate_hz, channels, width):
    """8 to 48 kHz, one channel, 16 bit."""
    made = engine(tmp_path, tone(tmp_path / "a.wav", rate_hz, channels, width), "espeak-ng")
    with pytest.raises(SoundError, match="expected 16-bit mono sound"):
        made.render("Good.")


@pytest.mark.parametrize("data", [b"", b"hello", b"RIFF....WAVE", b"RIFF....WAVEfmt ........"])
def test_what_is_no_sound_is_refused(tmp_path, data):
    (tmp_path / "a.wav").write_bytes(data)
    with pytest.raises(SoundError, match="gave no sound"):
        engine(tmp_path, tmp_path / "a.wav", "espeak-ng").render("Good.")


def test_silence_and_half_a_sample_are_borne(tmp_path):
    path = tone(tmp_path / "a.wav")
    path.write_bytes(path.read_bytes() + b"\x07")  # a pipe may end anywhere
    assert len(engine(tmp_path, path, "espeak-ng").render("Good.")) > 0
    head = path.read_bytes()[:44]
    path.write_bytes(head + bytes(400))
    assert len(engine(tmp_path, path, "espeak-ng").render("Good.")) == 0


def test_an_engine_is_found_by_its_name(tmp_path, monkeypatch):
    sound = tone(tmp_path / "a.wav")
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_engine() is None
    engine(tmp_path, sound, "say")
    found = find_engine()
    assert found is not None and (found.name, found.path) == ("say", str(tmp_path / "say"))
    engine(tmp_path, sound, "espeak-ng")
    found = find_engine()
    assert found is not None and found.name == "espeak-ng"


def test_two_wait_at_most_while_one_is_rendered():
    """A third is old news."""
    begun, go_on = threading.Event(), threading.Event()

    class Slow(Engine):
        def render(self, text: str) -> NDArray[np.float32]:
            begun.set()
            assert go_on.wait(HANG_S)
            return np.full(1, float(text), dtype=np.float32)

    announcer = Announcer(Slow("slow", ""))
    announcer.say("1")
    assert begun.wait(HANG_S)
    for text in "2345":
        announcer.say(text)
    go_on.set()
    announcer.close()
    assert [float(one[0]) for one in announcer.done()] == [1.0, 2.0, 3.0]
    assert announcer.done() == []
