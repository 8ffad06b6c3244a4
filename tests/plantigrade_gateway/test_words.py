"""What people read of a result: an insole sees load, so no height is claimed."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from tests.support.records import stand, swing

from plantigrade.events import Bearing, HeelLiftState, PhaseKind
from plantigrade_gateway import words
from plantigrade_gateway.drills.files import shelf

ROOMS = Path(words.__file__).resolve().parent
HEIGHT = re.compile(
    r"heels? (?:is |was |stays |stayed |went )?(?:lift(?:ed|s)?\b|up\b|down\b)", re.I
)


@pytest.mark.parametrize(
    ("state", "duration_s", "said"),
    [
        (HeelLiftState.LIFTED, 0.6, "unloaded 0.6 s"),
        (HeelLiftState.LIFTED, None, "unloaded"),
        (HeelLiftState.DOWN, None, "loaded"),
        (HeelLiftState.UNCLEAR, None, "unclear"),
    ],
)
def test_of_the_heel_people_read_load(state, duration_s, said):
    event = swing(700)
    lift = replace(event.heel_lift, state=state, duration_s=duration_s)
    assert words.heel_lift(lift) == said
    assert f"lead heel {said};" in words.swing(replace(event, heel_lift=lift))


def test_a_heel_that_returned_and_one_that_never_left_are_told_apart():
    returned, never_left = words.PHASES[PhaseKind.HEEL_RETURNED], words.HEEL[HeelLiftState.DOWN]
    assert (returned, never_left) == ("lead heel returned", "loaded")
    assert words.PHASES[PhaseKind.HEEL_LIFTED] == "lead heel unloaded"


def test_nothing_people_read_says_that_a_heel_is_up_or_down(tmp_path):
    said = [*words.PHASES.values(), *words.HEEL.values()]
    for drill in shelf(tmp_path / "store").drills.values():
        said += [drill.title, drill.goal, drill.target.counts]
    for path in (*ROOMS.glob("web/templates/*.html"), *ROOMS.glob("web/static/*.js")):
        lines = path.read_text("utf-8").splitlines()
        said += [line for line in lines if not line.lstrip().startswith(("//", "*", "/*"))]
    assert [text for text in said if HEIGHT.search(text)] == []
    assert HEIGHT.search("lead heel lifted") and HEIGHT.search('"heel down"')


@pytest.mark.parametrize("kind", Bearing)
def test_a_stand_says_each_foot_s_bearing(kind):
    event = stand(900)
    said = words.stand(replace(event, left=replace(event.left, bearing=kind)))
    assert f"({kind})" in said
