"""What a drill takes from its session: what stands showed, and the limits it decides by."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import stand, step

from plantigrade.block import N_COLUMNS, Column, Foot, PairBlock
from plantigrade.events import Bearing
from plantigrade.limits import G_M_S2, Limits
from plantigrade_gateway.analysis.practice import Practice, read_entry
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import BalanceTarget, Choice, Feedback
from plantigrade_gateway.drills.run import note_bearing
from plantigrade_gateway.errors import RecordError
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


def test_each_run_lasts_to_the_next_choice():
    """A drill at 5 s, another at 20 s, none from 30 s, and a last one under way at the end."""
    drills = shelf(None).drills
    practice = Practice()
    for t_s, name in ((5.0, "push"), (20.0, "balance"), (30.0, None), (33.0, "stay")):
        practice.choose(t_s, Choice(None if name is None else drills[name], Feedback.EVERY))
    found = [(run.name, run.start_s, run.end_s) for run in practice.results(40.0)]
    assert found == [("push", 5.0, 20.0), ("balance", 20.0, 30.0), ("stay", 33.0, 40.0)]
    practice.choose(41.0, Choice(None, Feedback.EVERY))
    assert practice.results(50.0)[-1].end_s == 41.0


@pytest.mark.parametrize(
    ("held_s", "good"),
    [
        ((2.01, 2.01), (0, 0)),
        ((1.99, 2.01), (1, 0)),
        ((2.01, 1.98), (0, 1)),
        ((1.99, 1.98), (1, 1)),
    ],
)
def test_rows_belong_to_the_run_in_which_they_lie(held_s, good):
    """They come when the next drill was chosen long ago: 2 s before its choice, 2 s after it."""
    drill, practice = shelf(None).drills["balance"], Practice()
    practice.settle(SessionSettings(mass_kg=700.0 / G_M_S2))
    for start_s, hold_s in zip((0.0, 2.0), held_s, strict=True):
        target = BalanceTarget(stance=CopSource.LEAD, hold_s=hold_s)
        practice.choose(start_s, Choice(replace(drill, target=target), Feedback.EVERY))
    practice.push(Output(net=[one_leg(4.0, 0.0)]))
    assert tuple(run.good for run in practice.results(4.0)) == good


@pytest.mark.parametrize("chosen_first", [True, False])
def test_a_stand_decides_how_steps_are_judged_before_or_after_the_choice(chosen_first):
    """The left foot bears on its midfoot there, so its step counts by its roll."""
    practice = Practice()
    choice = Choice(shelf(None).drills["walk_through"], Feedback.EVERY)
    if chosen_first:
        practice.choose(0.0, choice)
    practice.push(Output(events=[stand(0)]))
    if not chosen_first:
        practice.choose(13.0, choice)
    practice.push(Output(events=[step(1500)]))
    (run,) = practice.results(20.0)
    assert [rep.words for rep in run.reps] == ["left foot, roll through"]


@pytest.mark.parametrize("drill", ["[]", "3", '"push"', "true"])
def test_a_drill_entry_that_holds_no_table_is_refused_in_one_sentence(drill):
    data = b'{"schema": 1, "drill": ' + drill.encode() + b', "feedback": "other"}'
    with pytest.raises(RecordError, match=r"^drill entry: drill: is .*, expected a table$"):
        read_entry(data)
