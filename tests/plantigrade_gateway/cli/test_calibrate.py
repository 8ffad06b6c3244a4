"""What `calibrate` makes of its options, and what it refuses before anything starts."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.session import calibrate
from plantigrade_gateway.session.calibrate import CalibrationOptions
from plantigrade_gateway.virtual.process import Simulation

Says = Callable[..., Result]


class Asked:
    """What was asked for, instead of doing it."""

    request: CalibrationOptions
    is_done = True

    async def calibrate(self, request: Any, out: Any, stop: Any) -> bool:
        self.request = request
        return self.is_done


@pytest.fixture
def asked(monkeypatch) -> Asked:
    made = Asked()
    monkeypatch.setattr(calibrate, "calibrate", made.calibrate)
    return made


@pytest.fixture
def says(tmp_path: Path) -> Says:
    def made(*words: str, code: int = 0) -> Result:
        store = ["--store", str(tmp_path / "s.sqlite3")]
        result = CliRunner().invoke(main, ["calibrate", *words, *store])
        assert result.exit_code == code, result.output
        return result

    return made


def test_real_insoles_are_asked_for_as_the_options_say(asked, says, tmp_path):
    says("--mass", "66", "--footbed", "265", "--radio", "hci1", "--pair", "blue")
    made = asked.request
    assert (made.store, made.mass_kg, made.footbed_mm) == (tmp_path / "s.sqlite3", 66.0, 265.0)
    assert (made.radio, made.pair, made.simulation, made.is_check) == ("hci1", "blue", None, False)
    assert made.poses is None and made.asked is None
    before_ns = time.monotonic_ns()
    assert before_ns <= made.now_ns() <= time.monotonic_ns()
    says("--check")
    made = asked.request
    assert made.is_check and (made.mass_kg, made.pair, made.footbed_mm) == (None, "", None)


def test_virtual_insoles_have_a_player_who_does_the_poses_as_fast_as_is_said(asked, says):
    says("--virtual", "--mass", "80", "--speed", "4", "--flaw", "swapped", "--flaw", "timid")
    made = asked.request
    assert made.simulation == Simulation(speed=4.0, calibrates=True, flaws=("swapped", "timid"))
    before_ns = time.monotonic_ns()
    assert 4 * before_ns <= made.now_ns() <= 4 * time.monotonic_ns()  # the host's clock too
    says("--virtual", "--mass", "80")
    assert asked.request.simulation == Simulation(calibrates=True)


def test_one_that_was_stopped_has_exit_code_1(asked, says):
    asked.is_done = False
    says("--check", code=1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--flaw", "swapped"), "--flaw and --speed are for virtual insoles only, add --virtual"),
        (("--speed", "2"), "--flaw and --speed are for virtual insoles only, add --virtual"),
        (("--virtual", "--radio", "hci0"), "--virtual starts its own radio: leave --radio out"),
        (("--virtual", "--flaw", "melted"), "flaw 'melted': expected one of gain:FOOT:VALUE"),
        (("--bench", "FILE", "--check"), "--bench reads a file: leave --check and --virtual out"),
        (("--bench", "FILE", "--virtual"), "--bench reads a file: leave --check and --virtual out"),
        (("--mass", "9"), "--mass"),
        (("--footbed", "401"), "--footbed"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_starts(asked, says, tmp_path, words, said):
    file = tmp_path / "bench.csv"
    file.write_text("foot,zone,kpa,count\n")
    given = [str(file) if word == "FILE" else word for word in words]
    assert said in says(*given, code=2).stderr
    assert not hasattr(asked, "request")


def test_bench_readings_that_are_no_text_are_refused(asked, says, tmp_path):
    file = tmp_path / "bench.csv"
    file.write_bytes(b"\xff\xfe")
    assert "bench.csv': is not UTF-8 text" in says("--bench", str(file), code=2).stderr
