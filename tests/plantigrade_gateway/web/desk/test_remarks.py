"""What the coach says of a swing and of an instant. The practice session is invented.

Wilson's intervals: Wilson 1927, by `statsmodels`.
"""

import html
import re
from pathlib import Path

import pytest
from statsmodels.stats.proportion import proportion_confint
from tests.support.pagetext import text_of
from tests.support.practice import store_practice

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.said import Conditions, Said
from plantigrade_gateway.people.visits import Visits, read_session, said_of_session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import session
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("remarks") / "store.sqlite3"
    with Store.open(path) as store:
        prepare(store, store_practice(store, 130_000_000_000))
    return path


@pytest.fixture
def page(store: Store) -> str:
    return f"/sessions/{store.sessions()[0].session_id}/swings/2"


def said(store: Store) -> Said:
    session_id = store.sessions()[0].session_id
    return said_of_session(store, session_id, read_session(store, session_id).swings)


def excluded(store: Store) -> dict[int, str]:
    found = read_session(store, store.sessions()[0].session_id)
    return {place: one.reason for place, one in found.excluded.items()}


def test_a_swing_is_left_out_with_its_reason_and_counted_again(store, client, page):
    assert "Leave it out" in client.get(page).text
    answer = client.post(page, data={"do": "leave out", "reason": "slipped"})
    assert (answer.status_code, answer.headers["location"]) == (303, page)
    assert excluded(store) == {1: "slipped"}
    shown = client.get(page).text
    assert "Left out of all numbers: slipped (coach, " in shown
    assert "Leave it out" not in shown
    assert client.post(page, data={"do": "count again"}).status_code == 303
    assert excluded(store) == {}


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"do": "leave out"}, "reason: is missing"),
        ({"do": "leave out", "reason": "a\nb"}, "expected one line"),
        ({"do": "count again"}, "is not left out"),
        ({"do": "burn"}, "expected leave out or count again or tap"),
    ],
)
def test_what_cannot_be_done_says_so_on_the_page_and_changes_nothing(
    store, client, page, form, said
):
    answer = client.post(page, data=form)
    assert answer.status_code == 422
    assert said in answer.text
    assert excluded(store) == {}


def test_a_swing_that_is_not_there_is_not_left_out(store, client, page):
    elsewhere = page.replace("/swings/2", "/swings/999")
    answer = client.post(elsewhere, data={"do": "leave out", "reason": "x"})
    assert answer.status_code == 404
    assert excluded(store) == {}


def fields(shown: str) -> dict[str, str]:
    """The hidden fields of a page's forms, as a browser sends them back."""
    return dict(re.findall(r'type="hidden" name="(of|eye)" value="([^"]*)"', shown))


def test_what_is_said_on_an_old_page_is_said_of_the_swing_that_it_showed(store, client, page):
    first, old = page.replace("/swings/2", "/swings/1"), fields(client.get(page).text)
    blind, before = fields(client.get(f"{page}?eye=1").text), fields(client.get(first).text)
    with store.database.writing() as db:  # results made again, by which the first is no swing
        db.execute(
            "DELETE FROM events WHERE kind = 'swing' AND t_s ="
            " (SELECT min(t_s) FROM events WHERE kind = 'swing')"
        )
        db.execute("DELETE FROM derived")
    prepare(store, store.sessions()[0].session_id)
    answer = client.post(page, data={"do": "leave out", "reason": "slipped", **old})
    assert (answer.status_code, answer.headers["location"]) == (303, first)
    assert excluded(store) == {0: "slipped"}
    answer = client.post(page, data={"do": "tap", "what": "heel", "answer": "up", **blind})
    assert answer.headers["location"] == f"{first}?eye=1"
    assert list(said(store).swings) == [0]
    gone = client.post(first, data={"do": "leave out", "reason": "x", **before})
    assert gone.status_code == 404 and "made again" in gone.text
    assert client.post(page, data={"do": "speed", "speed": "40", "of": "²"}).status_code == 404
    assert excluded(store) == {0: "slipped"} and list(said(store).swings) == [0]


def test_a_reason_is_shown_as_it_was_typed(store, client, page):
    client.post(page, data={"do": "leave out", "reason": '<b>half</b> & "done"'})
    assert "&lt;b&gt;half&lt;/b&gt; &amp;" in client.get(page).text


ANSWERS = ("rolled", "skipped", "early", "with shift", "unloaded", "chart", "frames", "lead share")
"""What tells the program's answer, in words or as a picture."""


def tap(client, page, what, answer, *, eye: bool):
    form = {"do": "tap", "what": what, "answer": answer} | ({"eye": "1"} if eye else {})
    return client.post(page, data=form)


def test_a_page_to_judge_by_holds_no_answer_until_both_are_tapped(store, client, page):
    eye = f"{page}?eye=1"
    assert any(word in client.get(page).text for word in ANSWERS)
    asked = client.get(eye).text.split("<main")[1].split("</main>")[0]
    assert [word for word in ANSWERS if word in asked] == []
    assert (a := tap(client, page, "push", "good", eye=True)).headers["location"] == eye, a.text
    assert "what did you see?" in client.get(eye).text
    tap(client, page, "heel", "down", eye=True)
    shown = text_of(client.get(eye))
    assert "You tapped push: good; heel: down." in shown and "Why it is called so" in shown
    note = said(store).swings[1]
    assert note.eye_push is not None and note.eye_heel is not None
    assert (note.eye_push.is_blind, note.eye_heel.is_blind) == (True, True)


def test_a_tap_after_the_answer_was_asked_for_is_not_blind(store, client, page):
    client.post(page, data={"do": "show", "eye": "1"})
    assert "Why it is called so" in client.get(f"{page}?eye=1").text
    late = tap(client, page, "push", "good", eye=True)  # from a page that was open before
    assert late.status_code == 422 and "this is not blind" in late.text
    assert said(store).swings == {}
    assert tap(client, page, "push", "good", eye=False).status_code == 303
    first = said(store).swings[1].eye_push
    assert first is not None and not first.is_blind
    assert "push: good (after the program’s answer)" in text_of(client.get(page))


def test_after_a_tap_beside_the_answer_the_other_is_not_blind_either(store, client, page):
    tap(client, page, "push", "good", eye=False)
    assert "what did you see?" not in client.get(f"{page}?eye=1").text
    assert tap(client, page, "heel", "up", eye=True).status_code == 422


def test_eye_and_program_stand_beside_each_other_on_the_session_page(store, client, page):
    base = page.partition("/swings")[0]
    assert "No swing is judged by eye yet: press" in text_of(client.get(base))
    swings = read_session(store, base.rpartition("/")[2]).swings
    goods = [swing.push.is_good for swing in swings[:4]]
    for n in range(1, 5):
        tap(client, f"{base}/swings/{n}", "push", "good", eye=n < 4)
    shown = text_of(client.get(base))
    agree, n = goods[:3].count(True), len([good for good in goods[:3] if good is not None])
    low, high = proportion_confint(agree, n, method="wilson")
    assert "No swing is judged by eye yet" not in shown
    assert f"Push: agree {agree} of {n} ({100 * low:.0f} to {100 * high:.0f} %)" in shown
    assert "Kappa from 40 swings on, each answer 5 times by both" in shown
    assert "1 tap after the answer kept apart" in shown
    assert re.search(rf"eye: good {agree} {n - agree} eye: not good 0 0", shown)
    assert "Judge by eye, blind: swing 1" in shown  # of which the heel is not tapped yet


def test_what_is_left_out_is_not_judged(client, page):
    base = page.partition("/swings")[0]
    client.post(f"{base}/swings/1", data={"do": "leave out", "reason": "slipped"})
    assert f'href="{base}/swings/2?eye=1"' in client.get(base).text


def test_a_club_speed_is_typed_in_a_unit_that_is_remembered_and_taken_back(store, client, page):
    answer = client.post(page, data={"do": "speed", "speed": "90", "unit": "mph"})
    assert answer.status_code == 303
    m_s = said(store).swings[1].club_speed_m_s
    assert m_s == pytest.approx(90 * 0.44704)  # a mile is 1609.344 m
    shown = client.get(page).text
    assert 'value="90.0"' in shown and "<option selected>mph" in shown
    other = client.get(page.replace("/swings/2", "/swings/1")).text
    assert "<option selected>mph" in other
    assert "zone readings, kPa;" in other  # the speed's unit is no zone's (design §4: kPa)
    for wrong, why in (("900", "expected 5 to 80"), ("fast", "expected a number")):
        refused = client.post(page, data={"do": "speed", "speed": wrong, "unit": "m/s"})
        assert refused.status_code == 422 and why in refused.text and f'"{wrong}"' in refused.text
    client.post(page, data={"do": "speed", "speed": "", "unit": "mph"})
    assert said(store).swings == {}


def test_an_instant_is_noted_and_the_note_removed(store, client, page):
    base = page.partition("/swings")[0]
    answer = client.post(f"{base}/notes", data={"at": "1:02.5", "text": "loose <lace>"})
    assert answer.headers["location"] == f"{base}#notes"
    (note,) = said(store).notes
    drawn = client.get(f"{base}/timeline.json?width=400").json()["sources"]["notes"]
    assert drawn == {"t": [62500.0], "row": ["notes"], "name": ["loose <lace>"]}
    for theme in ("light", "dark"):
        empty = client.get(f"/sessions/charts/timeline.json?theme={theme}").text
        assert empty.count('"name": "notes"') == 1
    assert (note.t_s, note.text) == (62.5, "loose <lace>")
    assert "1:02 loose <lace> (coach, " in text_of(client.get(base))
    assert client.post(f"{base}/notes/{note.note_id}/remove").status_code == 409  # no form
    removed = client.post(f"{base}/notes/{note.note_id}/remove", data={"do": "remove"})
    assert removed.status_code == 303 and said(store).notes == ()
    gone = client.post(f"{base}/notes/{note.note_id}/remove", data={"do": "remove"})
    assert gone.status_code == 409 and "this session has none such" in gone.text
    assert "<h1>This was not done</h1>" in gone.text
    assert f'href="{base}">Back to the page' in gone.text


def test_of_many_notes_the_last_that_were_said_are_shown_and_the_others_counted(
    store, client, page, monkeypatch
):
    """A page of all 100,000 of a session took 49 s."""
    base = page.partition("/swings")[0]
    monkeypatch.setattr(session, "MOST_NOTES", 2)
    for at, text in (("0:30", "first"), ("1:00", "second"), ("0:10", "third")):
        client.post(f"{base}/notes", data={"at": at, "text": text})
    shown = text_of(client.get(base))
    assert "0:10 third (coach, " in shown and "1:00 second (coach, " in shown
    assert shown.index("0:10 third") < shown.index("1:00 second")
    assert "0:30 first" not in shown
    assert "The 2 that were noted last are shown. 1 earlier note left out" in shown
    drawn = client.get(f"{base}/timeline.json?width=400").json()["sources"]["notes"]
    assert drawn["name"] == ["third", "second"]
    assert [note.text for note in said(store).notes] == ["third", "first", "second"]
    for note in said(store).notes[1:]:
        client.post(f"{base}/notes/{note.note_id}/remove", data={"do": "remove"})
    assert "left out: all are" not in text_of(client.get(base))


@pytest.mark.parametrize(
    ("at", "text", "why"),
    [
        ("soon", "a", "expected minutes and seconds as 12:03"),
        ("1:00", "", "is empty"),
        ("99:59", "loose lace", "its time is 1:39:59.0, expected 0:00.0 to 2:"),
        ("9999", "loose lace", "its time is 2:46:39.0, expected"),
        ("99:99", "loose lace", "time: '99:99', expected under 60 after a colon"),
        ("1:2:-3", "loose lace", "expected under 60 after a colon"),
    ],
)
def test_a_note_that_is_refused_stands_in_its_form_as_it_was_typed(
    store, client, page, at, text, why
):
    base = page.partition("/swings")[0]
    refused = client.post(f"{base}/notes", data={"at": at, "text": text})
    assert refused.status_code == 422
    (alert,) = re.findall(r'<p class="warn" role="alert">(.*)</p>', refused.text)
    assert why in html.unescape(alert)
    form = refused.text[refused.text.index('aria-label="A new note"') :]
    assert re.findall(r'name="(at|text)".*?value="(.*?)"', form)[:2] == [("at", at), ("text", text)]
    assert said(store).notes == ()


def test_a_stop_stands_on_the_sessions_page_and_that_it_was_taken_back(store, client, page):
    session_id = store.sessions()[0].session_id
    at = f"/sessions/{session_id}"
    assert "stopped" not in text_of(client.get(at))
    with Register(store) as register:
        Visits(register).answer(session_id, "player", "pain")
        assert "This visit was stopped: pain." in text_of(client.get(at))
        Visits(register).take_back_hold(session_id)
    after = text_of(client.get(at))
    assert "This visit was stopped" not in after
    assert re.search(r"pain[^.]* taken back", after)


def test_what_was_worn_is_noted_on_the_sessions_page(store, client, page):
    """The player is registered with a usual shoe: it is typed already, and counts once kept."""
    base = page.partition("/swings")[0]
    with Register(store) as register:
        register.edit(store.sessions()[0].player_id, shoe="low shoe", footbed="cork")
    shown = client.get(base).text
    assert "Shoe and footbed: not noted" in shown
    assert 'name="shoe" maxlength="120" autocomplete="off" value="low shoe"' in shown
    assert said(store).conditions == Conditions() and not said(store).is_unchanged
    form = {"shoe": "spikes", "footbed": "cork", "sole": "stiff", "unchanged": "yes"}
    answer = client.post(f"{base}/worn", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{base}#worn")
    assert said(store).conditions == Conditions("spikes", "cork", is_shoe_stiff=True)
    assert said(store).is_unchanged
    shown = client.get(base).text
    assert "Worn: spikes, cork, stiff sole" in shown and "usually wears" not in shown
    client.post(f"{base}/worn", data={"shoe": "", "footbed": "", "sole": ""})
    assert said(store).conditions == Conditions() and not said(store).is_unchanged


@pytest.mark.parametrize(
    ("form", "why"),
    [({"shoe": "x" * 121}, "shoe: "), ({"sole": "wet"}, "sole: 'wet', expected soft, stiff")],
)
def test_what_cannot_have_been_worn_is_refused_as_it_was_typed(store, client, page, form, why):
    base = page.partition("/swings")[0]
    refused = client.post(f"{base}/worn", data={"footbed": "cork", **form})
    assert refused.status_code == 422
    (alert,) = re.findall(r'<p class="warn" role="alert">(.*)</p>', refused.text)
    assert why in html.unescape(alert)
    assert '<details id="worn" open>' in refused.text and 'value="cork"' in refused.text
    assert said(store).conditions == Conditions()
