"""The command `roster` with a broker that says what a test says: what is shown and refused."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.forward.mqtt import Heard
from plantigrade_gateway.hub import roster as heard
from plantigrade_gateway.hub.roster import COLUMNS, Roster
from plantigrade_gateway.store.store import Store

Says = Callable[..., Result]
NAME = "Iris Invented"


class Broker:
    """What is heard of the bays, or why nothing is."""

    def __init__(self) -> None:
        self.problem: str | None = None
        self.bays: tuple[str, ...] = ("b1", "b2")
        self.player: str | None = None
        self.looks: list[float] = []

    async def listen(self, _: object, found: Roster) -> None:
        found.problem = self.problem
        pair = {"name": None, "source": "insoles", "session": "5e", "player": self.player}
        told = {"v": 1, "time": "2026-03-02T09:00:01.000Z", "unsent": []}
        told["pairs"] = [{**pair, "feet": {}, "swing": None}]
        for bay in self.bays:
            found.take(Heard(f"{bay}/roster", json.dumps(told).encode(), is_retained=False))
        await asyncio.Event().wait()


@pytest.fixture
def broker(monkeypatch) -> Broker:
    made = Broker()
    monkeypatch.setattr(heard, "listen", made.listen)
    sleep = asyncio.sleep

    async def briefly(seconds: float) -> None:
        made.looks.append(seconds)
        if len(made.looks) == 3:
            raise KeyboardInterrupt
        await sleep(0)

    monkeypatch.setattr(asyncio, "sleep", briefly)
    return made


@pytest.fixture
def says(tmp_path: Path) -> Says:
    def made(*words: str, code: int = 0) -> Result:
        settings = {"PLANTIGRADE_SITE": "north", "COLUMNS": "200"}
        settings["PLANTIGRADE_MQTT_HOST"] = "127.0.0.1"
        store = ["--store", str(tmp_path / "s.sqlite3")]
        result = CliRunner().invoke(main, ["roster", *words, *store], env=settings)
        assert result.exit_code == code, result.output
        return result

    return made


def test_the_bays_are_a_table_of_a_row_each_below_what_they_come_to(broker, says, tmp_path):
    with Store.open(tmp_path / "s.sqlite3") as store:
        broker.player = store.players.create(NAME, "right", 70.0)
    summary, head, *rows = says().stdout.splitlines()
    assert summary.startswith("2 of 2 bays alive")
    titles = ["bay", *(title for _, title in COLUMNS)]
    places = [head.index(title) for title in titles]
    assert places == sorted(places)
    assert [row.split()[0] for row in rows] == ["b1", "b2"]
    assert all(row.index(NAME) == head.index(titles[2]) for row in rows)
    # two rounds of what each bay says once a second
    assert broker.looks == [pytest.approx(2.0, abs=0.5)]


def test_where_no_bay_speaks_there_is_no_table(broker, says):
    broker.bays = ()
    assert len(says().stdout.splitlines()) == 1


def test_as_json_they_are_named_where_this_store_knows_them(broker, says, tmp_path):
    broker.player = "a1" * 16
    table = json.loads(says("--json").stdout)
    assert table["schema"] == 1
    assert [row["key"] for row in table["bays"]] == ["b1", "b2"]
    assert NAME not in table["bays"][0]["who"]
    assert not (tmp_path / "s.sqlite3").exists()  # one that is not there is not made


def test_a_broker_that_cannot_be_heard_is_said(broker, says):
    broker.problem = "message broker: nobody answers"
    assert "message broker: nobody answers" in says(code=1).stderr


def test_what_goes_on_is_shown_again_and_again_until_ctrl_c(broker, says):
    shown = says("--follow").stdout
    assert "2 of 2 bays alive" in shown and "b2" in shown
    assert len(broker.looks) == 3 and len(set(broker.looks)) == 1 and 0.0 < broker.looks[0] <= 1.0
    refused = says("--follow", "--json", code=2)
    assert "--follow: not with --json" in refused.stderr
