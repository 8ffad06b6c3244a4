"""What a run is opened with: whose commands it obeys."""

import asyncio
import contextlib
import io
import logging
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from plantigrade_gateway.config import load
from plantigrade_gateway.session import stage as session_stage
from plantigrade_gateway.session.stage import RunOptions, opened_stage

B = {"type": "stop", "pair": "B"}
A = {"type": "mark", "text": "windy", "pair": "a"}
ALL = {"type": "record"}


@pytest.mark.parametrize(("pair", "obeyed"), [("A", ["mark", "record"]), ("", ["record"])])
async def test_one_pair_obeys_no_command_from_afar_that_is_for_another(
    pair, obeyed, store, monkeypatch, caplog
):
    """A name in capitals or not is the same pair's, as wherever pairs are named."""
    heard: list[Callable[[dict[str, Any]], None]] = []

    @contextlib.contextmanager
    def forwarder(_config, _store, _say, on_command) -> Iterator[None]:
        heard.append(on_command)
        yield None

    monkeypatch.setattr(session_stage, "opened_forwarder", forwarder)
    options = RunOptions(sound=None, config=load(None), pair=pair)
    with (
        caplog.at_level(logging.WARNING),
        opened_stage(Console(file=io.StringIO()), store, options) as stage,
    ):
        done: list[str] = []
        stage.obey = lambda message: done.append(message["type"])
        for message in (B, A, ALL):
            heard[0](message)
        await asyncio.sleep(0)
    assert done == obeyed
    assert "command: is for pair 'B', which is not here" in caplog.text


@pytest.mark.parametrize(("sound", "said"), [(None, False), (False, True)])
async def test_where_sound_is_not_asked_about_nothing_is_said_of_it(store, sound, said):
    """A calibration has no sound to speak of; a run without sound says so."""
    out = io.StringIO()
    with opened_stage(Console(file=out), store, RunOptions(sound=sound)):
        pass
    assert ("Sound is off" in out.getvalue()) is said


WAV = Path("chosen.wav")


def part(silent: str | None) -> Any:
    """One of several pairs: why it has no sound, None where it is the one that is heard."""
    return SimpleNamespace(order=SimpleNamespace(silent=silent, live_fd=None))


@pytest.mark.parametrize(
    ("options", "how"),
    [
        ({}, ("device", None, None, "")),
        ({"sound_device": "desk"}, ("device", None, "desk", "")),
        ({"sound": False, "wav": WAV}, ("none", None, None, "")),
        ({"wav": WAV, "part": part("heard of pair A")}, ("wav", WAV, None, "")),
        ({"part": part("heard of pair A")}, ("none", None, None, "heard of pair A")),
        ({"part": part(None)}, ("device", None, None, "")),
        ({"wav_instead": "heard.wav"}, ("device", "beside the store", None, "")),
        ({"wav_instead": "heard.wav", "fast": True}, ("wav", "beside the store", None, "")),
    ],
)
def test_what_a_run_is_heard_by(store, monkeypatch, options, how):
    """A file that is named comes first; one of several pairs is silent but for the one heard."""
    asked: list[tuple[Any, ...]] = []
    lost: list[str] = []

    def opened(prefer, wav=None, *, on_lost=None, device=None, barred="") -> str:
        asked.append((prefer, wav, device, barred))
        if prefer != "none":
            on_lost("unplugged")
        return "a sound"

    monkeypatch.setattr(session_stage, "open_sound", opened)
    sound = session_stage._open_sound(RunOptions(**options), store, lost.append)
    where = [store.path.parent / "heard.wav" if one == "beside the store" else one for one in how]
    assert asked == [tuple(where)] and str(sound) == "a sound"
    assert lost == ([] if how[0] == "none" else ["unplugged"])


async def test_a_sound_that_stops_is_told_in_the_terminal_and_to_every_page(store):
    """A device is lost in a thread of its own; pages are told in the event loop."""
    out, told = io.StringIO(), list[tuple[object, ...]]()
    with opened_stage(Console(file=out), store, RunOptions(sound=None)) as stage:
        feed: Any = SimpleNamespace(
            say=lambda *said: told.append((threading.current_thread(), *said)),
            sound=lambda: told.append((threading.current_thread(), "sound")),
        )
        stage.live_feed = feed
        await asyncio.to_thread(stage.lose_sound, "The headphones are gone.")
        await asyncio.sleep(0)
    assert out.getvalue() == "The headphones are gone.\n"
    here = threading.current_thread()
    assert told == [(here, "The headphones are gone.", "warn"), (here, "sound")]
