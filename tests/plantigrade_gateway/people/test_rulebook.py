"""Rule files kept as versions, and the one that a sheet was made with. All invented."""

from datetime import date

import pytest
from tests.support.rules import own_version, versioned

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people import rulebook
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.rules.files import built_in_text

FIRST = built_in_text()
DAY = date(2026, 3, 31)


def other(version: str, feet_differ_from: str = "0.05") -> str:
    """The built-in rules with another version, and perhaps another limit."""
    text = versioned(FIRST, version)
    return text.replace("feet_differ_from = 0.05", f"feet_differ_from = {feet_differ_from}")


@pytest.fixture
def book(register) -> RuleBook:
    return RuleBook(register)


def test_without_own_rules_those_of_the_program_hold(book, register):
    now = book.current()
    assert (now.text, now.is_built_in, now.when) == (FIRST, True, None)
    assert book.versions() == [] and register.log.changes() == []


def test_a_version_that_was_kept_is_found_and_no_other(book):
    kept = book.keep(other("one", "0.06"))
    assert book.version(kept.version_id).rules.limits["feet_differ_from"] == 0.06
    with pytest.raises(StoreError, match=r"^rules 'nothing': no such version is kept$"):
        book.version("nothing")


@pytest.mark.dear
@pytest.mark.slow
def test_every_version_is_kept_and_the_last_holds(book):
    book.keep(other("one", "0.06"))
    last = book.keep(other("two", "0.07"))
    assert book.keep(other("two", "0.07")).version_id == last.version_id, "kept once"
    assert [one.rules.version for one in book.versions()] == ["two", "one"]
    assert book.current().rules.limits["feet_differ_from"] == 0.07
    first_again = book.keep(FIRST)
    assert first_again.is_built_in and book.current().text == FIRST
    assert [one.rules.version for one in book.versions()] == [own_version(), "two", "one"]


@pytest.mark.dear
@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("format = ", "rules"),
        (other("one").replace('fact = "feet.differ"', 'fact = "feet.difer"'), "is no fact"),
        (other(own_version(), "0.06"), "nobody can tell the sheets apart"),
        (
            other("one").replace("travel_margin =", "travel_margn ="),
            "limits: 'travel_margn' is not known, expected travel_margin",
        ),
        (
            other("one").replace("warm_up_swings =", "warm_up_swing ="),
            "speed: 'warm_up_swing' is not known, expected warm_up_swings",
        ),
        (
            other("one").replace("warm_up_swings = 10", 'warm_up_swings = "ten"'),
            "speed.warm_up_swings is 'ten', expected a number",
        ),
        (
            other("one").replace("push_begins_by = 0.40", "push_begins_by = 40"),
            "^rules: limits.push_begins_by is 40, expected 0 to 1$",
        ),
        (
            other("one", "nan"),
            "^rules: limits.feet_differ_from is nan, expected 0 to 1$",
        ),
        (
            other("one").replace("least_swings = 6", "least_swings = 0"),
            "^rules: limits.least_swings is 0, expected 1 to 1000$",
        ),
        (
            other("one").replace("stand_none_below = 0.03", "stand_none_below = 0.10"),
            "^rules: limits.stand_none_below is 0.1, expected less than stand_bearing_from, "
            "which is 0.06$",
        ),
        (
            other("one").replace("ai_low_from = 0.26", "ai_low_from = 0.21"),
            "^rules: limits.ai_high_at_most is 0.21, expected less than ai_low_from, "
            "which is 0.21$",
        ),
        *(
            (
                other("one").replace("rest_between_swings_s = 20", f"rest_between_swings_s = {n}"),
                f"^rules: speed.rest_between_swings_s is {n}, "
                "expected a whole number of 1 or more$",
            )
            for n in ("-20", "2.5", "inf")
        ),
        (
            other("one").replace("recheck_after_days = 28", "recheck_after_days = 0"),
            "speed.recheck_after_days is 0, expected a whole number of 1 or more",
        ),
        (
            other("one").replace('drill = "heel_lift"', 'drill = "heel_lfit"', 1),
            "rule 'lead-heel-rise': drill 'heel_lfit': is not known, expected perhaps heel_lift",
        ),
    ],
)
@pytest.mark.slow
def test_what_cannot_be_used_is_not_kept(book, register, text, said):
    with pytest.raises(InputError, match=said):
        book.keep(text)
    assert register.log.changes() == []


@pytest.mark.dear
@pytest.mark.slow
def test_a_drill_of_the_coachs_own_files_may_be_named(book, register):
    """A drill file lies in the folder beside the store (drill_file.md)."""
    text = other("one").replace('drill = "heel_lift"', 'drill = "float"', 1)
    with pytest.raises(InputError, match="drill 'float': is not known"):
        book.keep(text)
    folder = register.store.path.parent / "drills"
    folder.mkdir()
    own = 'name = "float"\ntitle = "Float"\ngoal = "Let the heel float."\nkind = "heel_lift"\n'
    (folder / "float.toml").write_text(own)
    assert book.keep(text).text == text == book.current().text


@pytest.mark.dear
@pytest.mark.slow
def test_a_drill_that_rules_of_another_place_name_may_stay(book, new_log, register):
    """The hub's desk changes rules that a bay kept, whose drill files only the bay has."""
    away, text = new_log(), other("one").replace('drill = "heel_lift"', 'drill = "float"', 1)
    away.say("rules", "rules", {"text": {"text": text, "built_in": False}}, "coach")
    register.log.merge(away.changes())
    changed = versioned(text, "two")
    assert changed != text and book.keep(changed).text == changed == book.current().text
    with pytest.raises(InputError, match="drill 'flaot': is not known"):
        book.keep(versioned(changed, "three").replace('"float"', '"flaot"'))


@pytest.mark.dear
@pytest.mark.slow
def test_a_sheet_keeps_the_rules_that_it_was_decided_with(book, register):
    key = register.add(name="Ada", handedness="right")
    assert book.of_sheet(key, "visit").text == FIRST
    register.decide(key, "push", "go", DAY, sheet=("visit", book.kept_id()))
    book.keep(other("one", "0.06"))
    assert book.of_sheet(key, "visit").text == FIRST
    assert book.of_sheet(key, "next visit").rules.version == "one"
    register.decide(key, "speed", "not yet", DAY)  # on no sheet
    assert book.of_sheet(key, "visit").text == FIRST
    register.decide(key, "push", "not yet", DAY, sheet=("visit", book.kept_id()))
    assert book.of_sheet(key, "visit").rules.version == "one"
    register.decide(key, "push", "not yet", DAY, sheet=("visit", "away"))
    with pytest.raises(StoreError, match="no such version is kept"):
        book.of_sheet(key, "visit")


def test_a_later_programs_rules_hold_and_leave_older_sheets_alone(book, register, monkeypatch):
    key = register.add(name="Ada", handedness="right")
    register.decide(key, "push", "go", DAY, sheet=("visit", book.kept_id()))
    assert book.kept_id() == book.versions()[0].version_id and len(book.versions()) == 1
    monkeypatch.setattr(rulebook, "built_in_text", lambda: other("one"))
    assert book.current().text == other("one")
    assert book.of_sheet(key, "visit").text == FIRST
    assert book.of_sheet(key, "next visit").text == other("one")
    assert book.kept_id() == book.versions()[0].version_id and len(book.versions()) == 2
