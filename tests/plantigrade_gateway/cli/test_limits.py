"""`plantigrade run` decides by the settings file's limits, and by its session's before all."""

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from plantigrade.limits import Limits
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.session import insoles, runner


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
