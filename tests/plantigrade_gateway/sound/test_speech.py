"""Announcements: rendered by a real engine, at our rate and level; none where there is none."""

import subprocess
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import welch
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.mixer import Mixer
from plantigrade_gateway.sound.motifs import MIN_RAMP_S, PEAK, SAMPLE_RATE_HZ, Motif, motif
from plantigrade_gateway.sound.speech import Announcer, Engine, find_engine, opened_voice

SCRIPT = Path(__file__).resolve().parents[3] / ".ci" / "speech"


@pytest.fixture(scope="module")
def engine() -> Engine:
    """The engine of `.ci/speech`, which installs it where it may."""
    done = subprocess.run([SCRIPT], capture_output=True, text=True, timeout=240, check=False)
    if done.returncode == 3:
        pytest.skip(f"no speech engine, .ci/speech says: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr
    found = find_engine()
    assert found is not None and found.name == "espeak-ng"
    return found


@dataclass(frozen=True)
class Held(Engine):
    """One that renders nothing until it may."""

    go_on: threading.Event = field(default_factory=threading.Event)

    def render(self, text: str) -> NDArray[np.float32]:
        assert self.go_on.wait(HANG_S)
        return super().render(text)


@pytest.mark.dear
def test_words_become_sound_of_our_rate_and_level(engine):
    short, long = engine.render("Good."), engine.render("Rolled, with shift, in 0.12 seconds.")
    for samples in (short, long):
        assert samples.dtype == np.float32
        assert 0.9 * PEAK <= np.abs(samples).max() <= PEAK * 1.0001
        ramp = round(MIN_RAMP_S * SAMPLE_RATE_HZ)
        assert samples[0] == samples[-1] == 0.0
        assert np.abs(np.diff(samples[:ramp])).max() < 0.1 * PEAK
    assert 0.2 < len(short) / SAMPLE_RATE_HZ < 1.5
    assert len(long) > 2.5 * len(short)
    hz, power = welch(long, SAMPLE_RATE_HZ, nperseg=4096)
    assert power[(hz > 80) & (hz < 4000)].sum() > 0.9 * power.sum()  # a voice, at its own pitch


@pytest.mark.dear
def test_text_is_words_and_never_an_option_or_a_command(engine, tmp_path):
    path = tmp_path / "made"
    samples = engine.render(f"-w {path}; touch {path}\n\x00<break/> $(touch {path})")
    assert len(samples) > 0 and not path.exists()
    assert len(engine.render("word " * 500)) < 60 * SAMPLE_RATE_HZ  # cut to `LONGEST`


@pytest.mark.dear
def test_nothing_to_say_is_no_sound(engine):
    assert len(engine.render("")) == len(engine.render(" \n")) == 0


@pytest.mark.dear
def test_the_announcer_works_beside_and_gives_what_is_ready(engine):
    held = Held(engine.name, engine.path)
    with Announcer(held) as announcer:
        announcer.say("Good.")
        announcer.say("Good, two in a row.")
        assert announcer.done() == []  # while the engine is at work, nothing waits for a voice
        held.go_on.set()
        said: list[NDArray[np.float32]] = []
        end_s = time.monotonic() + HANG_S
        while len(said) < 2 and time.monotonic() < end_s:
            said += announcer.done()
            time.sleep(0.01)
    assert len(said) == 2 and len(said[1]) > len(said[0])
    assert announcer.problem is None


@pytest.mark.dear
def test_too_many_at_once_are_left_out(engine):
    held = Held(engine.name, engine.path)
    with Announcer(held) as announcer:
        for _ in range(20):
            announcer.say("Good.")
        held.go_on.set()
    assert 1 <= len(announcer.done()) < 10


@pytest.mark.dear
def test_an_announcement_never_overlaps_a_cue(engine):
    """Rendered samples: while the cue sounds, the mix is the cue alone."""
    words, cue, mixer = engine.render("Good, three in a row."), motif(Motif.ROLLED), Mixer()
    mixer.speak(words)
    before = np.concatenate([mixer.render(240).copy() for _ in range(40)])
    assert np.array_equal(before, words[: len(before)])
    mixer.schedule(cue)
    out = np.concatenate([mixer.render(240).copy() for _ in range(200)])
    cut = round(MIN_RAMP_S * SAMPLE_RATE_HZ)
    assert np.array_equal(out[cut : cut + len(cue)], cue)


def test_an_engine_that_fails_is_a_problem_and_not_the_end(tmp_path):
    bad = tmp_path / "bad"
    for text, said in (("exit 1", "failed"), ("echo hello", "gave no sound")):
        bad.write_text(f"#!/bin/sh\ncat >/dev/null\n{text}\n", "utf-8")
        bad.chmod(0o755)
        with pytest.raises(SoundError, match=said):
            Engine("espeak-ng", str(bad)).render("Good.")
        with Announcer(Engine("espeak-ng", str(bad))) as announcer:
            announcer.say("Good.")
        assert announcer.done() == []
        assert announcer.problem is not None and said in announcer.problem


def test_without_an_engine_one_line_says_so(monkeypatch):
    monkeypatch.setenv("PATH", "")
    said: list[str] = []
    with opened_voice(True, said.append) as voice:
        assert voice is None
    assert said == ["No voice: no speech engine was found; install espeak-ng."]
    with opened_voice(False, said.append) as voice:
        assert voice is None
    assert len(said) == 1


def test_a_voice_that_is_wanted_and_can_be_had_is_given_and_ends_with_the_block(tmp_path):
    """A program that reads its text and gives no sound stands for the engine."""
    made = tmp_path / "espeak-ng"
    made.write_text("#!/bin/sh\ncat >/dev/null\nexit 1\n", "utf-8")
    made.chmod(0o755)
    said: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
        with opened_voice(True, said.append) as voice:
            assert isinstance(voice, Announcer)
            voice.say("Good.")
        assert voice.done() == [] and voice.problem is not None  # it was at work until the end
        with opened_voice(False, said.append) as voice:
            assert voice is None
    assert said == []
