"""The record of an invented visit: what its parts leave in it, and in which order."""

import pytest

from plantigrade.block import Foot
from plantigrade.synth import OneLeg, Player, Stand
from plantigrade_gateway.record.entries import SESSION, Entry, Kind
from plantigrade_gateway.record.tables import CueState, Intent, SetStart, TrialName
from plantigrade_gateway.virtual.visits import (
    AGAIN,
    START_NS,
    Drilled,
    Repetition,
    Swings,
    Try,
    visit_entries,
)

STOOD = Try("stand", (Stand(1.0),))
LIFTED = Try("lift", (OneLeg(Foot.LEFT, 2.0),))
DRILL = Drilled("push", b"begin", b"end")


@pytest.fixture(scope="module")
def record() -> list[Entry]:
    parts = (
        *(LIFTED, STOOD, AGAIN, STOOD),
        Swings(Intent.SMOOTH, (Repetition(),)),
        Swings(Intent.FAST, (Repetition(),), DRILL),
    )
    return visit_entries(Player(), parts, "invented", seed=3)


def of_kinds(record: list[Entry], *kinds: Kind) -> list[Entry]:
    return [entry for entry in record if entry.insole == SESSION and entry.kind in kinds]


def test_each_try_at_a_step_has_its_number_and_ends_before_the_next_begins(record):
    """What lies between two tries is none."""
    told = of_kinds(record, Kind.CHECK, Kind.CHECK_END)
    names = [("lift", 1), ("stand", 1), ("stand", 2)]
    found = [(entry.kind, TrialName.from_json(entry.data)) for entry in told]
    assert found == [
        (kind, TrialName(*name)) for name in names for kind in (Kind.CHECK, Kind.CHECK_END)
    ]
    # 3 s of standing come first; a lift is of 2 s, a stand of 1 s
    assert 1e-9 * (told[0].arrival_ns - START_NS) == pytest.approx(3.0, abs=0.1)
    assert 1e-9 * (told[1].arrival_ns - told[0].arrival_ns) >= 2.0
    assert 1e-9 * (told[3].arrival_ns - told[2].arrival_ns) == pytest.approx(1.0, abs=0.1)


def test_a_set_is_silent_but_for_its_drill(record):
    kinds = (Kind.SET, Kind.SET_END, Kind.DRILL, Kind.CUES)
    told = of_kinds(record, *kinds)
    assert [entry.kind for entry in told] == [
        Kind.CUES,
        *(Kind.SET, Kind.SET_END),
        *(Kind.DRILL, Kind.CUES, Kind.SET, Kind.SET_END, Kind.DRILL, Kind.CUES),
    ]
    cues = [CueState.from_json(entry.data) for entry in told if entry.kind is Kind.CUES]
    assert [(one.on, one.drill) for one in cues] == [(False, None), (True, "push"), (False, None)]
    sets = [SetStart.from_json(entry.data) for entry in told if entry.kind is Kind.SET]
    assert [one.intent for one in sets] == [Intent.SMOOTH, Intent.FAST]
    assert len({one.set_id for one in sets}) == 2
    assert [entry.data for entry in told if entry.kind is Kind.DRILL] == [b"begin", b"end"]


def test_it_ends_once_with_what_came_last(record):
    assert [entry.kind for entry in of_kinds(record, Kind.END)] == [Kind.END]
    assert record[-1].kind is Kind.END
    arrivals = [entry.arrival_ns for entry in record]
    assert arrivals == sorted(arrivals)


def test_the_same_seed_makes_the_same_bytes():
    one, again, other = (visit_entries(Player(), (STOOD,), "invented", seed) for seed in (3, 3, 4))
    assert one == again != other
