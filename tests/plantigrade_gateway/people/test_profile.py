"""What may be said of a player, up to its limits, and who is meant by a word. All invented."""

from datetime import date

import pytest

from plantigrade.errors import ForeignError
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.profile import (
    Profile,
    check_to_come,
    check_whole,
    checked,
    consent_of,
    folded,
    lacks_consent,
    line_of,
    one_called,
    one_of,
    profile_of,
)

TODAY = date(2026, 3, 31)
MARCH_MS = 1_774_915_200_000  # date -u -d 2026-03-31 +%s, and three zeros


def said(n: int, given: bool, after: tuple[str, ...] = (), until: str | None = None) -> Change:
    value = {"given": given, "by": "player", "after": list(after), "until": until}
    return Change(f"c{n}", "consent", "p", "speed", value, "eve", MARCH_MS + n, n, "here", n)


def called(*names: str) -> dict[str, Profile]:
    keys = [f"{k:x}" * 32 for k in range(10, 10 + len(names))]
    return {key: Profile(key, name, "right") for key, name in zip(keys, names, strict=True)}


@pytest.mark.parametrize(
    ("field", "longest", "what"),
    [
        ("name", 80, "name"),
        ("guardian", 80, "guardian"),
        ("shoe", 120, "shoe"),
        ("footbed", 120, "footbed"),
        ("size", 120, "size"),
    ],
)
def test_a_line_is_as_long_as_it_may_be(field, longest, what):
    assert checked({field: f"  {'x' * longest} "}) == {field: "x" * longest}
    with pytest.raises(
        InputError, match=f"{what}: has {longest + 1} characters, expected {longest}"
    ):
        checked({field: "x" * (longest + 1)})
    with pytest.raises(InputError, match=f"{what}: 7, expected text"):
        checked({field: 7})
    for steering in ("a\x1b[2J", "a\u200eb", "a\u2028b", "a\u2029b", "a\ud800"):
        with pytest.raises((InputError, ForeignError), match="control sign"):
            checked({field: steering})
    assert line_of("na\u200dme", "name") == "na\u200dme"  # some scripts write names with it


def test_text_is_kept_composed_and_compared_without_case():
    assert line_of("A\u030asa", "name") == "Åsa"
    assert folded("  STRASSE ") == folded("Straße") and folded("ÅSA") == folded("a\u030asa")


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ({"mass_kg": 10}, 10.0),
        ({"mass_kg": 300.0}, 300.0),
        ({"mass_kg": None}, None),
        ({"insoles": None}, None),
        ({"insoles": ("0000ab01", "0000AB02")}, ["0000AB01", "0000AB02"]),
        ({"next_check": " 2026-12-31 "}, "2026-12-31"),
        ({"next_check": ""}, ""),
        ({"is_minor": False}, False),
    ],
)
def test_what_may_be_is_kept(given, kept):
    ((value),) = checked(given).values()
    assert value == kept and type(value) is type(kept)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"mass_kg": 300.1}, "mass: 300.1 kg, expected 10 to 300"),
        ({"mass_kg": 9.9}, "mass: 9.9 kg, expected 10 to 300"),
        ({"mass_kg": True}, "mass: True kg"),
        ({"mass_kg": "80"}, "mass: '80' kg"),
        ({"mass_kg": float("inf")}, "mass: inf kg"),
        ({"insoles": "0000AB01"}, "insoles: "),
        ({"insoles": ["0000AB01"]}, "insoles: "),
        ({"insoles": ["0000AB01", "0000AB02", "0000AB03"]}, "insoles: "),
        ({"insoles": ["0000AB01", "0000AB0G"]}, "insoles: "),
        (
            {"insoles": ["0000AB01", "0000ab01"]},
            "insoles: 0000AB01 is given for both feet, expected two insoles",
        ),
        ({"hand": "left"}, "player: no field 'hand', "),
        ({"next_check": "31.12.2026"}, "next check: '31.12.2026', expected a day as 2026-12-31"),
        ({"is_minor": 1}, "is_minor: 1, expected true or false"),
    ],
)
def test_what_may_not_be_is_refused(given, why):
    with pytest.raises(InputError) as refused:
        checked(given)
    assert str(refused.value).startswith(why)


def test_a_word_is_one_of_those_there_are():
    assert one_of("right", ("right", "left"), "handedness") == "right"
    with pytest.raises(InputError, match="did you mean left"):
        one_of("Lefd", ("right", "left"), "handedness")
    with pytest.raises(InputError, match=r"handedness: \['left'\], "):
        one_of(["left"], ("right", "left"), "handedness")


def test_a_last_day_may_be_today():
    check_to_come(TODAY, TODAY)
    with pytest.raises(InputError, match="until: 2026-03-30 is past, expected a day to come"):
        check_to_come(date(2026, 3, 30), TODAY)


def test_a_minor_has_a_guardian():
    check_whole(Profile("p", "Mia Invented", "left", is_minor=True, guardian="Gus Invented"))
    check_whole(Profile("p", "Ada Invented", "left"))
    with pytest.raises(InputError, match=r"^guardian: is missing, a minor needs one$"):
        check_whole(Profile("p", "Mia Invented", "left", is_minor=True))


def test_a_player_of_whom_little_was_said_has_the_usual_values():
    assert profile_of("p", {}) == Profile("p", "", "right")
    found = profile_of("p", {"name": "Ada", "insoles": ["A", "B"], "player_id": "q", "age": 7})
    assert found == Profile("p", "Ada", "right", insoles=("A", "B"))


def test_a_consent_holds_on_its_last_day():
    assert consent_of("speed", [], TODAY).state == "not asked"
    for until, state in (("2026-03-31", "given"), ("2026-03-30", "ran out"), (None, "given")):
        found = consent_of("speed", [said(1, True, until=until)], TODAY)
        assert (found.state, found.by) == (state, "player")
        assert found.when is not None and found.when.date() == TODAY
    withdrawn = [said(1, True, until="2026-03-30"), said(2, False)]
    assert consent_of("speed", withdrawn, TODAY).state == "withdrawn"
    again = [*withdrawn, said(3, True, ("c2",)), said(4, True, ("c2",), "2026-03-31")]
    found = consent_of("speed", again, TODAY)
    assert (found.state, found.until) == ("given", TODAY)
    unknowing = [*again, said(5, False), said(6, True, ("c2",))]
    assert consent_of("speed", unknowing, TODAY).state == "withdrawn"


@pytest.mark.parametrize(
    ("state", "words"),
    [("not asked", "is not noted"), ("withdrawn", "was withdrawn"), ("ran out", "ran out on None")],
)
def test_what_a_recording_lacks_is_said(state, words):
    consent = consent_of("record", [], TODAY)
    other = type(consent)("record", state)
    assert lacks_consent([other], "Ada") == (
        f"Consent to record Ada {words}: recordings of a person are health-related data and need "
        "it."
    )


def test_the_beginning_of_an_id_is_four_digits_at_least():
    profiles = called("Mira", "Bo")
    assert one_called(profiles, "aaaa").name == "Mira"
    assert one_called(profiles, " BBBB ").name == "Bo"
    with pytest.raises(InputError, match="player 'aaa': is not registered"):
        one_called(profiles, "aaa")


def test_of_several_three_are_named():
    three = called("Mira A", "Mira B", "Mira C")
    with pytest.raises(InputError) as refused:
        one_called(three, "mira")
    assert str(refused.value) == (
        "player 'mira': 3 begin so (Mira A, aaaaaaaa, Mira B, bbbbbbbb, Mira C, cccccccc); give "
        "more of it, or the id"
    )
    with pytest.raises(InputError, match=r"4 begin so \(.*cccccccc and others\); give more"):
        one_called(called("Mira A", "Mira B", "Mira C", "Mira D"), "mira")
    with pytest.raises(InputError, match=r"did you mean Mira A or Mira B or Mira C\?$"):
        one_called(called("Mira A", "Mira B", "Mira C", "Mira D"), "ira")
    with pytest.raises(InputError, match="player '': is not registered; plantigrade players lists"):
        one_called(three, "")
