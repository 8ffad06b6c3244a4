"""Where the sound goes, with a speaker that no device is behind."""

import threading
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound import output
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.device import Speaker
from plantigrade_gateway.sound.mixer import Mixer
from plantigrade_gateway.sound.output import Silence, Sound


class Dead(Speaker):
    """A speaker without a device, that has stopped or not."""

    def __init__(self, lost: bool) -> None:
        self.lost, self.backend = lost, "FAKE"
        self.mixer = Mixer()


@pytest.mark.parametrize("lost", [False, True])
def test_it_goes_to_the_device_while_that_takes_it_and_is_lost_once_it_has_stopped(lost):
    sound = Sound(Dead(lost), "Sound: FAKE")
    assert (sound.device, sound.lost) == (not lost, lost)
    assert ("FAKE" in sound.said and sound.said != "Sound: FAKE") is lost


def test_without_a_device_there_is_none_that_could_be_lost():
    sound = Sound(Silence(), "off")
    assert (sound.device, sound.lost, sound.said) == (False, False, "off")


def test_the_device_is_given_what_it_asks_for_each_time_and_is_seen_to_ask():
    speaker = Dead(False)
    speaker._asked = 0
    feed = Speaker._feed(speaker)
    assert next(feed) == b""
    for n in (240, 100, 240):
        assert len(cast(Any, feed.send(n))) == n
    assert speaker._asked == 3


def test_a_cue_is_mixed_at_once_and_an_announcement_waits_for_silence():
    speaker = Dead(False)
    samples = np.full(480, 0.25, np.float32)
    speaker.play(cast(Cue, SimpleNamespace(kind=CueKind.SPOKEN, samples=samples)))
    first = speaker.mixer.render(240).copy()
    assert np.any(first)  # nothing else is heard
    assert not speaker.mixer.idle


def test_closing_ends_the_watch_and_the_device_once():
    speaker = Dead(False)
    closed = threading.Event()
    speaker._closing = threading.Event()
    speaker._watchdog = threading.Thread(target=speaker._closing.wait, args=(HANG_S,))
    speaker._watchdog.start()
    speaker._device = SimpleNamespace(close=closed.set)
    speaker.close()
    assert not speaker._watchdog.is_alive() and closed.is_set()


def test_the_sound_is_given_to_the_device_and_taken_from_it_and_says_where_it_goes(monkeypatch):
    closed: list[object] = []

    class New(Dead):
        def __init__(self, on_lost: object, device: str | None) -> None:
            super().__init__(False)
            assert (on_lost, device) == (told, "Headset")

        def close(self) -> None:
            closed.append(self)

    def told(_: str) -> None:
        pass

    sound = Sound(Silence(), "off", told, "Headset")
    assert sound.choose(False) == "off"  # it is
    monkeypatch.setattr(output, "Speaker", New)
    assert sound.choose(True) == sound.said == "Sound plays through FAKE."
    device = sound.output
    assert sound.device and isinstance(device, New)
    assert sound.choose(True) == "Sound plays through FAKE." and sound.output is device
    off = "The sound device is off: the live page can play the sound."
    assert sound.choose(False) == sound.said == off
    assert closed == [device] and isinstance(sound.output, Silence)
    sound.close()
    assert sound.choose(True) == off and isinstance(sound.output, Silence)


def test_where_no_device_is_found_that_is_said_and_all_stays(monkeypatch):
    class Fails(Speaker):
        def __init__(self, **_: object) -> None:
            raise SoundError("ALSA: nothing there")

    monkeypatch.setattr(output, "Speaker", Fails)
    sound = Sound(Silence(), "off")
    assert sound.choose(True) == "No sound device was found (ALSA: nothing there)."
    assert sound.said == "off" and isinstance(sound.output, Silence)
