"""`status` and `sync status` of what the programs of a store wrote beside it; all by hand."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from plantigrade.block import Foot
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store import forwardstate, hubstate, insoles
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.forwardstate import ForwardState, SinkState
from plantigrade_gateway.store.hubstate import HubState
from plantigrade_gateway.store.status import FootStatus, ServiceStatus
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

LONG_AGO = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
BLUE = KnownInsole(0xAB01, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270)
GREEN = KnownInsole(0xAB02, Foot.RIGHT, "green", "C0:00:00:00:00:02", 280)
LEFT = FootStatus("blue", "streaming", 80, -60, 2, 999, 1, 0, 0.1, 3.2, 0.002, True)
SINK = SinkState("tsdb", True, None, 7, 2, None, 3, 0, 0, 0, 0.0)
HUB = HubState(LONG_AGO, "https://hub:8443", "takes nothing", None, 1, 2, None, 0, (), 0.0)


@pytest.fixture(autouse=True)
def wide(monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "store.sqlite3"
    Store.open(path).close()
    return path


def said(path: Path, *words: str) -> list[str]:
    done = CliRunner().invoke(main, [*words, "--store", str(path)])
    assert done.exit_code == 0, done.output
    return [line.rstrip() for line in done.stdout.splitlines()]


def table(path: Path, *words: str) -> dict[str, object]:
    found: dict[str, object] = json.loads("".join(said(path, *words, "--json")))
    return found


def test_a_store_with_which_nothing_has_run(path):
    assert said(path, "status") == [
        "No insole is remembered: see plantigrade pair.",
        "The gateway has not run with this store: see plantigrade run.",
    ]
    assert table(path, "status") == {
        "schema": 1,
        "running": False,
        "insoles": [],
        "status": None,
        "pairs": [],
        "forward": None,
        "hub": None,
    }
    none = "Nothing was handed over from this store yet: see plantigrade sync check."
    assert said(path, "sync", "status") == [none]
    assert table(path, "sync", "status") == {"schema": 1, "hub": None}


def test_a_store_that_is_named_must_be_there(tmp_path):
    done = CliRunner().invoke(main, ["status", "--store", str(tmp_path / "gone.sqlite3")])
    assert done.exit_code == 2 and "gone.sqlite3" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_is_remembered_is_told_of_each_pair(path):
    with Store.open(path) as store:
        insoles.remember(store, BLUE)
        insoles.remember(store, GREEN)
        insoles.remember(store, replace(BLUE, serial=0xAB03, name="third"), "B")
    lines = said(path, "status")
    of = "never calibrated."
    assert lines[0] == f"Remembered: left insole (blue), 0000AB01, 270 mm; {of}"
    assert lines[1] == f"Remembered: right insole (green), 0000AB02, 280 mm; {of}"
    assert any("270" in line and "280" in line for line in lines[2:-2])  # two sizes in one pair
    assert lines[-3:-1] == [
        f"Remembered, pair B: left insole (third), 0000AB03, 270 mm; {of}",
        "No right insole is remembered: see plantigrade pair.",
    ]
    rows = table(path, "status")["insoles"]
    assert isinstance(rows, list) and [row["serial"][-4:] for row in rows] == [
        "AB01",
        "AB02",
        "AB03",
    ]
    assert rows[2] == {
        "foot": "left",
        "serial": "0000AB03",
        "name": "third",
        "length_mm": 270,
        "calibration": "never calibrated",
        "firmware": None,
        "pair": "B",
    }


def test_each_pair_s_gateway_runs_or_is_shown_as_it_was(path, monkeypatch):
    usual = ServiceStatus(LONG_AGO, False, None, {"left": LEFT}, None)
    other = ServiceStatus(datetime.now(UTC), True, "5e", {"left": LEFT}, None, pair="B")
    for one in (usual, other):
        linkstatus.write(linkstatus.path_for(path, one.pair), one)
    lines = said(path, "status")
    assert "No insole is remembered: see plantigrade pair." in lines
    (first,) = [line for line in lines if line.startswith("The gateway is not running. As it was")]
    when = LONG_AGO.astimezone().strftime("%Y-%m-%d %H:%M:%S %z")
    assert first == f"The gateway is not running. As it was on {when}:"
    assert "Pair B is running:" in lines
    assert (
        lines.count(
            "  battery 80 %, signal -60 dBm when last heard; connected 2 times; 999 "
            "packets, 0.10 % lost"
        )
        == 2
    )
    found = table(path, "status")
    assert found["running"] is True
    assert isinstance(found["status"], dict) and found["status"]["pair"] == ""
    assert isinstance(found["pairs"], list)
    assert [(row["pair"], row["is_live"]) for row in found["pairs"]] == [("B", True)]
    named = replace(other, page="http://127.0.0.1:8001/")
    linkstatus.write(linkstatus.path_for(path, "B"), named)
    assert "Pair B is running, page http://127.0.0.1:8001/:" in said(path, "status")
    linkstatus.write(linkstatus.path_for(path, "B"), replace(other, written=LONG_AGO))
    assert f"Pair B is not running. As it was on {when}:" in said(path, "status")


def test_a_gateway_that_heard_no_insole_says_so(path):
    heard_none = ServiceStatus(LONG_AGO, False, None, {}, None)
    linkstatus.write(linkstatus.path_for(path), heard_none)
    lines = said(path, "status")
    (at,) = [k for k, line in enumerate(lines) if line.startswith("The gateway is not running.")]
    assert lines[at + 1 :] == ["  no insole was heard"]


def test_what_is_sent_on_and_handed_over_is_told_with_whether_it_still_is(path):
    forwardstate.write(forwardstate.path_for(path), ForwardState(LONG_AGO, (SINK,)))
    hubstate.write(hubstate.path_for(path), HUB)
    hub = "https://hub:8443: 1 session, 2 pieces, changes not known waiting; takes nothing; has "
    assert said(path, "status")[-4:] == [
        "Sent on, when it last was:",
        "  time-series database: 5 waiting, 5 sent",
        "Handed over, when it last was:",
        f"  {hub}not answered yet",
    ]
    assert said(path, "sync", "status")[0] == "Handed over, when it last was:"
    now = datetime.now(UTC)
    forwardstate.write(forwardstate.path_for(path), ForwardState(now, (SINK,)))
    hubstate.write(hubstate.path_for(path), replace(HUB, written=now))
    lines = said(path, "status")
    assert "Sent on:" in lines and "Handed over:" in lines
    found = table(path, "status")
    assert isinstance(found["hub"], dict) and found["hub"]["pieces"] == 2
    assert isinstance(found["forward"], dict) and found["forward"]["sinks"][0]["waiting"] == 7
    kept = table(path, "sync", "status")["hub"]
    assert isinstance(kept, dict) and kept["problem"] == "takes nothing"
