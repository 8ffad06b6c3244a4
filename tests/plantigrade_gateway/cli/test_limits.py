"""Commands decide by the settings file's limits, and by those given with the command before all."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from tests.support.practice import store_practice

from plantigrade.events import Roll
from plantigrade.limits import Limits
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.session import insoles, runner
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store


@pytest.fixture
def orders(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Keep the settings of what is begun, and begin nothing."""
    found: list[Any] = []

    async def nothing(*_: Any) -> None:
        pass

    monkeypatch.setattr(runner, "run", nothing)
    monkeypatch.setattr(insoles, "InsoleJob", lambda _, settings: found.append(settings))
    return found


def test_a_run_s_session_has_the_limits_of_file_and_command_line(tmp_path: Path, orders) -> None:
    usual = tmp_path / "settings.toml"
    usual.write_text("[limits]\npush_rolled = 0.3\nroll_through = 0.2\n", "utf-8")
    order = ["run", "--virtual", "--no-page", "--no-sound", "--mass", "74", "--settings"]
    order += [str(usual), "--store", str(tmp_path / "store"), "--limit", "push_rolled=0.6"]
    done = CliRunner().invoke(main, order)
    assert done.exit_code == 0, done.output
    (given,) = orders
    assert given.limits == Limits(push_rolled=0.6, roll_through=0.2)
    assert given.mass_kg == 74.0


def test_a_run_with_a_limit_that_cannot_be_used_does_not_begin(tmp_path: Path, orders) -> None:
    order = ["run", "--virtual", "--store", str(tmp_path / "store"), "--limit", "bearing_full=0.5"]
    done = CliRunner().invoke(main, order)
    assert (done.exit_code, orders) == (2, [])
    assert "limit bearing_full: is 0.5, expected less than bearing_broad" in done.output


@pytest.mark.parametrize("command", [("run", "--virtual", "--no-page"), ("demo", "--fast")])
def test_the_drill_of_a_session_goes_by_the_session_s_limits(
    command: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the built-in drill counts is then what the session's report calls a good push."""
    found: list[Any] = []

    async def kept(_job: Any, options: Any, *_: Any) -> None:
        found.append(options.drilling)

    monkeypatch.setattr(runner, "run", kept)
    usual = tmp_path / "settings.toml"
    usual.write_text("[limits]\ntrail_heel_from = 0.6\n", "utf-8")
    order = [*command, "--no-sound", "--drill", "push", "--settings", str(usual)]
    order += ["--store", str(tmp_path / "store"), "--limit", "push_begins_by=0.3"]
    done = CliRunner().invoke(main, order)
    assert done.exit_code == 0, done.output
    (drilling,) = found
    assert drilling.choice.drill.target.from_ == 0.3
    assert drilling.shelf.find("trail_heel").target.share == 0.6


def test_the_drills_are_listed_by_the_limits_of_the_settings(tmp_path: Path) -> None:
    usual = tmp_path / "settings.toml"
    usual.write_text("[limits]\ntrail_heel_from = 0.6\n", "utf-8")
    order = ["drills", "--json", "--store", str(tmp_path / "store"), "--settings"]
    done = CliRunner().invoke(main, [*order, str(usual)])
    assert done.exit_code == 0, done.output
    found = {drill["name"]: drill for drill in json.loads(done.stdout)["drills"]}
    assert found["trail_heel"]["target"]["share"] == 0.6
    assert found["push"]["target"]["from"] == Limits().push_begins_by


@pytest.mark.dear
def test_a_stored_session_is_decided_again_by_another_limit(tmp_path: Path) -> None:
    """No foot rolls through where the midfoot must take all of a step's load; and back again."""
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        session_id = store_practice(store)
        before = results.read(store, session_id)

    def again(*more: str) -> int:
        order = ["reanalyse", "last", "--json", "--store", str(path), *more]
        done = CliRunner().invoke(main, order)
        assert done.exit_code == 0, done.output
        return int(json.loads(done.stdout)["sessions"][0]["changed"])

    def kept() -> Analysis:
        with Store.open(path, create=False) as store:
            return results.read(store, session_id)

    assert again("--limit", "roll_through=1") > 0
    other = kept()
    assert other.quality is not None and other.quality.limits.roll_through == 1.0
    assert {step.roll for step in before.steps} >= {Roll.THROUGH}
    assert {step.roll for step in other.steps} <= {Roll.SKIPPED, Roll.UNCLEAR}
    assert again() > 0
    assert kept() == before
    refused = CliRunner().invoke(main, ["reanalyse", "--store", str(path), "--limit", "rol=1"])
    assert refused.exit_code == 2 and "rol is no limit" in refused.output
