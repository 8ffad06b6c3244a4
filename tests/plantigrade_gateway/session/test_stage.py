"""What a run is opened with: whose commands it obeys."""

import asyncio
import contextlib
import io
import logging
from collections.abc import Callable, Iterator
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
