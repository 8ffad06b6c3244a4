"""The roster: a bay comes, falls silent, is lost, stops, comes again; bounded whoever writes."""

import asyncio
import itertools
import json
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import aiomqtt
import pytest
from click.testing import CliRunner, Result
from tests.support.servers import Mosquitto, free_port
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.config import load
from plantigrade_gateway.forward.mqtt import Heard
from plantigrade_gateway.hub import roster
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.names import store_path
from plantigrade_gateway.hub.roster import Life, Roster, Row, listen, summary
from plantigrade_gateway.people.tables import engine_for, migrate
from plantigrade_gateway.store.store import Store

BEGAN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
PLAYER = "a1" * 16
FOOT = {"link": "streaming", "battery_percent": 80, "lost_share": 0.004, "silent_s": 0.1}
SWING = {"time": "2026-03-02T09:00:01.000Z", "n": 3, "words": "rolled, with shift"}


class Site:
    """A roster with clocks that a test turns."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.roster = Roster(lambda: self.now_s, lambda: self.utc)
        self.roster.begin()

    @property
    def utc(self) -> datetime:
        return BEGAN + timedelta(seconds=self.now_s - 1000.0)

    @property
    def time(self) -> str:
        return self.utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def status(self, bay: str = "b1", retained: bool = False, **changed: Any) -> None:
        pair = {
            **{"name": None, "source": "insoles", "session": "5e", "player": PLAYER},
            **{"feet": {"left": FOOT, "right": FOOT}, "swing": SWING},
            **changed.pop("pair", {}),
        }
        table = {"v": 1, "time": self.time, "pairs": [pair], "unsent": [], **changed}
        self.roster.take(Heard(f"{bay}/roster", json.dumps(table).encode(), retained))

    def state(self, word: str, bay: str = "b1", retained: bool = False) -> None:
        told = None if word == "away" else self.time
        data = json.dumps({"v": 1, "state": word, "time": told})
        self.roster.take(Heard(f"{bay}/state", data.encode(), retained))

    def row(self, names: dict[str, str] | None = None) -> Row:
        (one,) = self.roster.rows(names)
        return one

    def lives(self) -> dict[str, Life]:
        return {row.key: row.life for row in self.roster.rows()}


@pytest.fixture(autouse=True)
def place(monkeypatch):
    """Tell times as a place in UTC does."""
    import time

    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_a_bay_is_alive_while_it_speaks_and_silent_since_its_last_word():
    site = Site()
    site.status()
    site.now_s += roster.SILENT_S - 0.1
    assert site.row().life is Life.ALIVE and site.row().said == "alive"
    site.now_s += 0.2
    assert site.row().said == "silent since 09:00:00" and "said" in site.row().look
    site.now_s += 86_400.0
    assert site.row().said == "silent since 2026-03-02 09:00"
    site.status()
    assert site.row().life is Life.ALIVE


def test_a_bay_that_died_is_away_at_once_since_its_last_word():
    site = Site()
    site.status()
    site.now_s += 2.0
    site.state("away")
    assert site.row().said == "away since 09:00:00" and site.row().life is Life.AWAY
    site.now_s += 60.0
    site.state("online")  # it is there again, before its first status
    assert site.row().life is Life.ALIVE
    site.state("away")
    site.status()  # whoever speaks is there, whatever was heard of it before
    assert site.row().life is Life.ALIVE


def test_a_bay_whose_clock_is_ahead_was_heard_now_at_the_latest():
    site = Site()
    site.status()
    site.now_s += 60.0
    ahead = json.dumps({"v": 1, "state": "stopped", "time": "2026-03-02T09:05:00.000Z"})
    site.roster.take(Heard("b1/state", ahead.encode(), False))
    assert site.row().said == "stopped since 09:01:00"
    site.now_s += 600.0
    assert site.row().said == "stopped since 09:05:00"


def test_a_bay_that_was_stopped_is_not_to_be_looked_after():
    site = Site()
    site.status(unsent=[{"to": "tsdb", "waiting": 0, "oldest_s": None}])
    site.now_s += 1.0
    site.state("stopped")
    assert site.row().said == "stopped since 09:00:01" and site.row().look == ()


def test_what_the_broker_kept_proves_no_life_in_any_order():
    """The retained state and status come in any order; only what is said now is life."""
    kept = [("state", "online"), ("status", ""), ("state", "away")]
    for first, second in itertools.permutations(kept[:2]):
        site = Site()
        for what, word in (first, second):
            if what == "state":
                site.state(word, retained=True)
            else:
                site.status(retained=True)
        assert site.row().life is Life.UNHEARD
        site.now_s += roster.SILENT_S + 0.1
        assert site.row().said == "silent since 09:00:00"
    for order in itertools.permutations(kept[1:]):
        site = Site()
        for what, word in order:
            if what == "state":
                site.state(word, retained=True)
            else:
                site.status(retained=True)
        assert site.row().said == "away since 09:00:00"


def test_an_older_gateway_says_every_ten_seconds_that_it_is_there():
    site = Site()
    site.state("online")
    site.now_s += 20.0
    row = site.row()
    assert row.life is Life.ALIVE and (row.who, row.left, row.unsent) == ("–", "–", "–")
    site.now_s += 6.0
    assert site.row().life is Life.SILENT


def test_without_the_broker_nobody_is_called_silent_or_alive():
    site = Site()
    site.status()
    site.roster.end("message broker x: cannot be reached")
    site.now_s += 3600.0
    assert site.row().life is Life.UNHEARD and site.roster.problem is not None
    site.roster.begin()
    assert site.roster.problem is None and site.row().life is Life.UNHEARD
    site.now_s += roster.SILENT_S + 0.1
    assert site.row().life is Life.SILENT


def test_a_row_says_who_and_how_in_words():
    site = Site()
    low = {**FOOT, "battery_percent": 20}
    lossy = {**FOOT, "lost_share": 0.021, "link": "searching"}
    waits = [
        {"to": "mqtt", "waiting": 1, "oldest_s": 0.4},
        {"to": "tsdb", "waiting": 9, "oldest_s": 75.2},
    ]
    site.status(pair={"feet": {"left": low, "right": lossy}}, unsent=waits)
    row = site.row({PLAYER: "Mira Invented"})
    assert row.who == "Mira Invented"
    assert row.left == "20 % low, 0.4 % lost"
    assert row.right == "searching, 80 %, 2.1 % lost"
    assert row.swing == "swing 3 at 09:00:01: rolled, with shift"
    assert row.unsent == "75 s, for the time-series database"
    assert row.look == ("left", "right", "unsent")
    assert site.row().who == "player a1a1a1a1"  # whoever may not see names
    site.status(pair={"player": None, "session": None, "swing": None, "source": "invented"})
    row = site.row()
    assert row.who == "nobody registered, no session, invented data" and row.swing == "–"
    site.status(unsent=[{"to": "tsdb", "waiting": 0, "oldest_s": None}])
    assert site.row().unsent == "nothing" and site.row().look == ()


def test_what_is_at_a_limit_is_not_past_it():
    """Silent after 5 s, to be looked after over 60 s of waiting or 2 % of loss, at 20 % or less."""
    site = Site()
    site.status(retained=True)
    site.now_s += 5.0
    assert site.row().life is Life.UNHEARD
    site.status()
    site.now_s += 5.0
    assert site.row().life is Life.ALIVE
    foot = {**FOOT, "battery_percent": 21, "lost_share": 0.02}
    waits = [{"to": "tsdb", "waiting": 9, "oldest_s": 60.0}]
    site.status(pair={"feet": {"left": foot, "right": FOOT}}, unsent=waits)
    assert (site.row().left, site.row().unsent) == ("21 %, 2.0 % lost", "60 s")
    assert site.row().look == ()


def test_a_bay_with_several_pairs_has_a_row_for_each():
    site = Site()
    pair = {"source": "insoles", "session": None, "player": None}
    site.status(pairs=[{**pair, "name": "left mat"}, {**pair, "name": "right mat"}])
    assert list(site.lives()) == ["b1 left mat", "b1 right mat"]
    assert summary(site.roster.rows()) == "1 of 1 bay alive."


def test_bays_stand_in_the_order_of_their_numbers_and_the_sentence_names_who_is_not_there():
    site = Site()
    assert summary(site.roster.rows()) == "No bay has been heard of."
    for bay in ("b10", "b2", "a"):
        site.status(bay)
    site.state("away", "b2")
    rows = site.roster.rows()
    assert [row.key for row in rows] == ["a", "b2", "b10"]
    assert summary(rows) == "2 of 3 bays alive. Not: b2 away."
    site.status("7")
    assert [row.key for row in site.roster.rows()] == ["7", "a", "b2", "b10"]


def test_a_bay_whose_retained_messages_are_taken_away_is_forgotten():
    site = Site()
    site.status()
    site.roster.take(Heard("b1/roster", b"", False))
    assert list(site.lives()) == ["b1"]
    site.roster.take(Heard("b1/state", b"", False))
    assert site.lives() == {}


@pytest.mark.parametrize(
    ("topic", "data"),
    [
        ("B1/roster", b"{}"),
        ("b1/roster", b"{"),
        ("b1/roster", b'{"v": 1, "time": "yesterday", "pairs": [], "unsent": []}'),
        ("b1/roster", b'{"v": 1, "time": "9999-01-01T00:00:00Z", "pairs": [], "unsent": []}'),
        ("b1/state", b'{"v": 1, "state": "gone", "time": null}'),
        ("b1/state", b'{"v": 1, "state": "online", "time": 5}'),
        ("b1/state", b" " * 600),
    ],
)
def test_what_is_no_message_of_ours_is_counted_and_makes_no_bay(topic, data):
    site = Site()
    site.roster.take(Heard(topic, data, False))
    assert site.lives() == {} and site.roster.refused == 1


def test_more_bays_than_are_kept_are_left_out(monkeypatch):
    monkeypatch.setattr(roster, "MOST_BAYS", 2)
    site = Site()
    for bay in ("b1", "b2", "b3", "b1"):
        site.status(bay)
    assert list(site.lives()) == ["b1", "b2"] and site.roster.refused == 1


def test_what_a_broker_keeps_of_bays_that_are_none_keeps_no_bay_out(monkeypatch):
    monkeypatch.setattr(roster, "MOST_BAYS", 3)
    site = Site()
    for k in range(5):
        site.status(f"junk{k}", retained=True)
        site.state("online", f"junk{k}", retained=True)
    assert len(site.lives()) == 3
    for bay in ("b1", "b2", "b3", "b4"):
        site.status(bay)
    assert site.lives() == dict.fromkeys(("b1", "b2", "b3"), Life.ALIVE)


def test_signs_that_steer_a_terminal_come_to_nothing():
    site = Site()
    site.status(pair={"player": "\x1b[2Jx", "swing": {**SWING, "words": "\x1b[31mred\u202e"}})
    row = site.row()
    assert row.swing.isprintable() and row.who.isprintable()


@pytest.mark.dear
async def test_a_roster_is_filled_from_a_real_broker_over_its_restart(tmp_path):
    broker = Mosquitto(tmp_path / "broker", port=free_port())
    found = Roster()
    settings = {
        "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
        "PLANTIGRADE_MQTT_PORT": str(broker.port),
        "PLANTIGRADE_SITE": "north",
    }
    listening = asyncio.create_task(listen(load(None, settings), found))
    said = json.dumps({"v": 1, "time": Site().time, "pairs": [], "unsent": []})

    async def life(bay: str, wanted: Life) -> None:
        async with asyncio.timeout(HANG_S):
            while {row.key: row.life for row in found.rows()}.get(bay) is not wanted:
                await asyncio.sleep(0.02)

    async def publish(topic: str, text: str, retain: bool = False) -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port, timeout=HANG_S) as bay:
            await bay.publish(topic, text, 1, retain=retain)

    async with asyncio.timeout(HANG_S):
        while "cannot be reached" not in (found.problem or ""):
            await asyncio.sleep(0.02)
    await asyncio.to_thread(broker.start)
    try:
        async with asyncio.timeout(HANG_S):
            while found.problem is not None:
                await asyncio.sleep(0.02)
        await publish("plantigrade/v1/north/b1/roster", said, retain=True)
        await life("b1", Life.ALIVE)
        await publish("plantigrade/v1/south/b9/roster", said)  # another site's
        await publish("plantigrade/v1/north/b7/roster", "{" * 9000)  # the broker keeps it
        await publish("plantigrade/v1/north/b2/roster", said)
        await life("b2", Life.ALIVE)
        assert [row.key for row in found.rows()] == ["b1", "b2"] and found.refused == 0
        broker.stop()
        await life("b1", Life.UNHEARD)
        await asyncio.to_thread(broker.start)
        async with asyncio.timeout(HANG_S):
            while found.problem is not None:
                await asyncio.sleep(0.02)
        await publish("plantigrade/v1/north/b1/roster", said)
        await life("b1", Life.ALIVE)
    finally:
        listening.cancel()
        with suppress(asyncio.CancelledError):
            await listening
        broker.kill()


@pytest.mark.dear
async def test_a_bay_that_is_forgotten_leaves_the_roster_and_the_broker(tmp_path):
    """Who listens hears it at once; who begins to listen later finds nothing either."""
    broker = Mosquitto(tmp_path / "broker", port=free_port())
    settings = {
        "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
        "PLANTIGRADE_MQTT_PORT": str(broker.port),
        "PLANTIGRADE_SITE": "north",
    }
    path = store_path(tmp_path)
    Store.open(path).close()
    engine = engine_for(path)
    migrate(engine)
    Bays(engine).add("b1")
    Bays(engine).withdraw("b1")
    found = Roster()
    said = json.dumps({"v": 1, "time": Site().time, "pairs": [], "unsent": []})
    state = json.dumps({"v": 1, "state": "away", "time": None})

    async def bays(roster: Roster, wanted: list[str]) -> None:
        async with asyncio.timeout(HANG_S):
            while [row.key for row in roster.rows()] != wanted:
                await asyncio.sleep(0.02)

    def forget() -> Result:
        command = ["hub", "bay", "forget", "b1", "--data", str(tmp_path)]
        return CliRunner().invoke(main, command, env=settings)

    listening = asyncio.create_task(listen(load(None, settings), found))
    try:
        await asyncio.to_thread(broker.start)
        async with aiomqtt.Client("127.0.0.1", broker.port, timeout=HANG_S) as bay:
            for name in ("b1", "b2"):
                await bay.publish(f"plantigrade/v1/north/{name}/roster", said, 1, retain=True)
                await bay.publish(f"plantigrade/v1/north/{name}/state", state, 1, retain=True)
        await bays(found, ["b1", "b2"])
        done = await asyncio.to_thread(forget)
        assert "The broker keeps no last words of it" in done.output, done.output
        await bays(found, ["b2"])
        later = Roster()
        again = asyncio.create_task(listen(load(None, settings), later))
        await bays(later, ["b2"])
        again.cancel()
        broker.stop()
        Bays(engine).add("b1")
        Bays(engine).withdraw("b1")
        done = await asyncio.to_thread(forget)  # forgotten all the same
        assert done.exit_code == 0 and "may still show it: message broker" in done.output
        assert Bays(engine).all() == []
    finally:
        engine.dispose()
        listening.cancel()
        with suppress(asyncio.CancelledError):
            await listening
        broker.kill()
