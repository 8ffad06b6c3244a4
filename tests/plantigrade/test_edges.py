"""On which edge steps end: three real walks, and the same mirrored."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.support.scoring import pair_rows

from plantigrade.analyser import Analyser
from plantigrade.block import N_COLUMNS, Column, FloatArray, Foot, PairBlock
from plantigrade.edges import EdgeTally
from plantigrade.events import Step
from plantigrade.limits import Setup, setup_for
from plantigrade.load import body_weight_n
from plantigrade.stance import unmeasured_step
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


@pytest.mark.dear
@pytest.mark.parametrize("name", WALKS)
def test_no_real_walk_is_taken_for_mirrored(open_data: Callable[[str], Path], name):
    found = tally(*walked(open_data(f"gaitpdb/{name}.csv"), mirror=False))
    assert min(found.steps.values()) > 80
    assert not found.is_mirrored


@pytest.mark.dear
@pytest.mark.parametrize(("name", "seen"), [*zip(WALKS, (False, True, True), strict=True)])
def test_two_of_three_real_walks_show_it_when_mirrored(open_data, name, seen):
    """The first walker's left foot ends laterally by itself: there it cannot be told."""
    found = tally(*walked(open_data(f"gaitpdb/{name}.csv"), mirror=True))
    assert found.is_mirrored is seen


@pytest.mark.dear
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


def stance(x: FloatArray, load_n: float = 700.0) -> FloatArray:
    """Load columns of one foot whose CoP goes across along x, one row each."""
    values = np.zeros((len(x), N_COLUMNS))
    values[:, Column.FOREFOOT] = load_n
    values[:, Column.MOMENT_X], values[:, Column.MOMENT_Y] = x * load_n, 0.7 * load_n
    return values


def step(foot: Foot, **changes: Any) -> Step:
    """A stance from 0 to 1 s."""
    made = unmeasured_step(
        foot=foot,
        strike_s=0.0,
        off_s=1.0,
        threshold_n=35.0,
        touches_gap=False,
        first_index=0,
        confirmed_s=1.1,
    )
    return replace(made, **changes)


def of_one_stance(foot: Foot, values: FloatArray, **changes: Any) -> EdgeTally:
    t_s, air = np.arange(len(values)) / 100.0, np.zeros_like(values)
    left, right = (values, air) if foot is Foot.LEFT else (air, values)
    found = EdgeTally()
    found.push([PairBlock(0, t_s, left, right)], [step(foot, **changes)], 35.0)
    assert found.steps[foot.other] == found.lateral[foot.other] == 0
    return found


@pytest.mark.parametrize("foot", list(Foot))
@pytest.mark.parametrize(
    ("row", "by", "lateral"),
    [
        *((row, -0.1, n) for row, n in ((30, 0), (31, 1), (59, 1), (60, 0), (81, 0))),
        *((row, 0.1, n) for row, n in ((80, 0), (81, 1), (94, 1), (95, 0), (59, 0))),
    ],
)
def test_between_30_and_60_percent_is_compared_with_between_80_and_95(foot, row, by, lateral):
    """One row of a stance of a hundred lies off: what lies in neither part does not count."""
    x = np.full(101, 0.5)
    x[row] += by
    found = of_one_stance(foot, stance(x))
    assert (found.steps[foot], found.lateral[foot]) == (1, lateral)


@pytest.mark.parametrize(
    "changes", [{"strike_s": None}, {"off_s": None}, {"touches_gap": True}], ids=str
)
def test_a_stance_that_was_not_seen_whole_is_not_counted(changes):
    x = np.linspace(0.4, 0.6, 101)
    assert of_one_stance(Foot.LEFT, stance(x)).lateral[Foot.LEFT] == 1
    assert of_one_stance(Foot.LEFT, stance(x), **changes).steps[Foot.LEFT] == 0


@pytest.mark.parametrize("part", [slice(31, 60), slice(81, 95)])
def test_a_part_without_a_cop_is_not_compared(part):
    values = stance(np.linspace(0.4, 0.6, 101))
    values[part] *= 34.0 / 700.0  # under the load that has a CoP, 35 N
    assert of_one_stance(Foot.LEFT, values).steps[Foot.LEFT] == 0


@pytest.mark.parametrize(("lateral", "said"), [(15, False), (16, True), (20, True)])
def test_it_is_said_of_four_in_five_steps_of_both_feet(lateral, said):
    for few in Foot:
        found = EdgeTally()
        found.steps = dict.fromkeys(Foot, 20)
        found.lateral = {few: lateral, few.other: 20}
        assert found.is_mirrored is said


def blocks_of(x: FloatArray, first: int, rows: int) -> list[PairBlock]:
    """Both feet's CoP goes along x, cut into blocks of so many rows from absolute row `first`."""
    t_s = (first + np.arange(len(x))) / 100.0
    whole = PairBlock(first, t_s, stance(x), stance(x))
    return [whole.slice(at, min(at + rows, len(x))) for at in range(0, len(x), rows)]


def test_a_stance_may_come_in_pieces_and_at_any_time():
    """From 20 to 21 s: laterally at its end alone, after 18.5 s of the same and far from it."""
    x = np.full(300, 0.5)
    x[181:195] = 0.6  # 81 to 94 % of the stance from row 100 on
    found, made = EdgeTally(), step(Foot.LEFT, strike_s=20.0, off_s=21.0, first_index=2000)
    *before, last = blocks_of(x, 1900, 25)
    for block in before:
        found.push([block], [], 35.0)
    found.push([last], [made], 35.0)
    assert (found.steps[Foot.LEFT], found.lateral[Foot.LEFT]) == (1, 1)


def test_rows_that_do_not_follow_begin_afresh():
    found = EdgeTally()
    found.push(blocks_of(np.full(100, 0.9), 0, 100), [], 35.0)
    made = step(Foot.RIGHT, strike_s=50.0, off_s=51.0, first_index=5000)
    found.push(blocks_of(np.linspace(0.4, 0.6, 101), 5000, 101), [made], 35.0)
    assert (found.steps[Foot.RIGHT], found.lateral[Foot.RIGHT]) == (1, 1)


def test_rows_are_kept_for_twelve_seconds():
    """Both ends of them; a step that lies in them still counts when it is confirmed."""
    found = EdgeTally()
    for block in blocks_of(np.linspace(0.4, 0.6, 6000), 700, 100):
        found.push([block], [], 35.0)
    assert found._rows is not None
    assert (found._rows.first, found._rows.end) == (6699 - 1200, 6700)
    made = step(Foot.LEFT, strike_s=55.0, off_s=56.0, first_index=5500)
    found.push([], [made], 35.0)
    assert (found.steps[Foot.LEFT], found.lateral[Foot.LEFT]) == (1, 1)


@pytest.mark.parametrize(
    ("row", "by", "lateral"),
    [
        *((row, -0.1, n) for row, n in ((44, 0), (46, 1), (59, 1), (61, 0))),
        *((row, 0.1, n) for row, n in ((69, 0), (71, 1), (77, 1), (78, 0))),
    ],
)
def test_the_parts_are_those_of_a_stance_of_any_length(row, by, lateral):
    """From 0.30 to 0.80 s: 30 to 60 % of it are 0.45 to 0.60 s, 80 to 95 % 0.70 to 0.775 s."""
    x = np.full(101, 0.5)
    x[row] += by
    found = of_one_stance(Foot.LEFT, stance(x), strike_s=0.3, off_s=0.8)
    assert (found.steps[Foot.LEFT], found.lateral[Foot.LEFT]) == (1, lateral)
