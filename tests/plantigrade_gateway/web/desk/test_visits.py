"""Sets of one name in two visits: what the page says, and what it takes its error from."""

import math
import re
from dataclasses import replace

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from scipy.stats import t as student_t
from tests.support.practice import store_practice
from tests.support.records import swing

from plantigrade.change import Verdict
from plantigrade.events import Manner
from plantigrade_gateway.analysis.measures import ROLLED_TRANSFER
from plantigrade_gateway.analysis.result import MarkedSet
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.desk.visits import (
    VisitLine,
    of_name,
    repeated,
    said_of,
    visit_lines,
    visit_shares,
)

pytestmark = pytest.mark.dear


def made_set(name: str, *tempos: float) -> MarkedSet:
    swings = [replace(swing(k), load_tempo=tempo) for k, tempo in enumerate(tempos)]
    return MarkedSet(name, 0.0, tuple(swings))


def tempo_of(before: list[MarkedSet], after: list[MarkedSet], visits: list[list[MarkedSet]]):
    return line_of("load tempo", visit_lines(before, after, repeated(visits)))


def line_of(title: str, lines: list[VisitLine]) -> VisitLine:
    return next(line for line in lines if line.title == title)


# Two visits, in each three sets twice: means (2.0, 2.2), (3.0, 3.1), (2.5, 2.9) and so on.
FIRST = [
    *(made_set("Smooth", 1.9, 2.1), made_set("full", 3.0), made_set("fast", 2.5)),
    *(made_set("smooth", 2.2), made_set("FULL", 3.1), made_set("fast", 2.9)),
]
SECOND = [
    *(made_set("smooth", 4.0), made_set("full", 3.3), made_set("fast", 2.6)),
    *(made_set("smooth", 4.4), made_set("full", 3.1), made_set("fast", 2.7), made_set("last")),
]


def test_the_error_is_that_of_sets_repeated_within_a_visit():
    """By hand: half the variance of what is left of the differences 0.2 0.1 0.4 0.4 −0.2 0.1."""
    differences = [0.2, 0.1, 0.4, 0.4, -0.2, 0.1]
    mean = sum(differences) / 6
    sem = math.sqrt(sum((d - mean) ** 2 for d in differences) / 5 / 2)
    mdc = student_t.ppf(0.975, 5) * sem * math.sqrt(1 / 2 + 1 / 2)
    line = tempo_of(of_name(FIRST, "smooth"), of_name(SECOND, "SMOOTH"), [FIRST, SECOND])
    assert (line.before, line.after) == ("2.1 ± 0.1 (2)", "4.2 ± 0.3 (2)")
    assert line.difference == f"+2.1 ({2.1 - mdc:+.1f} to {2.1 + mdc:+.1f})"
    assert (line.sem, line.degrees, line.mdc95) == (f"{sem:.1f}", "5", f"{mdc:.1f}")
    assert line.verdict == Verdict.OUTSIDE
    near = tempo_of(of_name(FIRST, "full"), of_name(SECOND, "full"), [FIRST, SECOND])
    assert near.verdict == Verdict.INSIDE
    said = said_of(repeated([FIRST, SECOND]))
    assert "6 sets that were repeated" in said and "from day to day" in said
    assert "One in twenty" in said


def test_few_repeats_give_no_verdict_and_say_why():
    few = tempo_of(of_name(FIRST, "fast"), of_name(SECOND, "fast"), [FIRST[:2] + FIRST[3:5]])
    assert few.degrees == "1" and few.verdict == "no verdict: under 4 degrees of freedom"
    none = tempo_of(of_name(FIRST, "fast"), of_name(SECOND, "fast"), [FIRST[:3]])
    assert (none.sem, none.degrees, none.mdc95) == ("–", "–", "–")
    assert none.verdict == "no verdict: no repeats to tell the usual variation from"
    assert "no verdict" in said_of([])


def test_a_sets_transfer_is_that_of_its_rolled_pushes():
    one = swing(0)
    skipped = replace(one, push=replace(one.push, manner=Manner.SKIPPED, transfer_s=0.01))
    before = [MarkedSet("full", 0.0, (one, skipped))]
    line = line_of(ROLLED_TRANSFER, visit_lines(before, before, []))
    assert line.before == "0.12 (1)"


def test_proportions_of_visits_have_an_interval_and_no_verdict():
    """56 of 70 in two sets beside 48 of 80 in one: Newcombe 1998 has .0524 to .3339."""
    rolled = swing(0)
    skipped = replace(rolled, push=replace(rolled.push, manner=Manner.SKIPPED))
    before = [MarkedSet("full", 0.0, (rolled,) * 48 + (skipped,) * 32)]
    after = [MarkedSet("full", t, (rolled,) * 28 + (skipped,) * 7) for t in (0.0, 9.0)]
    lines = {line.title: line for line in visit_shares(before, after)}
    assert lines["push rolled"].second.startswith("56 of 70 ")
    assert lines["push rolled"].difference == "+20 (+5 to +33)"
    assert not any(line.verdict for line in lines.values())


def test_the_page_compares_visits_of_one_player_only(tmp_path):
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        until_ns = 110_000_000_000  # the stand, the walk and some swings
        ids = [store_practice(store, until_ns) for _ in range(3)]
        with store.database.writing() as db:
            db.execute(
                "UPDATE sessions SET player_no = (SELECT min(player_no) FROM sessions)"
                " WHERE session_id IN (?, ?)",
                ids[:2],
            )
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app) as client:
        page = f"/sessions/{ids[0]}/sets/1/visits"
        shown = client.get(page).text
        assert ids[1] in shown and ids[2] not in shown
        both = re.sub(r"\s+", " ", client.get(f"{page}?other={ids[1]}").text)
        assert "no measuring error to compare with, and no verdict" in both
        assert re.search(r"\d\d:\d\d − \d{4}-", both)
        tempo = re.search(r"load tempo</th>.*?</tr>", both)
        assert tempo is not None
        assert "push rolled" in both and "of these swings alone" in both
        assert "+0.0" in tempo[0] and "no repeats to tell" in tempo[0]
        # another player's visit is not shown, whatever the address says
        assert "load tempo" not in client.get(f"{page}?other={ids[2]}").text
        alone = client.get(f"/sessions/{ids[2]}/sets/1/visits").text
        assert "There is no other visit of this player" in alone
