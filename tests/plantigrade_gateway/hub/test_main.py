"""The process that keeps a working store: when it looks and tidies, and what it says once."""

import json
import sys
import threading
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway import config
from plantigrade_gateway.child import AtWork
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub import __main__ as module
from plantigrade_gateway.hub.objects import Objects


@pytest.fixture
def world(monkeypatch, tmp_path) -> SimpleNamespace:
    """A clock that goes on with each wait, and an end after so many of them."""
    made = SimpleNamespace(now_s=1000.0, waits=[], said=[], left=5, log=[], fails={})
    made.ended = SimpleNamespace(is_set=lambda: made.left <= 0)

    def wait(seconds: float) -> None:
        made.waits.append(seconds)
        made.now_s += seconds
        made.left -= 1

    made.ended.wait = wait
    monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: made.now_s))
    monkeypatch.setattr(module, "_say", made.said.append)

    class Intake:
        def look(self, say: Any) -> None:
            made.log.append("look")
            if error := made.fails.get(len(made.log)):
                raise error

        def tidy(self) -> None:
            made.log.append("tidy")

    made.intake = Intake()
    return made


def test_it_looks_every_two_seconds_and_tidies_every_hour(world):
    world.left = 1802
    module._keep(world.intake, world.ended)
    assert set(world.waits) == {2.0} and len(world.waits) == 1802
    assert world.log[:3] == ["look", "tidy", "look"]
    assert [k for k, what in enumerate(world.log) if what == "tidy"] == [1, 1802]
    assert world.said == []


def test_a_look_that_fails_is_said_once_until_one_does_well(world):
    full, away = StoreError("store: is full"), StoreError("tables: are away")
    world.fails = {1: full, 2: full, 3: away, 6: away}  # the fourth does well, and tidies
    world.left = 5
    module._keep(world.intake, world.ended)
    assert world.log == ["look"] * 4 + ["tidy", "look"]
    assert world.said == ["store: is full", "tables: are away", "tables: are away"]


def test_it_is_told_its_place_and_settings_and_waits_for_another_that_keeps_it(
    world, monkeypatch, tmp_path
):
    opened: list[tuple[Any, ...]] = []
    tries = [AtWork(), AtWork()]

    @contextmanager
    def alone(data: Path) -> Any:
        assert data == tmp_path
        if tries:
            raise tries.pop()
        yield

    @contextmanager
    def intake(*what: Any) -> Any:
        opened.append(what)
        yield world.intake

    def keep(one: Any, ended: Any) -> None:
        assert one is world.intake
        world.left = 0

    order: dict[str, Any] = {"data": str(tmp_path), "objects": "o", "name": "here"}
    order |= {"has_settings": True, "settings": str(tmp_path / "settings.toml")}
    begun: list[Any] = []

    def thread(**how: Any) -> Any:
        begun.append(how)
        return SimpleNamespace(start=lambda: begun.append("begun"))

    threads = SimpleNamespace(Event=lambda: world.ended, Thread=thread)
    monkeypatch.setattr(module, "threading", threads)
    monkeypatch.setattr(module, "alone", alone)
    monkeypatch.setattr(module, "Intake", intake)
    monkeypatch.setattr(module, "_keep", keep)
    monkeypatch.setattr(Objects, "of", lambda place: f"objects of {place}")
    monkeypatch.setattr(config, "load", lambda file: f"settings of {file}")
    for has_settings, settings, told in (
        (True, str(tmp_path / "s.toml"), f"settings of {tmp_path / 's.toml'}"),
        (True, None, "settings of None"),
        (False, None, None),
    ):
        order |= {"has_settings": has_settings, "settings": settings}
        monkeypatch.setattr(sys, "argv", ["hub", json.dumps(order)])
        world.left = 5
        module.main()
        assert opened[-1] == (tmp_path, "objects of o", "here", told)
    waiting = {"target": module._wait, "args": (world.ended,), "daemon": True}
    assert begun == [waiting, "begun"] * 3
    assert world.waits == [2.0, 2.0]  # said the first time alone
    (said,) = world.said
    assert said.startswith(f"Working store {tmp_path}") and "another hub keeps it" in said


def test_it_ends_with_its_standard_input(monkeypatch):
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(read=lambda: ""))
    ended = threading.Event()
    module._wait(ended)
    assert ended.wait(HANG_S)


def test_nobody_to_read_what_it_says_is_no_fault(monkeypatch, capsys):
    module._say("Session 1: brought in")
    assert capsys.readouterr().out == "Session 1: brought in\n"

    def gone(*_: Any, **__: Any) -> None:
        raise BrokenPipeError

    monkeypatch.setattr("builtins.print", gone)
    module._say("x")
