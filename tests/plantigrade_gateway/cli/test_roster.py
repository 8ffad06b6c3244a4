"""The command `roster`: the bays in a terminal, by a real broker."""

import asyncio
import json
import time
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from click.testing import CliRunner, Result
from tests.support.servers import Mosquitto, free_port
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store

NAME = "Iris Invented"


def roster(folder: Path, port: int | None, *more: str) -> Result:
    broker = {} if port is None else {"PLANTIGRADE_MQTT_PORT": str(port)}
    host = {} if port is None else {"PLANTIGRADE_MQTT_HOST": "127.0.0.1"}
    settings = {"PLANTIGRADE_SITE": "north", "COLUMNS": "200", **host, **broker}
    store = ["--store", str(folder / "store.sqlite3")]
    return CliRunner().invoke(main, ["roster", *more, *store], env=settings)


async def publish(port: int, text: str, *bays: str) -> None:
    async with aiomqtt.Client("127.0.0.1", port, timeout=HANG_S) as client:
        for bay in bays:
            await client.publish(f"plantigrade/v1/north/{bay}/roster", text, 1, retain=True)


def test_without_a_broker_in_the_settings_it_says_which_is_missing(tmp_path):
    found = roster(tmp_path, None)
    assert found.exit_code == 2 and "set mqtt.host" in found.output


@pytest.mark.dear
def test_a_broker_that_is_away_is_said_with_exit_code_1(tmp_path):
    found = roster(tmp_path, free_port())
    assert found.exit_code == 1
    assert "Message broker" in found.output or "message broker" in found.output


@pytest.mark.dear
@pytest.mark.slow
def test_the_bays_are_a_table_with_names_this_store_knows_and_as_json(tmp_path):
    with Store.open(tmp_path / "store.sqlite3") as store:
        player = store.players.create(NAME, "right", 70.0)
    pair: dict[str, Any] = {
        "name": None,
        "source": "insoles",
        "session": "5e",
        "player": player,
        "feet": {},
    }
    pair["swing"] = {"time": "2026-03-02T09:00:01.000Z", "n": 3, "words": "rolled, [red]with shift"}
    now = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime())
    told = {"v": 1, "time": now, "pairs": [pair], "unsent": []}
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    try:
        asyncio.run(publish(broker.port, json.dumps(told), "b1", "b2"))
        shown = roster(tmp_path, broker.port)
        as_json = roster(tmp_path, broker.port, "--json")
    finally:
        broker.kill()
    assert shown.exit_code == 0, shown.output
    # nobody speaks now: what the broker holds proves no life
    assert "0 of 2 bays alive. Not: b1 not heard yet, b2 not heard yet." in shown.output
    assert NAME in shown.output and "rolled, [red]with shift" in shown.output
    rows = json.loads(as_json.output)["bays"]
    assert [row["key"] for row in rows] == ["b1", "b2"]
    assert rows[0]["who"] == NAME and rows[0]["life"] == "not heard yet"
