"""On which edge steps end: three real walks, and the same mirrored."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from tests.support.scoring import pair_rows

from plantigrade.analyser import Analyser
from plantigrade.block import Foot, PairBlock
from plantigrade.edges import EdgeTally
from plantigrade.events import Step
from plantigrade.limits import Setup, setup_for
from plantigrade.load import body_weight_n
from plantigrade.zones import ZoneLayout, parse_layout

ROOT = Path(__file__).resolve().parents[2]
LAYOUT = ROOT / "hardware_notes" / "layouts" / "eight_zone_newtons.toml"
WALKS = ("GaCo02_01", "GaCo14_01", "SiCo01_01")


@cache
def walked(path: Path, mirror: bool) -> tuple[Setup, list[PairBlock]]:
    """A real walk; mirrored, each insole is in the other shoe and called by its own name."""
    table = np.genfromtxt(path, delimiter=",", skip_header=1)
    layout: ZoneLayout = parse_layout(LAYOUT.read_text("utf-8"), LAYOUT.name)
    left, right = table[:, 1:9], table[:, 9:17]
    if mirror:
        layout, left, right = replace(layout, x=1.0 - layout.x), right, left
    bw_n = body_weight_n(table[:, 17], table[:, 18], 100.0)
    assert bw_n is not None
    setup = setup_for(layout, 100.0, bw_n, Foot.LEFT)
    return setup, list(pair_rows(table[:, 0], left, right, layout, 100.0))


def tally(setup: Setup, blocks: list[PairBlock], rows: int = 100_000) -> EdgeTally:
    analyser, found = Analyser(setup), EdgeTally()
    for block in blocks:
        for at in range(0, len(block), rows):
            piece = block.slice(at, min(at + rows, len(block)))
            steps = [e for e in analyser.push(piece) if isinstance(e, Step)]
            found.push([piece], steps, setup.cop_n)
    return found


@pytest.mark.parametrize("name", WALKS)
def test_no_real_walk_is_taken_for_mirrored(open_data: Callable[[str], Path], name):
    found = tally(*walked(open_data(f"gaitpdb/{name}.csv"), mirror=False))
    assert min(found.steps.values()) > 80
    assert not found.is_mirrored


@pytest.mark.parametrize(("name", "seen"), [*zip(WALKS, (False, True, True), strict=True)])
def test_two_of_three_real_walks_show_it_when_mirrored(open_data, name, seen):
    """The first walker's left foot ends laterally by itself: there it cannot be told."""
    found = tally(*walked(open_data(f"gaitpdb/{name}.csv"), mirror=True))
    assert found.is_mirrored is seen


def test_how_rows_are_cut_changes_nothing(open_data):
    setup, blocks = walked(open_data(f"gaitpdb/{WALKS[1]}.csv"), mirror=False)
    whole = tally(setup, blocks)
    for rows in (61, 1000):
        cut = tally(setup, blocks, rows)
        assert (cut.steps, cut.lateral) == (whole.steps, whole.lateral)


def test_few_steps_say_nothing():
    found = EdgeTally()
    found.steps = dict.fromkeys(Foot, 9)
    found.lateral = dict.fromkeys(Foot, 9)
    assert not found.is_mirrored
    found.steps = found.lateral = dict.fromkeys(Foot, 10)
    assert found.is_mirrored
