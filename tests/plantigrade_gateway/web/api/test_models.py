"""What a body of the API may hold, each bound from both sides: all else is refused whole."""

from datetime import date
from typing import Any

import pytest
from pydantic import ValidationError

from plantigrade_gateway.web.api import models

SESSION = {"swing": 1, "reason": "slipped"}
TAP = {"swing": 1, "what": "push", "answer": "good", "is_blind": True}


@pytest.mark.parametrize(
    ("cls", "good", "bad"),
    [
        ("PlayerEdit", {"mass_kg": 10}, {"mass_kg": 9.9}),
        ("PlayerEdit", {"mass_kg": 300}, {"mass_kg": 300.1}),
        ("PlayerEdit", {"mass_kg": None}, {"mass_kg": "70"}),
        ("PlayerEdit", {"name": "x" * 80}, {"name": "x" * 81}),
        ("PlayerEdit", {"name": "x"}, {"name": ""}),
        ("PlayerEdit", {"shoe": "x" * 120}, {"shoe": "x" * 121}),
        ("PlayerEdit", {"guardian": "x" * 80}, {"guardian": "x" * 81}),
        ("PlayerEdit", {"insoles": ["0123abCD"] * 2}, {"insoles": ["0123abCD"]}),
        ("PlayerEdit", {"insoles": None}, {"insoles": ["0123abCD"] * 3}),
        ("PlayerEdit", {}, {"insoles": ["0123abCX"] * 2}),
        ("PlayerEdit", {"is_minor": True}, {"is_minor": 1}),
        ("PlayerEdit", {"next_check": "2027-01-31"}, {"next_check": "20270131"}),
        ("PlayerEdit", {"next_check": ""}, {"next_check": "2027-01-31 "}),
        ("PlayerEdit", {"size": "44"}, {"sise": "44"}),
        ("NewPlayer", {"name": "A", "handedness": "left"}, {"handedness": "left"}),
        ("NewPlayer", {"name": "A", "handedness": "right"}, {"name": "A"}),
        ("NewPlayer", {"name": "A", "handedness": "right"}, {"name": None, "handedness": "left"}),
        ("Confirmation", {"name": ""}, {"name": "x" * 81}),
        ("NewConsent", {"what": "send on", "state": "given", "by": "player"}, {"what": "speed"}),
        ("NewFinding", {"what": "hips", "state": "not looked"}, {"what": "hips", "state": "ill"}),
        ("NewDecision", {"topic": "push", "answer": "go"}, {"topic": "push", "answer": "maybe"}),
        (
            "NewDecision",
            {"topic": "push", "answer": "go", "visit": "x" * 64},
            {"topic": "push", "answer": "go", "visit": "x" * 65},
        ),
        ("Whose", {"player": "x"}, {"player": ""}),
        ("NewAnswer", {"by": "guardian", "hold": "red flag"}, {"by": "guardian", "hold": "ill"}),
        ("NewConditions", {"is_shoe_stiff": None}, {"is_shoe_stiff": "yes"}),
        ("NewNote", {"t_s": 1e6, "text": "x"}, {"t_s": 1.1e6, "text": "x"}),
        ("NewNote", {"t_s": -1e6, "text": "x"}, {"t_s": -1.1e6, "text": "x"}),
        ("NewNote", {"t_s": 0, "text": "x" * 120}, {"t_s": 0, "text": "x" * 121}),
        ("NewNote", {"t_s": 0, "text": "x"}, {"t_s": 0, "text": ""}),
        ("NewNote", {"t_s": 0, "text": "x"}, {"t_s": float("nan"), "text": "x"}),
        ("NewExclusion", SESSION, SESSION | {"swing": 0}),
        ("NewExclusion", SESSION | {"swing": 100_000}, SESSION | {"swing": 100_001}),
        ("NewExclusion", SESSION | {"reason": "x"}, SESSION | {"reason": ""}),
        ("NewExclusion", SESSION, SESSION | {"swing": "1"}),
        ("NewTap", TAP, TAP | {"is_blind": None}),
        ("NewTap", TAP | {"answer": "down"}, TAP | {"answer": "sideways"}),
        ("NewSpeed", {"swing": 1, "m_s": 200}, {"swing": 1, "m_s": 200.1}),
        ("NewSpeed", {"swing": 1, "m_s": 0.1}, {"swing": 1, "m_s": 0}),
        ("NewSpeed", {"swing": 1, "m_s": 40}, {"swing": 1, "m_s": float("inf")}),
    ],
)
def test_a_value_out_of_its_bounds_is_refused(cls, good, bad):
    kind: Any = getattr(models, cls)
    kind.model_validate(good)
    with pytest.raises(ValidationError):
        kind.model_validate(bad)


@pytest.mark.parametrize("text", ["20261231", "2026-W01-1", "2026-02-30", "soon", ""])
def test_a_day_is_as_the_page_says(text):
    made = models.NewDecision.model_validate({"topic": "push", "answer": "go", "day": "2026-12-31"})
    assert made.day == date(2026, 12, 31)
    with pytest.raises(ValidationError):
        models.NewDecision.model_validate({"topic": "push", "answer": "go", "day": text})


def test_what_is_left_out_is_told_from_what_is_empty():
    """Of `PATCH` and `conditions`, what is left out stays."""
    assert models.PlayerEdit.model_validate({"shoe": ""}).model_dump(exclude_unset=True) == {
        "shoe": ""
    }
    plain = models.PlayerEdit.model_validate({})
    assert (plain.is_minor, plain.name, plain.shoe) == (False, None, "")
    assert models.NewConditions.model_validate({}).is_unchanged is False
