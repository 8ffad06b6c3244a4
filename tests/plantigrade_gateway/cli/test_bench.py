"""The command that takes a bench file: for the insoles that are paired, or one sentence."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from plantigrade.block import Foot
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store import calibrations
from plantigrade_gateway.store.insoles import remember
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

LEFT = KnownInsole(1, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as opened:
        remember(opened, LEFT)
    return path


def bench(tmp_path: Path, zones: int = 18, foot: str = "left") -> Path:
    """Zones that read 5 counts a kPa while loading, and 20 more at 100 kPa while unloading."""
    rows = [
        f"{foot},{zone},{kpa},{5 * kpa + zone},{5 * kpa + zone + 20 * (kpa == 100)}"
        for zone in range(1, zones + 1)
        for kpa in (0, 100, 800)
    ]
    path = tmp_path / "bench.csv"
    path.write_text("\n".join(["foot,zone,kpa,up,down", *rows]))
    return path


def command(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def test_the_command_keeps_the_curves_and_says_what_they_are_worth(store, tmp_path):
    done = command("calibrate", "--bench", bench(tmp_path), "--store", store)
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "left insole (blue): curves of 18 zones are kept, hysteresis 0.5 % of the" in said
    assert "run plantigrade calibrate --mass KG" in said
    with Store.open(store) as opened:
        start = calibrations.start_of(opened, LEFT)
        text = calibrations.describe(opened, LEFT)
        assert text.startswith("bench curve of 3 pressures, not fitted")
    assert start.table()[17, [18, 528, 4018]].tolist() == pytest.approx([0.0, 100.0, 800.0])


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--check"], "--bench reads a file: leave --check and --virtual out"),
        ([], "has zones 1, 2, 3, 4, 5, 6, 7, 8 …, expected 1 to 18"),
    ],
)
def test_what_cannot_be_is_one_sentence(arguments, sentence, store, tmp_path):
    file = bench(tmp_path, zones=17)
    done = command("calibrate", "--bench", file, *arguments, "--store", store)
    assert done.exit_code == 2
    (line,) = done.stderr.strip().splitlines()
    assert sentence in line


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b"", b"\0\0\0"])
def test_a_file_of_something_else_is_one_sentence(data, store, tmp_path):
    file = tmp_path / "other.csv"
    file.write_bytes(data)
    done = command("calibrate", "--bench", file, "--store", store)
    assert done.exit_code == 2
    assert len(done.stderr.strip().splitlines()) == 1


def test_an_insole_that_is_not_paired_has_no_curve(store, tmp_path):
    done = command("calibrate", "--bench", bench(tmp_path, foot="right"), "--store", store)
    assert done.exit_code == 2
    assert "no right insole is remembered: see plantigrade pair" in done.stderr
