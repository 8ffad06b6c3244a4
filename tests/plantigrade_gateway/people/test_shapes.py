"""Values that cannot be what their field holds are kept in the log, and read by nobody."""

import calendar
from typing import Any

import pytest
import sqlalchemy as sa
from tests.support.practice import store_practice

from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.people.shapes import fits, is_when
from plantigrade_gateway.people.tables import CHANGE
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store.store import Store

PRINT = "footprint:" + "1" * 32
MEASURED: dict[str, Any] = {
    **dict.fromkeys(("foot", "how", "sheet"), "left"),
    **dict.fromkeys(("index", "half_width", "area_mm2", "length_mm", "level"), 0.25),
    **{"is_mirrored": False, "marks": [[1.5, 2], [3, 4.5]]},
}
DECIDED = {"answer": "go", "plan": "", "cue": "", "day": "2026-03-01"}


def measured(**changes: Any) -> dict[str, Any]:
    """A footprint as it is kept, but for something."""
    return {"footprint": {**MEASURED, **changes}, "has_picture": True}


# As `Register`, `Visits`, `Prints` and `RuleBook` write them.
GOOD: list[tuple[str, str, Any]] = [
    ("player", "name", "Ada Invented"),
    ("player", "mass_kg", None),
    ("player", "insoles", ["0000A001", "0000A002"]),
    ("player", "consent:record", {"given": True, "until": None, "after": [], "by": "player"}),
    ("player", "consent:record", {"given": False, "by": "player"}),
    ("player", "finding:hips", {"state": "limit", "text": ""}),
    ("player", "decision:push", DECIDED),
    ("player", "decision:push", {**DECIDED, "sheet": ["session", "rules"]}),
    ("player", PRINT, measured()),
    ("player", PRINT, measured(marks=[])),
    ("player", PRINT, None),
    ("session", "questions", {"hold": "", "by": "player"}),
    ("session", "note:1", {"t_s": 1.5, "text": "wind"}),
    ("session", "set:@0", {"intent": "full", "club": "7 iron"}),
    ("session", "speed:5000000000", {"m_s": 40.0}),
    ("session", "speed:5000000000", {"m_s": 40.0, "join": "1"}),
    ("session", "join:1", {"how": "order", "offset_s": None, "count": 3}),
    ("session", "push:5000000000", {"answer": "not good", "is_blind": True}),
    ("session", "excluded:5000000000", None),
    ("rules", "text", {"text": "", "built_in": True}),
    ("player", "what a later program says", {"a": [1]}),
]
BAD: list[tuple[str, str, Any]] = [
    ("player", "name", 5),
    ("player", "name", "a" * 81),
    ("player", "handedness", "both"),
    ("player", "insoles", [1]),
    ("player", "consent:record", {"given": True}),
    ("player", "consent:record", {"given": True, "by": "player"}),
    ("player", "consent:record", {"given": False, "by": "player", "until": "soon"}),
    ("player", "finding:hips", "limit"),
    ("player", "decision:push", {"answer": "go", "cue": "", "day": "0000"}),
    ("player", "decision:push", {**DECIDED, "sheet": ["session"]}),
    ("player", "decision:push", {**DECIDED, "sheet": ["session", 1]}),
    ("player", PRINT, {"footprint": {}, "has_picture": True}),
    ("player", PRINT, measured(index="0.25")),
    ("player", PRINT, measured(index=True)),
    ("player", PRINT, measured(marks="[]")),
    ("player", PRINT, measured(marks=[[1.5]])),
    ("player", PRINT, measured(marks=[[1.5, 2, 3]])),
    ("player", PRINT, measured(marks=[[1.5, "2"]])),
    ("player", PRINT, measured(marks=[[1.5, 2], "ab"])),
    ("session", "questions", 5),
    ("session", "questions", {"hold": "", "by": "player", "more": 1}),
    ("session", "is_shoe_stiff", "no"),
    ("session", "note:1", {"t_s": "1", "text": ""}),
    ("session", "note:1", {"t_s": float("inf"), "text": ""}),
    ("session", "set:@0", {"intent": "warp", "club": ""}),
    ("session", "join:1", []),
    ("session", "excluded:1", {}),
    ("session", "excluded:x", "stepped"),
    ("session", "speed:1", {"m_s": 1e9}),
    ("session", "push:1", None),
    ("rules", "text", "[[rule]]"),
]


def test_what_this_program_says_fits_and_what_cannot_be_does_not():
    assert [one for one in GOOD if not fits(*one)] == []
    assert [one for one in BAD if fits(*one)] == []


def test_a_wall_clock_says_a_time_that_is_a_date_in_every_zone():
    first, last = (1000 * calendar.timegm((year, 1, 2, 0, 0, 0)) for year in (1, 9999))
    assert [is_when(ms) for ms in (first - 1, first, 0, last, last + 1)] == [
        *(False, True, True, True, False)
    ]


@pytest.mark.dear
def test_a_word_that_cannot_be_spoils_no_reading_and_the_one_before_it_stands(tmp_path):
    """Said by a bay that was taken over, say, last of all of each field."""
    with Store.open(tmp_path / "store.sqlite3") as store:
        session = store_practice(store, 30_000_000_000)
        player = store.session(session).player_id
        assert player is not None
        with Register(store) as register:
            register.edit(player, name="Ada Invented", shoe="low")
            register.note_finding(player, "hips", "limit")
            Visits(register).answer(session, "player")
            ids = {"player": player, "session": session, "rules": "rules"}
            for entity, field, value in BAD:
                if value is not None and value != {"t_s": float("inf"), "text": ""}:
                    register.log.say(entity, ids[entity], {field: value}, "x")
            register.log.say("player", player, {"shoe": {"a": 1}}, "x")
            kept = len(register.log.changes())
            (late,) = register.log.say("session", session, {"note:2": {"t_s": 1, "text": ""}}, "x")
            _set_back(register.log, late.change_id)
            case = case_of(register, player)
            assert (case.name, register.profile(player).shoe) == ("Ada Invented", "low")
            assert case.findings == {"hips": "limit"}
            assert register.rows()[0].profile.name == "Ada Invented"
            said = Visits(register).said(session)
            assert said.questions is not None and said.questions.by == "player"
            assert (said.notes, said.strays, said.joins) == ((), (), ())
            assert RuleBook(register).versions() == []
            assert len(register.log.changes()) == kept + 1, "all of it is kept"


def _set_back(log: ChangeLog, change_id: str) -> None:
    """Let a change have been said before there were years."""
    with log._engine.begin() as db:
        at = CHANGE.c.change_id == change_id
        db.execute(sa.update(CHANGE).where(at).values(wall_utc_ms=-(2**62)))
