"""What the forwarding process says and notes, and when; its sinks are the test's own."""

import asyncio
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway.child import put
from plantigrade_gateway.config import load
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward import process
from plantigrade_gateway.forward.courier import Courier
from plantigrade_gateway.forward.process import ForwardingProcess
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store


class Way:
    """A courier that stands where it is told to."""

    def __init__(self, sink: str) -> None:
        self.sink = sink
        self.problem: str | None = Courier.NOT_YET
        self.unsent: list[Any] = []
        self.first: int | None = None
        self.held, self.resent, self.acknowledged = 4, 2, 0
        self.ended = False

    def next(self) -> list[Any]:
        return self.unsent

    def oldest(self) -> int | None:
        return self.first

    async def run(self, sink: Any, stop: asyncio.Event) -> None:
        await stop.wait()
        self.ended = True


@pytest.fixture(scope="module")
def empty(tmp_path_factory) -> Path:
    folder: Path = tmp_path_factory.mktemp("store")
    with Store.open(folder / "s.sqlite3") as store:
        Outbox(store.database).configure([TSDB, MQTT])
    (folder / "settings.toml").write_text("", "utf-8")
    return folder


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def clock(monkeypatch) -> SimpleNamespace:
    made = SimpleNamespace(now_s=500.0)
    monkeypatch.setattr(process, "monotonic", lambda: made.now_s)
    return made


@pytest.fixture
def work(tmp_path: Path, empty: Path, said, clock) -> Iterator[ForwardingProcess]:
    folder = Path(shutil.copytree(empty, tmp_path / "bay"))
    made = ForwardingProcess(folder / "s.sqlite3", load(folder / "settings.toml", {}), said.append)
    ways: Any = [(Way(TSDB), None), (Way(MQTT), None)]
    made._ways = ways
    yield made
    made._store.close()


def test_a_sink_is_said_when_it_goes_and_when_it_is_back_once(work, said):
    database = work._ways[0][0]
    work._note()
    assert said == []  # not asked yet: no news
    database.problem = None
    work._note()
    assert said == []  # it was there from the start
    for problem in ("database x: the connection is refused", "database x: is full", None, None):
        database.problem = problem
        for _ in range(2):
            work._note()
    assert said == [
        "Database x: the connection is refused.",
        "Database x: is full.",
        "Time-series database: takes data again.",
    ]
    work._ways[1][0].problem = "broker y: no answer!"
    work._note()
    assert said[3:] == ["Broker y: no answer!"]


def test_clocks_that_differ_are_said_and_that_they_agree_again(work, said):
    database: Any = SimpleNamespace(clock_said="the clocks differ by 7 s")
    work.database = database
    work._note()
    kept = forwardstate.read(forwardstate.path_for(work._store_path))
    assert kept is not None and kept.warnings == ("the clocks differ by 7 s",)
    database.clock_said = None
    for _ in range(2):
        work._note()
    assert said == ["The clocks differ by 7 s.", "The clocks agree again."]


def test_the_state_of_each_sink_is_as_its_courier_stands(work, clock, monkeypatch):
    way = work._ways[0][0]
    monkeypatch.setattr(process, "time", lambda: 1000.0)
    way.first = 990_040
    states = {state.sink: state for state in work._note()}
    one = states[TSDB]
    assert (one.active, one.held, one.resent, one.oldest_s) == (True, 4, 2, 10.0)
    assert (one.problem, one.waiting, one.sent, one.per_s) == (Courier.NOT_YET, 0, 0, 0.0)
    assert states[MQTT].oldest_s is None
    way.first = 1_000_500  # by a clock that was set back
    way.acknowledged = 9
    clock.now_s += 2.0
    del work._ways[1]  # configured before, and of another version's settings
    states = {state.sink: state for state in work._note()}
    assert (states[TSDB].oldest_s, states[TSDB].per_s) == (0.0, 4.5)
    other = states[MQTT]
    assert (other.active, other.problem, other.held, other.resent, other.per_s) == (
        *(False, None, 0, 0),
        0.0,
    )
    kept = forwardstate.read(forwardstate.path_for(work._store_path))
    assert kept is not None and abs((datetime.now(UTC) - kept.written).total_seconds()) < 60.0


def test_a_store_that_refuses_is_no_state_and_is_logged(work, said, monkeypatch, caplog):
    def refuses() -> Any:
        raise StoreError("is damaged")

    monkeypatch.setattr(work._outbox, "depths", refuses)
    assert work._note() == () and said == []
    assert [one.getMessage() for one in caplog.records] == ["is damaged"]


def test_no_store_is_made_where_there_is_none(work, tmp_path):
    config = load(tmp_path / "bay" / "settings.toml", {})
    with pytest.raises(StoreError):
        ForwardingProcess(tmp_path / "none.sqlite3", config, print)
    assert not (tmp_path / "none.sqlite3").exists()


def test_each_sink_of_the_settings_has_its_way_as_the_settings_say(tmp_path, empty, said):
    """So many rows in one piece as its row of `sinks.SINKS` says, held as long as its section."""
    config = load(
        None,
        {
            "PLANTIGRADE_TSDB_URL": "http://here",
            "PLANTIGRADE_TSDB_LOADS": "true",
            "PLANTIGRADE_TSDB_HOLD_S": "7",
            "PLANTIGRADE_MQTT_HOST": "here",
            "PLANTIGRADE_MQTT_HOLD_S": "9",
        },
    )
    folder = Path(shutil.copytree(empty, tmp_path / "bay"))
    made = ForwardingProcess(folder / "s.sqlite3", config, said.append)
    try:
        ways = {way.sink: (way._hold_s, way._at_once, sink) for way, sink in made._ways}
        assert {name: told[:2] for name, told in ways.items()} == {
            **{TSDB: (7.0, 200), LOADS: (7.0, 5)},
            MQTT: (9.0, 100),
        }
        assert (made.database, made.broker) == (ways[TSDB][2], ways[MQTT][2])
        assert type(made.database).__name__ == "Database"
        assert type(made.broker).__name__ == "Broker"
    finally:
        made._store.close()


@pytest.mark.parametrize("has_broker", [False, True])
def test_commands_of_the_broker_reach_the_gateway(monkeypatch, has_broker):
    broker = SimpleNamespace(on_command=None) if has_broker else None
    opened = SimpleNamespace(broker=broker)
    monkeypatch.setattr(process, "ForwardingProcess", lambda *_: opened)
    config: Any = None
    made: Any = process._heeding(Path("store"), config, print)
    assert made is opened
    assert broker is None or broker.on_command is put


def test_a_live_summary_goes_to_the_broker_where_there_is_one(work):
    work.hear({"type": "live"})
    shown: list[Any] = []
    broker: Any = SimpleNamespace(show=shown.append)
    work.broker = broker
    work.hear({"type": "live"})
    assert shown == [{"type": "live"}]


@pytest.mark.parametrize(
    ("problem", "unsent", "naps"),
    [(None, ["x"], 30), ("away", ["x"], 0), (None, [], 0)],
)
async def test_what_waits_has_three_seconds_after_the_word_to_stop(
    work, clock, monkeypatch, problem, unsent, naps
):
    """Each look is a tenth of a second after the last by the clock here."""
    napped: list[float] = []
    whole = asyncio.sleep

    async def nap(seconds: float) -> None:
        if seconds < 1.0:
            napped.append(seconds)
            clock.now_s = 500.0 + len(napped) / 10
        await whole(0 if seconds < 1.0 else seconds)

    monkeypatch.setattr(asyncio, "sleep", nap)
    for way, _ in work._ways:
        way.problem, way.unsent = problem, unsent
    ways = [way for way, _ in work._ways]
    work.stop.set()
    await asyncio.wait_for(work.run(), HANG_S)
    assert len(napped) == naps and all(way.ended for way in ways)
    assert forwardstate.read(forwardstate.path_for(work._store_path)) is not None


async def test_every_second_is_noted_the_database_shown_and_room_made_every_half_minute(
    work, clock, monkeypatch
):
    shown: list[float] = []
    trimmed: list[float] = []
    slept: list[float] = []

    async def nap(seconds: float) -> None:
        slept.append(seconds)
        clock.now_s += seconds
        if len(slept) == 63:
            raise asyncio.CancelledError

    database: Any = SimpleNamespace(
        clock_said=None, show=lambda sinks: shown.append(clock.now_s - 500.0)
    )
    work.database = database
    work._show_every_s = 10.0
    monkeypatch.setattr(work, "_note", lambda: ())
    monkeypatch.setattr(work, "_make_room", lambda: trimmed.append(clock.now_s - 500.0))
    monkeypatch.setattr(asyncio, "sleep", nap)
    with pytest.raises(asyncio.CancelledError):
        await work._watch()
    assert set(slept) == {1.0}
    assert shown == [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
    assert trimmed == [31.0, 62.0]


def test_room_is_made_down_to_what_the_settings_say(work, monkeypatch):
    """In mebibytes, of the setting `outbox.loads_mb`."""
    asked: list[int] = []
    given: list[bool] = []

    def trim(most: int) -> int:
        asked.append(most)
        return 7

    monkeypatch.setattr(work._outbox, "trim", trim)
    monkeypatch.setattr(work._outbox, "give_back", lambda: given.append(True))
    monkeypatch.setattr(work, "_config", SimpleNamespace(number=lambda name: 3.0))
    work._make_room()
    assert asked == [3 * 1024 * 1024] and given == [True]

    def refuses(most: int) -> int:
        raise StoreError("the disk is full")

    monkeypatch.setattr(work._outbox, "trim", refuses)
    work._make_room()  # the next time
    assert given == [True]


def test_the_process_serves_what_heeds_the_broker(monkeypatch):
    served: list[Any] = []
    monkeypatch.setattr(process, "serve", lambda *what: served.append(what))
    process.main(["--store", "s"])
    assert served == [("forward", process._heeding, ["--store", "s"])]
