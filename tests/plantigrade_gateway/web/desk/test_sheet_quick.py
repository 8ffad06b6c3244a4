"""The parts of the evidence sheet's page, of cases put together by hand."""

from datetime import UTC, date, datetime
from types import SimpleNamespace
from typing import cast

import pytest
from tests.support.cases import VisitMaker, case, pushes
from tests.support.handmade import visit
from tests.support.pagetext import text_of

from plantigrade_gateway.coach.case import Decided
from plantigrade_gateway.coach.sheet import evidence
from plantigrade_gateway.people.profile import Decision
from plantigrade_gateway.people.rulebook import Version
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.rules.model import State
from plantigrade_gateway.web.desk.sheet import _newer, _since, label, parts_of

DAY = date(2026, 3, 2)


def now(answer: str, plan: str = "", cue: str = "", day: date = DAY) -> Decision:
    told = SimpleNamespace(answer=answer, plan=plan, cue=cue, day=day, when=datetime.now(UTC))
    return cast(Decision, told)


def test_what_was_decided_since_is_told_by_topic():
    then = {
        "lead heel": Decided("lead heel", "go", "up", "", DAY),
        "push": Decided("push", "go", "even", "", DAY),
    }
    same = {"lead heel": now("go", "up"), "push": now("go", "even")}
    assert _since(then, same) == []
    later = {"push": now("not yet", "even"), "speed": now("go")}
    assert _since(then, later) == [
        ("lead heel", None),  # taken back
        ("push", later["push"]),
        ("speed", later["speed"]),
    ]
    another = now("go", "even", day=DAY.replace(day=3))
    for other in (now("go", "deliberate"), now("go", "even", "x"), another):
        assert _since(then, same | {"push": other}) == [("push", other)]
    assert _since({}, {}) == []


def test_rules_are_newer_where_their_text_is_another():
    old, new = (cast(Version, SimpleNamespace(text=text)) for text in "ab")
    assert _newer(new, old) is new
    assert _newer(old, old) is None


def test_a_value_is_a_number_or_words():
    assert label(0.25) == "0.25" and label(2.0) == "2"
    assert label("full.push_good") == "good push at full"


@pytest.mark.parametrize(
    ("hands", "sides"), [("right", ["left", "right"]), ("left", ["right", "left"])]
)
def test_lead_and_trail_are_named_with_their_sides(hands, sides):
    """Who plays right-handed leads with the left foot."""
    made_of = case(VisitMaker().swung("full", pushes(8, 0)).visit(), handedness=hands)
    made = evidence(made_of, built_in())
    parts = parts_of(made, made_of)
    assert [(role, side) for role, side, _, _ in parts["feet"]] == [
        ("lead", sides[0]),
        ("trail", sides[1]),
    ]
    assert all(fact.value is not None for fact in parts["facts"])
    assert all(fact.value is None for fact in parts["unknown"])
    assert len(parts["facts"]) + len(parts["unknown"]) == len(made.facts)
    assert all(one.state is not State.HOLDS for _, one in parts["lacking"])
    assert all(topic.holding for topic in parts["topics"])
    assert sum(len(items) for _, items in parts["stages"]) <= len(made.readiness)
    assert all(items for _, items in parts["stages"])


# ---- the page, on a store made by hand ----


def test_a_sheet_of_an_earlier_visit_says_that_there_is_a_newer_one(pages, hand):
    here = f"/players/{hand.ada}/sheet"
    first, _, last = hand.visits
    for where in (here, f"{here}?visit={last}"):
        assert "is newer" not in text_of(pages.get(where))
    earlier = text_of(pages.get(f"{here}?visit={first}"))
    assert "This is the sheet of the visit of 2026-03-02 09:00" in earlier
    assert "that of 2026-03-16 09:00 is newer" in earlier and "decided since" not in earlier
    hand.register.decide(hand.ada, "push", "go", DAY, "", "even")
    earlier = text_of(pages.get(f"{here}?visit={first}"))
    assert "decided since" not in earlier  # of that visit's own day
    hand.register.decide(hand.ada, "push", "not yet", DAY.replace(day=12), "", "even")
    earlier = text_of(pages.get(f"{here}?visit={first}"))
    assert "and decided since: push not yet, even (2026-03-12)" in earlier
    visit(hand.store, hand.ada, 30, end=False)
    for where in (here, f"{here}?visit={last}"):  # one that is recorded has no sheet yet
        assert "is newer" not in text_of(pages.get(where))
    nobody = pages.get(f"/players/{hand.bo}/sheet")
    assert nobody.status_code == 200 and "is newer" not in text_of(nobody)
    assert pages.get(f"/players/{hand.bo}/sheet?visit={first}").status_code == 404
