"""What the forms of a player's page say, as the register is told it, on a store of its own."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import FINDINGS, TOPICS
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.playerforms import (
    changed_fields,
    check_typed_name,
    day_of,
    decide,
    filled,
    findings_form,
    form_of,
    last_of,
    note_consent,
    note_findings,
    profile_fields,
    seen_by_topic,
    seen_of_consent,
    today,
    was_shown,
)

DAY = date(2026, 3, 12)


@pytest.fixture(scope="module")
def register(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Register]:
    path = tmp_path_factory.mktemp("forms") / "store.sqlite3"
    with Store.open(path) as store, Register(store) as opened:
        yield opened


@pytest.fixture
def who(register: Register) -> Iterator[str]:
    """An invented player, another for each test: no two are called alike."""
    key = register.add(name="Mia Muster", handedness="left", mass_kg=61.5, shoe="blue")
    yield key
    register.edit(key, name=f"Former {key[:8]}")


# ---- the profile ----


def test_a_form_gives_the_fields_of_a_player():
    form = {"name": "Mia", "handedness": "left", "mass_kg": " 61,5 ", "right": " 0000A002 "}
    assert profile_fields(form | {"is_minor": ""}) == {
        **{"name": "Mia", "handedness": "left", "shoe": "", "footbed": "", "size": ""},
        **{"guardian": "", "next_check": "", "mass_kg": 61.5},
        "insoles": ["", "0000A002"],
        "is_minor": True,
    }
    empty = profile_fields({})
    assert (empty["mass_kg"], empty["insoles"], empty["is_minor"]) == (None, None, False)
    with pytest.raises(InputError) as caught:
        profile_fields({"mass_kg": "heavy"})
    assert str(caught.value) == "mass: 'heavy', expected a number of kg as 74.5"


def test_only_what_is_not_as_it_was_shown_is_changed():
    """So of two devices neither takes back what the other changed."""
    shown = {"name": "Mia", "handedness": "left", "left": "A", "right": "B", "shoe": "blue"}
    form = {**shown, **{f"was_{name}": text for name, text in filled(shown).items()}}
    assert changed_fields(form) == {}
    assert changed_fields(form | {"shoe": "red"}) == {"shoe": "red"}
    assert changed_fields(form | {"right": "C"}) == {"insoles": ["A", "C"]}
    assert changed_fields(form | {"left": ""}) == {"insoles": ["", "B"]}
    # a box that is not ticked is not sent
    ticked = form | {"was_is_minor": "yes"}
    assert changed_fields(ticked) == {"is_minor": False}
    assert changed_fields(shown) == profile_fields(shown)  # of a program, which was shown nothing
    assert was_shown(form) == filled(shown) and was_shown(shown) == {}


def test_a_profile_stands_in_its_form(register, who):
    form = form_of(register.profile(who))
    assert (form["name"], form["mass_kg"], form["is_minor"]) == ("Mia Muster", "61.5", "")
    assert (form["left"], form["right"], form["shoe"]) == ("", "", "blue")
    register.edit(who, is_minor=True, guardian="Gus", insoles=("0000A001", "0000A002"))
    form = form_of(register.profile(who))
    assert (form["left"], form["right"], form["is_minor"]) == ("0000A001", "0000A002", "yes")
    register.edit(who, mass_kg=None)
    assert form_of(register.profile(who))["mass_kg"] == ""
    assert filled({"name": "x"})["shoe"] == ""


def test_a_name_must_be_typed_to_delete(register, who):
    profile = register.profile(who)
    check_typed_name(profile, " mia  MUSTER ".replace("  ", " "))
    for typed in ("", "Mia", "Mia Musterin"):
        with pytest.raises(InputError, match="is not this player's, so nothing was deleted"):
            check_typed_name(profile, typed)


def test_a_day_is_one_by_the_standard_or_none():
    """ISO 8601."""
    assert day_of(" 2026-12-31 ", "day") == date(2026, 12, 31)
    assert day_of("  ", "day") is None
    with pytest.raises(InputError) as caught:
        day_of("31.12.2026", "until")
    assert str(caught.value) == "until: '31.12.2026', expected a day as 2026-12-31"


# ---- consents ----


def consent(register: Register, who: str, what: str) -> Any:
    return next(one for one in register.consents(who, today()) if one.what == what)


def test_a_consent_is_given_until_a_day_to_come_and_withdrawn(register, who):
    later = today() + timedelta(days=30)
    note_consent(register, who, {"what": "record", "by": "player", "until": f"{later}"}, today())
    one = consent(register, who, "record")
    assert (one.state, one.by, one.until) == ("given", "player", later)
    with pytest.raises(InputError):
        past = f"{today() - timedelta(days=1)}"
        note_consent(register, who, {"what": "record", "by": "player", "until": past}, today())
    assert consent(register, who, "record") == one
    note_consent(register, who, {"what": "record", "by": "player", "do": "withdraw"}, today())
    assert consent(register, who, "record").state == "withdrawn"


def test_a_consent_that_changed_since_it_was_shown_is_not_changed_unseen(register, who):
    shown = seen_of_consent(consent(register, who, "record"))
    assert shown == ""
    form = {"what": "record", "by": "player", "seen": shown}
    note_consent(register, who, form, today())
    given = consent(register, who, "record")
    assert seen_of_consent(given) == given.when.isoformat()
    note_consent(register, who, form, today())  # pressed twice: the same again
    assert consent(register, who, "record") == given
    with pytest.raises(InputError) as caught:
        note_consent(register, who, form | {"do": "withdraw"}, today())
    assert str(caught.value) == (
        "consent to measure and keep, at the hub of the site too: is given by the player since "
        "this page was shown; look at it, and press again"
    )
    note_consent(register, who, form | {"do": "withdraw", "seen": seen_of_consent(given)}, today())
    assert consent(register, who, "record").state == "withdrawn"


# ---- findings ----


def test_findings_are_noted_where_they_are_not_as_they_were(register, who):
    first, second = list(FINDINGS)[:2]
    state = "limit"
    note_findings(register, who, {first: state, f"{first}_text": " stiff "})
    found = {one.what: (one.state, one.text) for one in register.findings(who)}
    assert found == {first: (state, "stiff")}
    before = register.findings(who)
    note_findings(register, who, {first: state, f"{first}_text": "stiff", second: ""})
    assert register.findings(who) == before


def test_a_finding_that_changed_since_it_was_shown_is_not_changed_unseen(register, who):
    first, second = list(FINDINGS)[:2]
    shown = {f"was_{what}": "not looked" for what in (first, second)}
    shown |= {f"was_{what}_text": "" for what in (first, second)}
    register.note_finding(who, first, "limit", "stiff")
    typed = {first: "no limit", f"{first}_text": "", second: "limit", f"{second}_text": "x"}
    with pytest.raises(InputError) as caught:
        note_findings(register, who, {**shown, **typed})
    assert str(caught.value) == (
        f"{first}: was found otherwise (limit: stiff) since this page was shown; look at it, and "
        "press again"
    )
    assert [one.what for one in register.findings(who)] == [first]  # none is noted
    found = {one.what: one for one in register.findings(who)}
    rows = {what: (typed_, held) for what, typed_, held in findings_form(typed, found)}
    assert rows[first] == (("no limit", ""), ("limit", "stiff"))
    assert rows[second] == (("limit", "x"), ("not looked", ""))
    fresh = {what: (typed_, held) for what, typed_, held in findings_form({}, found)}
    assert fresh[first] == (("limit", "stiff"), ("limit", "stiff"))
    assert fresh[second] == (("not looked", ""), ("not looked", ""))
    # what one form did not change stands, whatever another said meanwhile
    note_findings(register, who, {**shown, first: "not looked", second: "not looked"})
    assert [one.state for one in register.findings(who)] == ["limit"]


# ---- decisions ----


def test_a_decision_is_made_once_and_taken_back(register, who):
    form = {"topic": "push", "answer": "go", "cue": "Let it roll.", "plan": "even"}
    assert seen_by_topic(last_of(register, who)) == dict.fromkeys(TOPICS, "")
    decide(register, who, form | {"seen": ""}, DAY)
    one = last_of(register, who)["push"]
    assert (one.answer, one.cue, one.plan, one.day) == ("go", "Let it roll.", "even", DAY)
    assert seen_by_topic(last_of(register, who))["push"] == one.when.isoformat()
    decide(register, who, form | {"seen": "", "cue": " Let it roll. "}, DAY)  # pressed twice
    assert last_of(register, who)["push"] == one
    with pytest.raises(InputError) as caught:
        decide(register, who, form | {"seen": "", "answer": "not yet"}, DAY)
    assert str(caught.value) == (
        "push: was decided otherwise (go) since this page was shown; look at it, and press again"
    )
    back = {"topic": "push", "do": "take back", "seen": one.when.isoformat()}
    decide(register, who, back, DAY)
    assert "push" not in last_of(register, who)
    decide(register, who, back, DAY)  # pressed twice
    with pytest.raises(InputError, match="push: was taken back since this page was shown"):
        decide(register, who, form | {"seen": one.when.isoformat()}, DAY)


def test_a_decision_may_be_of_another_day(register, who):
    decide(register, who, {"topic": "speed", "answer": "go", "day": "2026-03-01"}, DAY)
    assert last_of(register, who)["speed"].day == date(2026, 3, 1)
    with pytest.raises(InputError, match="day: 'soon', expected a day as"):
        decide(register, who, {"topic": "speed", "answer": "go", "day": "soon"}, DAY)
    with pytest.raises(InputError, match="decision"):
        decide(register, who, {"topic": "weather", "answer": "go"}, DAY)
