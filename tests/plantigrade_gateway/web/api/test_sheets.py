"""What is decided by, over the API: of which visits it is, and what is refused."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fastapi import Response
from tests.support.api import HERE, got
from tests.support.handmade import visit

from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.web.api import sheets

NO_ONE = "0" * 32
MEASURE = "full.load_tempo"


def of(player: str, rest: str) -> str:
    return f"{HERE}/players/{player}/{rest}"


def test_a_sheet_is_of_the_last_visit_or_of_the_one_that_is_named(program, made):
    told = got(program.get(of(made.ada, "sheet")))
    assert (told["player"], told["session"]) == (made.ada, made.visits[2])
    assert told["day"] == "2026-03-16"
    first = got(program.get(of(made.ada, "sheet"), params={"visit": made.visits[0]}))
    assert (first["session"], first["day"]) == (made.visits[0], "2026-03-02")
    nothing = got(program.get(of(made.bo, "sheet")))
    assert (nothing["session"], nothing["day"]) == (None, None)
    for name, visit_id in ((made.ada, made.nobodys), (made.bo, made.visits[0]), (made.ada, NO_ONE)):
        answer = program.get(of(name, "sheet"), params={"visit": visit_id})
        assert answer.status_code == 404, answer.text
    for length, status in ((64, 404), (65, 400)):
        answer = program.get(of(made.ada, "sheet"), params={"visit": "x" * length})
        assert answer.status_code == status


def test_a_sheet_has_the_rules_that_were_decided_with_else_todays(program, made, monkeypatch):
    asked: list[tuple[str, str]] = []
    whole = RuleBook.of_sheet

    def noted(self: Any, player_id: str, session_id: str) -> Any:
        asked.append((player_id, session_id))
        return whole(self, player_id, session_id)

    monkeypatch.setattr(RuleBook, "of_sheet", noted)
    got(program.get(of(made.ada, "sheet")))
    got(program.get(of(made.ada, "sheet"), params={"visit": made.visits[1]}))
    got(program.get(of(made.bo, "sheet")))
    assert asked == [(made.ada, made.visits[2]), (made.ada, made.visits[1]), (made.bo, "")]


def test_two_visits_are_compared_the_last_two_unless_both_are_named(program, made):
    where = of(made.ada, "comparison")
    first, second, third = made.visits
    told = got(program.get(where))
    assert (told["before"], told["after"]) == (second, third)
    assert told["days"] == ["2026-03-09", "2026-03-16"]
    told = got(program.get(where, params={"before": first, "after": third}))
    assert (told["before"], told["after"]) == (first, third)
    assert len(told["lines"]) > 1
    one = got(program.get(where, params={"measure": MEASURE}))
    assert len(one["lines"]) == 1
    for alone in ({"before": first}, {"after": third}):
        answer = program.get(where, params=alone)
        assert answer.status_code == 400 and "one is named, expected two" in answer.text
    assert program.get(where, params={"measure": "full.luck"}).status_code == 400
    for length, says in ((64, "is not known"), (65, "at most 64 characters")):
        for asked in ("comparison", "progress"):
            answer = program.get(of(made.ada, asked), params={"measure": "x" * length})
            assert answer.status_code == 400 and says in answer.text, answer.text
    answer = program.get(of(made.bo, "comparison"))
    assert answer.status_code == 400
    assert "visits: this player has 0, expected two" in answer.json()["error"]
    visit(made.store, made.bo, 1)
    assert "this player has 1, expected two" in program.get(of(made.bo, "comparison")).text
    visit(made.store, made.bo, 2)
    assert got(program.get(of(made.bo, "comparison")))["days"] == ["2026-03-03", "2026-03-04"]


def test_a_measure_is_followed_over_the_visits(program, made):
    """2.4 of each swing, as it was put there."""
    told = got(program.get(of(made.ada, "progress"), params={"measure": MEASURE}))
    assert [point["session_id"] for point in told["points"]] == made.visits
    assert told["measure"]["key"] == MEASURE
    assert told["reliability"]
    assert program.get(of(made.ada, "progress")).status_code == 400
    assert program.get(of(made.ada, "progress"), params={"measure": "luck"}).status_code == 400


async def test_the_page_to_take_home_is_of_its_paper(program, made, monkeypatch):
    asked: list[tuple[Any, ...]] = []

    async def download(work: Any, name: str, shown: str, kind: str) -> Response:
        asked.append((*work(Path("folder")), name, shown, kind))
        return Response(b"%PDF", media_type=kind)

    monkeypatch.setattr(sheets, "download", download)
    where = of(made.ada, "page.pdf")
    answer = program.get(where)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    assert program.get(where, params={"paper": "letter"}).status_code == 200
    page = ("page", str(made.path), made.ada, "folder/page.pdf")
    names = ("page.pdf", "page.pdf", "application/pdf")
    assert asked == [(*page, "a4", *names), (*page, "letter", *names)]
    assert program.get(where, params={"paper": "a3"}).status_code == 400
    assert program.get(of(NO_ONE, "page.pdf")).status_code == 404


@pytest.mark.parametrize("rest", ["sheet", "comparison", f"progress?measure={MEASURE}"])
def test_a_player_who_is_not_there_is_a_404(program, rest):
    answer = program.get(of(NO_ONE, rest))
    assert answer.status_code == 404
    assert answer.json() == {"error": f"player {NO_ONE}: not in the store (any more)"}


def test_a_decision_of_a_visit_keeps_its_rules(program, made):
    body = {"topic": "push", "answer": "go", "visit": made.visits[0], "day": "2026-03-02"}
    got(program.post(of(made.ada, "decisions"), json=body))
    sheet = got(program.get(of(made.ada, "sheet"), params={"visit": made.visits[0]}))
    (one,) = [one for one in sheet["decisions"] if one["topic"] == "push"]
    assert one["day"] == date(2026, 3, 2).isoformat()
