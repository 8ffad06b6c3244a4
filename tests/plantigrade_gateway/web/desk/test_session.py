"""What a session's page shows, on a store made by hand."""

import dataclasses
from datetime import UTC, datetime, timedelta

from tests.support.cases import calibrated, quality
from tests.support.handmade import MARKS
from tests.support.pagetext import text_of

from plantigrade_gateway.people.said import Note
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store import results
from plantigrade_gateway.web.desk.session import MOST_NOTES, newest

WHEN = datetime(2026, 3, 2, 9, tzinfo=UTC)


def here(hand, rest: str = "") -> str:
    return f"/sessions/{hand.visits[0]}{rest}"


def test_of_many_notes_those_that_were_noted_last_are_shown_in_order_of_session_time():
    """Noted in the order of their ids, each about an earlier instant than the one before."""
    notes = [Note(str(k), float(-k), "x", "coach", WHEN + timedelta(seconds=k)) for k in range(203)]
    shown = newest(notes)
    assert MOST_NOTES == 200
    assert [note.note_id for note in shown] == [str(k) for k in range(202, 2, -1)]
    assert newest(notes[::-1]) == shown and newest(notes[:2]) == [notes[1], notes[0]]


def test_a_session_tells_its_length_counts_and_sets(pages, hand):
    page = text_of(pages.get(here(hand)))
    assert "2026-03-02 09:00, Ada Invented" in page
    assert "Steps 1 Swings 3 Quiet stands 1" in page
    assert "1 min 30 s" in page
    # set, begins, swings, good pushes, heel unloaded, swing by swing
    assert "full 0:05 2 " in page and "smooth 0:30 1 " in page
    assert "in no set" not in page
    assert "Load of each foot" in page  # it is prepared
    text = pages.get(here(hand)).text
    for number in (1, 2, 3):
        assert f'href="{here(hand)}/swings/{number}"' in text
    for number, name in ((1, "full"), (2, "smooth")):
        assert f'href="{here(hand)}/sets/{number}">{name}<' in text
        assert f'<option value="{number}"' in text
    assert "Show them side by side" in page
    assert f'value="{hand.bo}">Bo Invented<' in text and f'<option value="{hand.ada}"' not in text


def test_one_that_is_not_prepared_is_being_prepared(pages, hand, handmade):
    other = f"/sessions/{hand.visits[1]}"
    page = pages.get(other).text
    assert 'id="preparing"' in page and 'id="chart"' not in page
    preparing = handmade._app.state.preparing
    assert preparing._queue == [hand.visits[1]]
    preparing._progress[hand.visits[1]] = type(preparing.ask(hand.visits[1]))(0.25)
    assert 'value="0.25"' in pages.get(other).text


def test_a_set_that_is_left_out_of_counts_no_longer(pages, hand):
    found = results.read(hand.store, hand.visits[0])
    visits = Visits(hand.register)
    visits.exclude(hand.visits[0], found.swings[1], "slipped")
    page = text_of(pages.get(here(hand)))
    assert "full 0:05 1 " in page
    assert "Left out of all numbers: swing 2 : slipped" in page and "in no set" not in page


def test_what_was_worn_is_shown_as_it_was_noted_else_as_usual(pages, hand):
    page = text_of(pages.get(here(hand)))
    assert "Shoe and footbed: not noted" in page and "Typed already is" not in page
    hand.register.edit(hand.ada, shoe="spiked", footbed="own")
    text = pages.get(here(hand)).text
    assert 'value="spiked"' in text and 'value="own"' in text and "Typed already is" in text
    visits = Visits(hand.register)
    visits.set_conditions(hand.visits[0], footbed="flat", is_shoe_stiff=True)
    page = pages.get(here(hand))
    assert "Worn: flat, stiff sole" in text_of(page)
    assert 'value="spiked"' not in page.text and "Typed already is" not in page.text
    assert '<option value="stiff" selected>' in page.text
    visits.set_conditions(hand.visits[0], is_shoe_stiff=False)
    assert '<option value="soft" selected>' in pages.get(here(hand)).text
    hand.register.edit(hand.ada, footbed="")
    other = pages.get(f"/sessions/{hand.visits[1]}").text
    assert 'value="spiked"' in other and "Typed already is" in other
    nobodys = pages.get(f"/sessions/{hand.nobodys}")
    assert "Nobody’s session yet" in text_of(nobodys) and "Typed already is" not in nobodys.text


def test_what_is_decided_stands_first_and_of_nobody_nothing(pages, hand):
    assert "Decided" not in text_of(pages.get(here(hand)))
    hand.register.decide(hand.ada, "push", "go", WHEN.date(), "Roll.", "even")
    page = text_of(pages.get(here(hand)))
    assert "Decided" in page and "Roll." in page
    assert "Decided" not in text_of(pages.get(f"/sessions/{hand.nobodys}"))


def test_a_recording_of_the_other_hand_than_its_player_s_is_said(pages, hand):
    assert "-handed" not in text_of(pages.get(here(hand)))
    made = quality((None, None))
    for handed, told in (("right", ""), ("left", "of a left-handed player, Ada Invented is")):
        of_hand = dataclasses.replace(made, handed=handed).to_json()
        for session in (hand.visits[0], hand.nobodys):
            hand.store.put_quality(session, {"marks": MARKS, "quality": of_hand})
        page = text_of(pages.get(here(hand)))
        assert ("-handed" in page) is bool(told) and told in page
        assert "-handed" not in text_of(pages.get(f"/sessions/{hand.nobodys}"))


def test_a_recording_of_another_body_than_its_player_s_is_said(pages, hand):
    """Of 700 N; the player may weigh 686 N, and is put right to be of 392 N."""
    said = calibrated(WHEN)
    made = quality((said, said)).to_json()
    hand.store.put_quality(hand.visits[0], {"marks": MARKS, "quality": made})
    for mass_kg, told in ((None, False), (70.0, False), (40.0, True)):
        hand.register.edit(hand.ada, mass_kg=mass_kg)
        for page in (here(hand), f"/players/{hand.ada}/sheet?visit={hand.visits[0]}"):
            assert ("carried about 700 N, and Ada Invented" in text_of(pages.get(page))) is told


def test_a_hold_and_that_it_was_taken_back_are_said(pages, hand):
    visits = Visits(hand.register)
    visits.answer(hand.visits[0], "player", "pain")
    assert "This visit was stopped: pain." in text_of(pages.get(here(hand)))
    visits.take_back_hold(hand.visits[0])
    page = text_of(pages.get(here(hand)))
    assert "This visit was stopped" not in page and "pain" in page


def test_the_next_swing_to_judge_is_offered_until_all_are_judged(pages, hand):
    visits = Visits(hand.register)
    found = results.read(hand.store, hand.visits[0])
    assert "Judge by eye, blind: swing 1" in text_of(pages.get(here(hand)))
    for number, one in enumerate(found.swings, 1):
        page = text_of(pages.get(here(hand)))
        assert f"Judge by eye, blind: swing {number}" in page
        for what, answer in (("push", "good"), ("heel", "up")):
            visits.tap(hand.visits[0], one, what, answer, is_blind=True)
    page = text_of(pages.get(here(hand)))
    assert "Every swing is judged." in page
    assert "Push: agree 3 of 3" in page  # rolled with the shift from the heel, and good
