"""The commands `sync …` by what the hub answers: what is said, as JSON too, and the exit codes."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store import hubstate
from plantigrade_gateway.store.hubstate import HubState
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync import link
from plantigrade_gateway.sync import now as by_hand
from plantigrade_gateway.sync.link import Finding
from plantigrade_gateway.sync.now import HandedOver

URL = "https://hub.example"
OLD = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "s.sqlite3"
    Store.open(path).close()
    return path


def said(store: Path, *words: str, code: int = 0) -> str:
    result = CliRunner().invoke(main, ["sync", *words, "--store", str(store)])
    assert result.exit_code == code, result.output
    return result.stdout


def keep(store: Path, problem: str | None = None, written: datetime | None = None) -> HubState:
    state = HubState(written or datetime.now(UTC), URL, problem, None, 2, 30, None, 0, (), 0.0)
    hubstate.write(hubstate.path_for(store), state)
    return state


@pytest.mark.parametrize(("well", "code"), [(True, 0), (False, 1)])
def test_whether_the_hub_is_reached_is_one_line(store, monkeypatch, well, code):
    async def look(_: object) -> Finding:
        return Finding(well, "as it answers")

    monkeypatch.setattr(link, "check", look)
    assert said(store, "check", code=code) == "as it answers\n"
    assert json.loads(said(store, "check", "--json", code=code)) == {
        "schema": 1,
        "well": well,
        "found": "as it answers",
    }


@pytest.mark.parametrize(("problems", "code"), [((), 0), (("It is full.",), 1)])
def test_what_was_handed_over_by_hand_is_said(store, monkeypatch, problems, code):
    done = HandedOver(URL, problems, 2, 30, 4, 1, 5, 3, 8, 1)

    async def hand_over(path: Path, _: object, *, create: bool) -> HandedOver:
        assert path == store
        return done

    monkeypatch.setattr(by_hand, "hand_over", hand_over)
    assert said(store, "now", code=code).splitlines() == list(done.lines())
    table = json.loads(said(store, "now", "--json", code=code))
    assert table["schema"] == 1
    assert (table["handed_over"]["url"], table["handed_over"]["problems"]) == (URL, [*problems])


@pytest.mark.parametrize(("problem", "code"), [(None, 0), ("It does not answer.", 1)])
def test_a_gateway_that_runs_hands_over_by_itself(store, monkeypatch, problem, code):
    async def hand_over(*_: object, create: bool) -> None:
        return None

    monkeypatch.setattr(by_hand, "hand_over", hand_over)
    first = "A gateway runs at this store and hands over by itself."
    assert said(store, "now").splitlines() == [first]
    state = keep(store, problem)
    assert said(store, "now", code=code).splitlines() == [first, *hubstate.lines(state)]
    assert said(store, "now", "--json", code=code) == (
        '{\n "schema": 1,\n "handed_over": null\n}\n'  # a value a line, as all commands have it
    )


def test_how_the_way_to_the_hub_is_and_when_that_was(store):
    assert said(store, "status", "--json") == '{\n "schema": 1,\n "hub": null\n}\n'
    state = keep(store)
    head, *lines = said(store, "status").splitlines()
    assert head == "Handed over:"
    assert " ".join(line.strip() for line in lines) == " ".join(hubstate.lines(state))
    assert all(line.startswith("  ") for line in lines)
    table = json.loads(said(store, "status", "--json"))
    assert (table["schema"], table["hub"]["url"], table["hub"]["pieces"]) == (1, URL, 30)
    keep(store, written=OLD)
    assert said(store, "status").startswith("Handed over, when it last was:\n")
