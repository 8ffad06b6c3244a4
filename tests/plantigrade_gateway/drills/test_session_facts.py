"""What a drill takes from its session: what stands showed, and the limits it decides by."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import stand

from plantigrade.block import N_COLUMNS, Column, Foot, PairBlock
from plantigrade.events import Bearing
from plantigrade.limits import G_M_S2, Limits
from plantigrade_gateway.analysis.practice import Practice
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import BalanceTarget, Choice, Feedback
from plantigrade_gateway.drills.run import note_bearing
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sound.pitch import CopSource


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (Bearing.NONE, False),
        (Bearing.SLIGHT, True),
        (Bearing.BEARING, True),
        (Bearing.BROAD, True),
        (Bearing.UNCLEAR, None),
        (Bearing.MOVED, None),
    ],
)
def test_a_stand_says_whether_a_foot_bears_unless_it_moved_or_is_unclear(kind, expected, known):
    event = stand(900)
    bears = {Foot.LEFT: known, Foot.RIGHT: known}
    note_bearing(bears, replace(event, left=replace(event.left, bearing=kind)))
    assert bears[Foot.LEFT] is (known if expected is None else expected)


def one_leg(seconds: float, other_n: float) -> PairBlock:
    """Stand on the left foot with some load left on the right one."""
    n = round(100 * seconds)
    feet = []
    for load_n in (600.0, other_n):
        values = np.zeros((n, N_COLUMNS))
        values[:, Column.HEEL] = load_n
        values[:, Column.MOMENT_X], values[:, Column.MOMENT_Y] = 0.5 * load_n, 0.4 * load_n
        feet.append(values)
    return PairBlock(0, np.arange(n) / 100, *feet)


@pytest.mark.parametrize("settled_first", [True, False])
@pytest.mark.parametrize(("contact_bw", "good"), [(0.05, 0), (0.10, 1)])
def test_a_drill_is_decided_by_the_session_s_limits(tmp_path, contact_bw, good, settled_first):
    """50 N on the other foot of 700 N: over 5 % of body weight, under 10 %."""
    drill = shelf(tmp_path / "store").drills["balance"]
    drill = replace(drill, target=BalanceTarget(stance=CopSource.LEAD, hold_s=2.0))
    limits = Limits(contact_bw=contact_bw)
    settings = SessionSettings(mass_kg=700.0 / G_M_S2, limits=limits)
    practice = Practice()
    if settled_first:
        practice.settle(settings)
    practice.choose(0.0, Choice(drill, Feedback.EVERY))
    practice.settle(settings)
    practice.push(Output(net=[one_leg(5.0, 50.0)]))
    assert practice.score is not None and practice.score.good == good
