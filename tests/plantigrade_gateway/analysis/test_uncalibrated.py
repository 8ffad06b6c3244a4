"""Insoles that were never calibrated: said wherever newtons or × BW are shown."""

import io
import json
from dataclasses import replace

import pytest
from click.testing import CliRunner
from rich.console import Console

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.zones import eighteen
from plantigrade_gateway import words
from plantigrade_gateway.analysis.quality import Quality
from plantigrade_gateway.analysis.record import RecordAnalysis, analyse_record
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.report.screen import Screen
from plantigrade_gateway.report.session import show
from plantigrade_gateway.sources.replay import demo_file, read_replay


def without(*insoles: int) -> list[Batch]:
    """The practice session's beginning, without the calibrations of some insoles."""
    entries = list(next(iter(read_replay(demo_file()))).slice(0, 4000))
    kept = [e for e in entries if e.kind is not Kind.CALIBRATION or e.insole not in insoles]
    return [Batch.of(kept)]


@pytest.fixture(scope="module")
def bare() -> Analysis:
    return analyse_record(without(0, 1), "test")


def shown(analysis: Analysis) -> str:
    out = io.StringIO()
    show(analysis, Console(file=out, width=200))
    return out.getvalue()


def test_a_record_without_calibrations_says_so_in_json_and_report(bare):
    assert bare.quality is not None
    for foot in Foot:
        assert bare.quality.foot(foot).calibration == "never calibrated"
        assert bare.quality.foot(foot).gain == 1.0
    assert bare.quality.uncalibrated == "never calibrated"
    lines = [line for line in shown(bare).splitlines() if "never calibrated" in line]
    assert [line.split()[0] for line in lines if "insole" in line] == ["left", "right"]


def test_the_foot_that_lacks_it_is_named():
    one = analyse_record(without(1), "test")
    assert one.quality is not None
    assert one.quality.uncalibrated == "right never calibrated"
    assert one.quality.left.calibration == "invented, left"


@pytest.mark.dear
def test_beside_sets_of_swings():
    """The table shows the lead peak in × BW."""
    whole = [
        Batch.of([e for e in batch if e.kind is not Kind.CALIBRATION])
        for batch in read_replay(demo_file())
    ]
    found = analyse_record(whole, "test")
    assert found.swings
    assert "× BW: never calibrated." in shown(found)


def test_beside_the_newtons_of_a_stand():
    """The practice session begins with one of 15 s."""
    batch = next(iter(read_replay(demo_file()))).slice(0, 4000)
    for gone, said in ((Kind.CALIBRATION, True), (Kind.END, False)):
        found = analyse_record([Batch.of([e for e in batch if e.kind is not gone])], "test")
        assert found.stands
        assert ("Load N: never calibrated." in shown(found)) is said


def test_beside_the_bars_of_a_session_under_way():
    for gone, said in (((0, 1), ["Loads in × BW: never calibrated."]), ((), [])):
        analysis = RecordAnalysis("test")
        for batch in without(*gone):
            analysis.push(batch)
        out = io.StringIO()
        console = Console(file=out, width=120, force_terminal=True)
        with Screen(console, analysis, Foot.LEFT, 700.0, None) as screen:
            bars, *beside = screen._bars()
        assert bars.plain.endswith("× BW (about)")
        assert [line.plain for line in beside] == said


def test_a_zone_csv_does_not_know(tmp_path):
    names = ",".join(["time_s", *(f"{side}{k + 1}" for side in "LR" for k in range(18))])
    rows = [",".join([f"{k / 100:.2f}", *["20"] * 36]) for k in range(300)]
    path = tmp_path / "stand.csv"
    path.write_text("\n".join([names, *rows]) + "\n")
    result = CliRunner().invoke(main, ["analyse", str(path), "--json"])
    quality = json.loads(result.stdout)["quality"]
    assert (quality["left"]["calibration"], quality["left"]["gain"]) == (None, None)
    assert "calibrated" not in CliRunner().invoke(main, ["analyse", str(path)]).stdout


def test_results_stored_before_there_was_such_a_thing_are_read(bare):
    table = json.loads(json.dumps(bare.quality.to_json()))
    for foot in Foot:
        del table[foot]["calibration"], table[foot]["gain"]
    assert Quality.from_json(table).left.calibration is None


def test_words_of_a_calibration():
    start = default_calibration(eighteen(), Foot.LEFT)
    assert words.calibration(start) == "never calibrated"
    assert words.calibration(replace(start, note="of today")) == "of today"
    assert words.uncalibrated({Foot.LEFT: "of today", Foot.RIGHT: None}) == ""
