"""Events become rows and come back the same."""

import dataclasses
import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.records import stand, step, swing

from plantigrade.block import Foot
from plantigrade.events import Bearing, FootStand, Phase, PhaseKind, Stand, Step, Swing
from plantigrade_gateway.analysis.eventrow import event_id, event_of, event_row
from plantigrade_gateway.errors import StoreError

# None stands for NaN and infinities in a row, so events that come back the same have none.
st.register_type_strategy(float, st.floats(allow_nan=False, allow_infinity=False))


def through_json(event: Step | Stand | Swing) -> Step | Stand | Swing:
    row = event_row("s", event)
    return event_of(dataclasses.replace(row, body=json.loads(json.dumps(row.body))))


@given(st.one_of(st.from_type(Step), st.from_type(Stand), st.from_type(Swing)))
def test_any_event_comes_back_exactly(event):
    back = through_json(event)
    assert type(back) is type(event)
    assert repr(back) == repr(event)  # every bit of a float, −0.0 too


def test_types_come_back_not_only_values():
    back = through_json(step(100))
    assert isinstance(back, Step)
    assert back.foot is Foot.LEFT
    assert isinstance(back.cop_y, tuple)
    back = through_json(stand(100))
    assert isinstance(back, Stand)
    assert isinstance(back.left, FootStand)
    assert back.left.bearing is Bearing.SLIGHT


def test_numpy_scalars_and_undefined_numbers():
    event = dataclasses.replace(
        step(7),
        strike_s=np.float64(0.1),
        stance_s=math.nan,
        peak1_n=-math.inf,
        first_index=np.int64(7),  # type: ignore[arg-type]
        touches_gap=np.bool_(True),  # type: ignore[arg-type]
    )
    row = event_row("s", event)
    assert json.loads(json.dumps(row.body, allow_nan=False)) == row.body
    assert row.body["strike_s"] == 0.1
    assert row.body["stance_s"] is None
    assert row.body["peak1_n"] is None
    assert row.body["touches_gap"] is True
    assert row.first_index == 7


def test_what_json_cannot_hold_is_refused():
    with pytest.raises(StoreError, match="step: a stored event cannot hold it"):
        event_row("s", dataclasses.replace(step(7), peak1_n=object()))  # type: ignore[arg-type]


def test_identity_is_session_kind_foot_and_first_sample():
    rows = [
        event_row("s", step(5)),
        event_row("s", step(5, Foot.RIGHT)),
        event_row("s", step(6)),
        event_row("t", step(5)),
        event_row("s", stand(5)),
        event_row("s", swing(5)),
    ]
    assert len({row.event_id for row in rows}) == len(rows)
    assert event_row("s", step(5)).event_id == rows[0].event_id == event_id("s", "step", "left", 5)
    assert [(r.kind, r.foot) for r in rows[3:]] == [
        ("step", "left"),
        ("stand", "both"),
        ("swing", "left"),
    ]


def test_time_of_an_event_whose_begin_a_gap_hides():
    hidden = dataclasses.replace(step(100), strike_s=None)
    assert event_row("s", hidden).t_s == 1.65
    hidden = dataclasses.replace(hidden, off_s=None)
    assert event_row("s", hidden).t_s == hidden.confirmed_s


def test_provisional_phases_are_refused():
    with pytest.raises(StoreError, match="type Phase, expected Step, Stand or Swing"):
        event_row("s", Phase(PhaseKind.SHIFT, 1.0, 1.0))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"foot": "middle"}, "foot: Input should be 'left' or 'right'"),
        ({"heel": 3}, "heel: Input should be a dictionary or an instance of RegionTiming"),
        ({"cop_y": "text"}, "cop_y: Input should be a valid tuple"),
    ],
)
def test_a_body_of_another_shape_says_so(change, said):
    row = event_row("s", step(1))
    with pytest.raises(StoreError, match=said):
        event_of(dataclasses.replace(row, body=row.body | change))
    with pytest.raises(StoreError, match="run plantigrade reanalyse"):
        event_of(dataclasses.replace(row, body={}))
    with pytest.raises(StoreError, match="kind 'hop', expected step, stand, swing"):
        event_of(dataclasses.replace(row, kind="hop"))
