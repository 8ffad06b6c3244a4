"""Whether cues are on, and which trial is under way: as bytes and back; and what is refused."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack, unpack
from plantigrade_gateway.record.tables import LONGEST_DRILL, LONGEST_STEP, CueState, TrialName

CUES = {"schema": 1, "on": True, "drill": "push"}
TRIAL = {"schema": 1, "step": "lift", "number": 2}


def lines(longest: int) -> st.SearchStrategy[str]:
    return st.text(min_size=1, max_size=longest).filter(str.isprintable)


def through_the_record(kind: Kind, data: bytes) -> bytes:
    (kept,) = unpack([pack(Batch.of([Entry(5, SESSION, kind, data)]))])
    assert kept.kind is kind
    return kept.data


@given(st.booleans(), st.none() | lines(LONGEST_DRILL))
def test_the_state_of_cues_survives_the_record(on, drill):
    state = CueState(on, drill)
    assert CueState.from_json(through_the_record(Kind.CUES, state.to_json())) == state


@given(lines(LONGEST_STEP), st.integers(1, 10**6))
@pytest.mark.slow
def test_a_trial_survives_the_record(step, number):
    trial = TrialName(step, number)
    assert TrialName.from_json(through_the_record(Kind.CHECK, trial.to_json())) == trial


def test_both_are_read_as_their_documents_have_them():
    """By hardware_notes/replay_file.md."""
    state = CueState.from_json(json.dumps({**CUES, "later": "key"}).encode())
    assert state == CueState(True, "push") and json.loads(state.to_json()) == CUES
    trial = TrialName.from_json(json.dumps({**TRIAL, "later": 1}).encode())
    assert trial == TrialName("lift", 2) and json.loads(trial.to_json()) == TRIAL


def less(table: dict[str, Any], name: str) -> dict[str, Any]:
    return {key: value for key, value in table.items() if key != name}


@pytest.mark.parametrize(
    "table",
    [
        [],
        {**CUES, "schema": 2},
        {**CUES, "on": 1},
        {**CUES, "on": None},
        {**CUES, "drill": ""},
        {**CUES, "drill": 5},
        {**CUES, "drill": "a\nb"},
        {**CUES, "drill": "x" * 101},
        less(CUES, "on"),
        less(CUES, "schema"),
    ],
)
def test_what_says_nothing_of_cues_is_refused(table):
    with pytest.raises(RecordError):
        CueState.from_json(json.dumps(table).encode())


@pytest.mark.parametrize(
    "table",
    [
        {**TRIAL, "schema": None},
        {**TRIAL, "step": ""},
        {**TRIAL, "step": None},
        {**TRIAL, "step": "x" * 41},
        {**TRIAL, "number": 0},
        {**TRIAL, "number": 1.5},
        {**TRIAL, "number": True},
        {**TRIAL, "number": "1"},
        less(TRIAL, "step"),
        less(TRIAL, "number"),
    ],
)
def test_what_is_no_trial_is_refused(table):
    with pytest.raises(RecordError):
        TrialName.from_json(json.dumps(table).encode())
