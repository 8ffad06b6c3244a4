"""The evidence sheet's and the rule file's pages. All invented."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from tests.support.cases import FIRST_DAY, VisitMaker, case, pushes
from tests.support.pagetext import text_of
from tests.support.practice import store_practice
from tests.support.rules import own_version, versioned

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.events import Roll
from plantigrade_gateway.coach.case import Case, Decided, HoldTakenBack, Questions
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.rules.files import built_in_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import sheet

pytestmark = pytest.mark.dear

FIRST = built_in_text()
ASKED = Questions("", "player", FIRST_DAY)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    path: Path = tmp_path_factory.mktemp("sheet") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store, 60_000_000_000)
    return path


@pytest.fixture
def iris(register) -> str:
    (key,) = register.names()
    return str(key)


@pytest.fixture
def visit(register) -> str:
    (session,) = register.store.sessions()
    return str(session.session_id)


@pytest.fixture
def known(monkeypatch) -> Callable[[Case], None]:
    """Have the page show a case."""
    return lambda shown: monkeypatch.setattr(sheet, "case_of", lambda *_: shown)


def part(answer, heading: str, upto: str) -> str:
    """What the page says between two headings."""
    text = text_of(answer)
    assert heading in text and upto in text, text
    return text.partition(heading)[2].partition(upto)[0]


def two_feet(good: int = 8) -> VisitMaker:
    """The lead foot bears on heel and ball, the trail one on its midfoot too."""
    maker = VisitMaker().stood([0.0, 0.001, 0.002], [0.09, 0.1, 0.11])
    maker.walked([Roll.SKIPPED] * 12, [Roll.THROUGH] * 12)
    maker.swung("smooth", pushes(8, 0))
    return maker.swung("full", pushes(good, 8 - good))


def test_what_is_not_known_is_said_first_and_nothing_is_suggested(client, iris):
    page = client.get(f"/players/{iris}/sheet")
    first = part(page, "Before anything else", "Decided")
    assert "red flag : the questions of this visit were not answered" in first
    assert "Nothing is suggested while a hold stands" in text_of(page)
    assert "lead heel not decided push not decided speed not decided" in text_of(page)


def test_a_stop_that_was_taken_back_is_shown_with_who_did_it(client, iris, known):
    back = HoldTakenBack("pain", "eve <b>", FIRST_DAY)
    shown = VisitMaker().visit(questions=ASKED, hold_taken_back=back)
    known(case(shown))
    text = text_of(client.get(f"/players/{iris}/sheet"))
    when = FIRST_DAY.astimezone().strftime("%Y-%m-%d %H:%M")
    assert f"Stopped: pain, taken back as a mistake (eve <b>, {when})." in text
    known(case(VisitMaker().visit(questions=ASKED)))
    assert "taken back" not in text_of(client.get(f"/players/{iris}/sheet"))


def test_the_feet_are_named_with_what_names_them(client, iris, known):
    known(case(two_feet().visit(questions=ASKED)))
    page = client.get(f"/players/{iris}/sheet")
    feet = part(page, "The feet", "What the rules come to")
    assert "Lead foot, the left one heel and ball standing none 0.1 %" in feet
    assert "walking skipped 12 of 12 skipped (76 to 100 %)" in feet  # Wilson 1927
    assert "Trail foot, the right one bears" in feet
    known(replace(case(two_feet().visit(questions=ASKED)), handedness="left"))
    assert "Lead foot, the right one" in text_of(client.get(f"/players/{iris}/sheet"))


def test_rules_that_hold_stand_by_topic_with_what_speaks_against_them(client, iris, known):
    maker = VisitMaker().stood([0.0, 0.001, 0.002], [0.0, 0.001, 0.002])
    maker.walked([Roll.SKIPPED] * 12, [Roll.SKIPPED] * 12).swung("full", pushes(8, 0))
    known(case(maker.visit(questions=ASKED)))
    page = client.get(f"/players/{iris}/sheet")
    come = part(page, "What the rules come to", "Seen in silence")
    assert "Against it: already there: keep it, go on to speed items" in come
    assert "common practice, no source" in come
    assert "Nothing is suggested" not in come and "Before anything else" not in text_of(page)


def test_rules_that_do_not_agree_leave_it_to_the_coach(client, register, iris, known):
    text = versioned(FIRST, "own") + (
        '\n[[rule]]\nid = "other-push"\ntopic = "push"\nsays = "other"\nsuggest = "Another way."\n'
        'when.any = [{ fact = "full.push_good", is = "mostly" }]\n'
    )
    assert client.post("/rules", data={"text": text, "do": "keep"}).status_code == 303
    known(case(two_feet().visit(questions=ASKED)))
    page = text_of(client.get(f"/players/{iris}/sheet"))
    assert "Push These rules do not agree: the coach decides." in page
    assert "Another way." in page and "version own" in page


def test_readiness_in_words_without_a_score(client, iris, known):
    known(case(two_feet(good=5).visit(questions=ASKED)))
    page = client.get(f"/players/{iris}/sheet")
    seen = part(page, "Seen in silence, or not", "What it rests on")
    assert "The push rolls with the shift: smooth seen" in seen
    assert "cannot tell yet (5 of 8)" in seen
    assert "no data: limit in hips, trunk, ankles or balance" in seen
    assert "Full against smooth: 8 of 8, then 5 of 8" in seen
    known(case(two_feet(good=0).visit(questions=ASKED)))
    assert "not seen" in part(client.get(f"/players/{iris}/sheet"), "Seen in silence", "What it")


def test_facts_come_with_value_interval_count_age_and_conditions(client, iris, known):
    known(case(two_feet().visit(questions=ASKED)))
    facts = part(client.get(f"/players/{iris}/sheet"), "What it rests on", "How it was made")
    # 8 of 8: Wilson's lower end is 67.6 % (1927, worked by hand: n / (n + 1.96²))
    assert (
        "good push at smooth mostly 8 of 8 (68 to 100 %) 8 of 8 0 shoe: Shoe A; club: 7 iron"
        in facts
    )
    assert "facts not known" in facts and "print of the lead foot: no barefoot print" in facts


def test_a_decision_is_made_on_the_sheet_and_stands_on_top(client, register, iris, visit):
    page = f"/players/{iris}/sheet"
    form = {"topic": "push", "answer": "go", "plan": "even", "cue": "let it <roll>"}
    form |= {"day": "2026-03-31", "visit": visit, "rules": "", "version": ""}
    refused = client.post(page, data=form | {"answer": "perhaps"})
    assert "expected go, not yet or not today" in text_of(refused, 422)
    answer = client.post(page, data=form)
    assert (
        answer.status_code == 303 and answer.headers["location"] == f"{page}?visit={visit}#decided"
    )
    assert "push go, even let it <roll> 2026-03-31" in text_of(client.get(page))
    (decision,) = register.decisions(iris)
    assert (decision.topic, decision.answer, decision.plan) == ("push", "go", "even")
    assert client.post(page, data=form | {"visit": "nowhere"}).status_code == 404
    other = register.store.create_session("test", analysis_version=ANALYSIS_VERSION)
    assert "not this player's" in text_of(client.post(page, data=form | {"visit": other}), 404)
    assert "not this player's" in text_of(client.get(f"{page}?visit={other}"), 404)


def test_a_sheet_opened_later_shows_the_rules_it_was_decided_with(client, iris, visit, known):
    known(case(two_feet().visit(questions=ASKED)))
    page = f"/players/{iris}/sheet"
    form = {"topic": "push", "answer": "go", "visit": visit, "version": ""}
    assert client.post(page, data=form).status_code == 303
    changed = versioned(FIRST, "own").replace("stand_broad_from = 0.18", "stand_broad_from = 0.10")
    assert client.post("/rules", data={"text": changed, "do": "keep"}).status_code == 303
    then = text_of(client.get(page))
    assert f"version {own_version()}, as it comes with the program" in then
    assert "The rules have changed since" in then and "Trail foot, the right one bears" in then
    assert then.index("The rules have changed since") < then.index("Decided")
    now = text_of(client.get(f"{page}?rules=current"))
    assert "version own" in now and "The rules have changed since" not in now
    assert (
        "midfoot bears broadly from 10 % of the foot's load" in now
        and "Trail foot, the right one bears" not in now
    )


def test_the_lead_decision_of_a_case_is_shown(client, iris, known):
    said = Decided("lead heel", "not today", "up", "Float", FIRST_DAY.date())
    known(case(two_feet().visit(questions=ASKED), decisions=(said,)))
    top = part(client.get(f"/players/{iris}/sheet"), "Decided", "The feet")
    assert "lead heel not today, up Float 2026-03-02" in top


def test_a_visit_that_is_being_recorded_is_said_to_come(client, store, iris):
    """Else the coach who opens the sheet after a check reads that there was none."""
    now = store.create_session("insoles", analysis_version=ANALYSIS_VERSION, player_id=iris)
    text = text_of(client.get(f"/players/{iris}/sheet"))
    assert "A visit is being recorded, and is not on this sheet yet" in text
    store.end_session(now, "end")
    assert "A visit is being recorded" not in text_of(client.get(f"/players/{iris}/sheet"))


def test_an_old_visits_sheet_says_what_is_newer_and_where(client, store, register, iris, visit):
    """Else a decision is made on it that what was seen or decided since speaks against."""
    page = f"/players/{iris}/sheet"
    newest = register.store.session(visit).started
    first = newest - timedelta(days=7, hours=1)
    then, now = f"{first:%Y-%m-%d}", f"{newest:%Y-%m-%d}"
    old = store.create_session(
        "insoles", analysis_version=ANALYSIS_VERSION, player_id=iris, started=first
    )
    store.end_session(old, "end")
    answer = client.get(f"{page}?visit={old}")
    said = f"the sheet of the visit of {first:%Y-%m-%d %H:%M}; that of {newest:%Y-%m-%d %H:%M}"
    assert f"{said} is newer: to the newest sheet ." in text_of(answer)
    assert f"kept as decided on the sheet of {first:%Y-%m-%d %H:%M}, and" in text_of(answer)
    assert f'<a href="{page}">to the newest sheet</a>' in answer.text
    for newer in ("", f"?visit={visit}"):
        assert "is newer" not in text_of(client.get(page + newer))
    form = {"answer": "go", "plan": "", "visit": old}
    push = {"topic": "push", "plan": "even", "day": now}
    assert client.post(page, data=form | push).status_code == 303
    assert client.post(page, data=form | {"topic": "speed", "day": then}).status_code == 303
    text = text_of(client.get(f"{page}?visit={old}"))
    assert f"{said} is newer, and decided since: push go, even ({now}): to the newest" in text
    assert f"push not decided speed go {then}" in text
    (change,) = [one for one in register.changes(iris) if one.field == "decision:push"]
    assert change.value["sheet"][0] == old
    register.take_back(iris, "speed", newest.date())
    text = text_of(client.get(f"{page}?visit={old}"))
    assert f"decided since: push go, even ({now}); speed taken back: to the newest" in text


def test_a_sheet_without_a_check_leads_to_the_last_one(client, iris, known):
    checked, short = two_feet().visit(), VisitMaker(day=1).visit()
    known(case(checked, short))
    answer = client.get(f"/players/{iris}/sheet")
    day = f"{checked.started:%Y-%m-%d}"
    assert f"the last check was on {day}. The sheet of {day}" in text_of(answer)
    assert f'<a href="/players/{iris}/sheet?visit={checked.session_id}">' in answer.text
    known(case(checked))
    assert "last check was on" not in text_of(client.get(f"/players/{iris}/sheet"))


def test_a_player_without_a_visit_has_a_sheet(client, register):
    key = register.add(name="P-17", handedness="right")
    page = text_of(client.get(f"/players/{key}/sheet"))
    assert "No visit yet" in page and "not known yet" in page
    assert client.get("/players/nobody/sheet").status_code == 404


# The rule file


def test_a_rule_file_is_checked_kept_and_gone_back_from(client):
    assert "Nothing was changed yet" in text_of(client.get("/rules"))
    wrong = FIRST.replace('fact = "feet.differ"', 'fact = "feet.difer"')
    refused = client.post("/rules", data={"text": wrong, "do": "keep"})
    assert "feet.difer is no fact, perhaps feet.differ" in text_of(refused, 422)
    assert "feet.difer" in refused.text.partition("<textarea")[2]  # what was typed is not lost
    own = versioned(FIRST, "1a").replace("\n", "\r\n")
    assert client.post("/rules", data={"text": own, "do": "keep"}).status_code == 303
    page = client.get("/rules")
    assert "version = &#34;1a&#34;" in page.text and "holds now" in text_of(page)
    assert client.post("/rules", data={"text": own, "do": "built-in"}).status_code == 303
    page = client.get("/rules")
    assert f"version = &#34;{own_version()}&#34;" in page.text
    first = re.findall(r"/rules\?version=(\w+)", page.text)[-1]
    older = client.get(f"/rules?version={first}")
    assert "This is an older version" in text_of(older) and "1a" in older.text
    assert client.get("/rules?version=none").status_code == 404


@pytest.mark.parametrize(("size", "said"), [(400_000, "rules"), (400_001, "longer than 400000")])
def test_a_rule_file_of_400_000_bytes_is_read_at_most(client, size, said):
    """As a form sends it; it is no rule file, so it is refused either way, and says why."""
    head = b"do=keep&text="
    answer = client.post(
        "/rules",
        content=head + b"x" * (size - len(head)),
        headers={"Content-Type": "application/x-www-form-urlencoded"},
    )
    assert answer.status_code in (409, 422)
    assert said in text_of(answer, answer.status_code)
    assert ("longer" in answer.text) == (size > 400_000)


def test_rules_that_were_kept_elsewhere_meanwhile_are_not_replaced_unseen(client, register):
    theirs, mine = versioned(FIRST, "a"), versioned(FIRST, "b")

    def shown() -> dict[str, str]:
        (seen,) = re.findall(r'name="seen" value="([^"]*)"', client.get("/rules").text)
        return {"seen": seen, "do": "keep"}

    stale = shown()
    for _ in range(2):  # pressed twice
        assert client.post("/rules", data=stale | {"text": theirs}).status_code == 303
    for text, do in ((mine, "keep"), ("", "built-in")):
        refused = client.post("/rules", data=stale | {"text": text, "do": do})
        assert "rules: others were kept since this page was shown" in text_of(refused, 422)
    assert RuleBook(register).current().text == theirs
    refused = client.post("/rules", data=stale | {"text": mine})
    assert "version = &#34;b&#34;" in refused.text  # what was typed is not lost
    assert shown()["seen"] in refused.text
    assert client.post("/rules", data=shown() | {"text": mine}).status_code == 303
    assert RuleBook(register).current().text == mine


def test_rules_are_text_on_their_page(client):
    own = versioned(FIRST, "</textarea><b>")
    assert client.post("/rules", data={"text": own, "do": "keep"}).status_code == 303
    assert "</textarea><b>" not in client.get("/rules").text
