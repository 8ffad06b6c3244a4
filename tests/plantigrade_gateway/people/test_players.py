"""The register of players, on a real store's file. All people in here are invented.

What is expected follows from the words of the rules alone: no number in here was computed by the
code under test.
"""

import sqlite3
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from typing import Self

import pytest
from tests.support.records import packets

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people import players
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.profile import Consent, lacks_consent
from plantigrade_gateway.people.tables import explained
from plantigrade_gateway.sinks import MQTT, TSDB
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

TODAY = date(2026, 3, 31)


def recorded(store: Store, started: datetime | None = None, player: str | None = None) -> str:
    """Store a session that has ended."""
    session = store.create_session("test", analysis_version=1, player_id=player, started=started)
    store.append(session, packets(10))
    store.end_session(session, "stop")
    return session


# Registered and changed


def test_a_player_is_kept_as_given_and_changed_by_saying_more(register):
    key = register.add(
        name=" Ada Nowhere ",
        handedness="left",
        mass_kg=61.5,
        shoe="spikeless",
        footbed="own",
        size="EU 39",
        insoles=["0000ab01", "0000AB02"],
    )
    ada = register.profile(key)
    assert len(key) == 32 and int(key, 16) >= 0  # 128 bits
    assert (ada.name, ada.handedness, ada.mass_kg) == ("Ada Nowhere", "left", 61.5)
    assert (ada.shoe, ada.footbed, ada.size) == ("spikeless", "own", "EU 39")
    assert ada.insoles == ("0000AB01", "0000AB02") and not ada.is_minor
    assert register.edit(key, mass_kg=62.0, shoe="spikeless") == ["mass_kg"]
    assert register.profile(key).mass_kg == 62.0
    assert [c.value for c in register.changes(key) if c.field == "mass_kg"] == [61.5, 62.0]
    assert register.edit(key, mass_kg=None) == ["mass_kg"]
    assert register.profile(key).mass_kg is None


def test_names_of_new_players_stand_in_the_log_alone(store, register):
    register.add(name="Ada Nowhere", handedness="left", mass_kg=61.5)
    ((name, handedness, mass_kg),) = store.database.read(
        "SELECT name, handedness, mass_kg FROM players"
    )
    assert (name, handedness, mass_kg) == ("", "left", None)


def test_what_an_old_store_holds_is_the_first_value(store, register):
    old = store.players.create("Olga Old", "left", 58.0)
    assert register.find("olga old").player_id == old
    assert (register.profile(old).handedness, register.profile(old).mass_kg) == ("left", 58.0)
    register.edit(old, name="Olga New")
    assert register.names() == {old: "Olga New"}
    assert register.profile(old).mass_kg == 58.0


@pytest.mark.dear
@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            {"handedness": "rigth"},
            "handedness: 'rigth', did you mean right? Expected right or left",
        ),
        ({"handedness": "both"}, "handedness: 'both', expected right or left"),
        ({"handedness": None}, "handedness: is missing"),
        ({"name": "  "}, "name: is empty"),
        ({"name": "Ada\nNowhere"}, "name: holds a line break"),
        ({"name": "Ada\u202eerehwoN"}, "name: holds a line break or a control sign"),
        ({"name": 81 * "x"}, "name: has 81 characters, expected 80 at most"),
        ({"mass_kg": 9.99}, "mass: 9.99 kg, expected 10 to 300"),
        ({"mass_kg": float("nan")}, "mass: nan kg"),
        ({"mass_kg": True}, "mass: True kg"),
        ({"insoles": ["12", "34"]}, "expected the left and the right serial number, eight"),
        ({"insoles": ["0000AB01", "0000ab01"]}, "insoles: 0000AB01 is given for both feet"),
        ({"is_minor": True}, "guardian: is missing, a minor needs one"),
        ({"is_minor": "no"}, "is_minor: 'no', expected true or false"),
        ({"footbet": "own"}, "no field 'footbet', did you mean footbed?"),
        ({"diagnosis": "x"}, "no field 'diagnosis', expected name, "),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(register, given, said):
    with pytest.raises(InputError) as caught:
        register.add(**{"name": "Ada", "handedness": "right", **given})
    assert said in str(caught.value) and "\n" not in str(caught.value)
    assert register.profiles() == {}


@pytest.mark.parametrize("mass_kg", [10, 300])
def test_limits_belong_to_what_is_allowed(register, mass_kg):
    assert register.profile(register.add(name="A", handedness="right", mass_kg=mass_kg)).mass_kg


def test_a_minor_keeps_a_guardian(register):
    key = register.add(name="Mia", handedness="right", is_minor=True, guardian="Gus")
    with pytest.raises(InputError, match="guardian: is missing"):
        register.edit(key, guardian="")
    assert register.edit(key, guardian="", is_minor=False) == ["guardian", "is_minor"]


def test_a_name_is_given_once(register):
    register.add(name="Åsa Straße", handedness="right")
    other = register.add(name="Bo", handedness="right")
    for name in ("ÅSA STRASSE", "A\u030asa straße"):  # the ring as a sign of its own
        with pytest.raises(InputError, match="another player is called so"):
            register.add(name=name, handedness="left")
        with pytest.raises(InputError, match="another player is called so"):
            register.edit(other, name=name)
    assert register.edit(other, name="BO") == ["name"]


@pytest.mark.parametrize(
    "name", ["Ada  Bo", "Ada\u00a0Bo", "A\u200dda Bo", "\uff21da Bo", "ada bo", " Ada Bo\u3000"]
)
def test_names_that_look_alike_are_one(register, name):
    """A page shows blanks of any width as one, and what joins letters not at all."""
    ada = register.add(name="Ada Bo", handedness="right")
    with pytest.raises(InputError, match="another player is called so"):
        register.add(name=name, handedness="left")
    assert register.find(name).player_id == ada


@pytest.mark.parametrize(
    "name", ["\u3164", "\u200d\u200c", "\u115f\u1160", "\u2800 \uffa0", "\u0301", "\ufe0f"]
)
def test_a_name_that_shows_nothing_is_refused(register, name):
    with pytest.raises(InputError, match="name: shows nothing"):
        register.add(name=name, handedness="right")
    key = register.add(name="Bo", handedness="right")
    with pytest.raises(InputError, match="name: shows nothing"):
        register.edit(key, name=name)


@pytest.mark.parametrize("name", ["7", "#", "李", "A\u3164", "\u0905\u200d", "🏌", "-"])
def test_a_name_of_one_sign_that_shows_is_taken(register, name):
    key = register.add(name=name, handedness="right")
    assert register.find(key).name == name


# Found


def test_a_player_is_found_by_id_name_or_the_beginning_of_an_id(register):
    keys = [register.add(name=name, handedness="right") for name in ("Ólafur", "ŁUKASZ", "zoltan")]
    for text in (keys[0], "ÓLAFUR", " o\u0301lafur ", keys[0][:8].upper()):
        assert register.find(text).player_id == keys[0]
    assert register.find("łukasz").player_id == keys[1]
    assert register.find("ZOLTAN").player_id == keys[2]
    with pytest.raises(InputError, match="'Olafur': is not registered; did you mean Ólafur"):
        register.find("Olafur")
    with pytest.raises(InputError, match="'KAS': is not registered; did you mean ŁUKASZ"):
        register.find("KAS")
    for text in ("", keys[0][:3], "zzzz"):
        with pytest.raises(InputError, match="is not registered; plantigrade players lists them"):
            register.find(text)


def test_the_beginning_of_one_name_is_enough(register):
    mira = register.add(name="Mira (invented)", handedness="right")
    miro = register.add(name="Miro", handedness="right")
    assert register.find("mira").player_id == register.find("MIRA (").player_id == mira
    assert register.find("Miro").player_id == miro
    register.add(name="Miro Two", handedness="left")
    assert register.find("miro").player_id == miro  # a whole name goes before a beginning
    with pytest.raises(InputError, match=rf"3 begin so \(.*Miro, {miro[:8]}.*\); give more of it"):
        register.find("mir")


def test_two_of_one_name_are_told_apart_by_id(register, new_log):
    """Another bay may have registered a player of the same name before both were joined."""
    here = register.add(name="Ada", handedness="right")
    away = new_log()
    away.say(PLAYER, "ab" * 16, {"name": "ADA", "handedness": "left"}, "coach")
    register.log.merge(away.changes())
    with pytest.raises(InputError, match="2 are called so"):
        register.find("ada")
    assert register.find("ab" * 4).handedness == "left"
    assert register.find(here).handedness == "right"


def test_the_list_is_by_name_with_visits_and_searched(store, register):
    zoe = register.add(name="Zoë", handedness="right")
    register.add(name="émile", handedness="left")
    register.add(name="Bo", handedness="left")
    zone = timezone(timedelta(hours=10))
    for day in (3, 1):
        recorded(store, datetime(2026, 3, day, 8, 0, tzinfo=zone), zoe)
    recorded(store)
    rows = register.rows()
    assert [row.profile.name for row in rows] == ["Bo", "Zoë", "émile"]  # by code point
    assert [row.sessions for row in rows] == [0, 2, 0]
    assert rows[1].last == datetime(2026, 3, 3, 8, 0, tzinfo=zone)
    assert rows[1].last.utcoffset() == timedelta(hours=10) and rows[0].last is None
    assert [row.profile.name for row in register.rows("ÉMI")] == ["émile"]
    assert [row.profile.name for row in register.rows(zoe[:6])] == ["Zoë"]
    assert register.rows("nobody") == []


# Sessions


def test_a_session_is_assigned_and_moved_only_when_said(store, register):
    ada, bo = (register.add(name=name, handedness="right") for name in ("Ada", "Bo"))
    session = recorded(store)
    assign(register, session, ada)
    assign(register, session, ada)
    assert store.session(session).player_id == ada
    with pytest.raises(InputError, match=f"is of player {ada} already; say --move"):
        assign(register, session, bo)
    assign(register, session, bo, move=True)
    assert store.session(session).player_id == bo
    with pytest.raises(StoreError, match="not in the store"):
        assign(register, session, "nobody")
    under_way = store.create_session("test", analysis_version=1)
    with pytest.raises(StoreError, match="still being recorded"):
        assign(register, under_way, ada)


def test_a_player_of_another_bay_can_have_sessions(store, register, new_log):
    away = new_log()
    away.say(PLAYER, "ab" * 16, {"name": "Ada", "handedness": "left"}, "coach")
    register.log.merge(away.changes())
    assign(register, recorded(store), "ab" * 16)
    assert [(row.profile.name, row.sessions) for row in register.rows()] == [("Ada", 1)]


def test_a_player_deleted_in_another_bay_is_not_shown(register, new_log):
    key = register.add(name="Ada", handedness="left")
    away = new_log()
    away.merge(register.changes(key))
    away.delete([(PLAYER, key)], "coach")
    register.log.merge(away.changes())
    assert register.rows() == [] and register.names() == {}
    for refused in (register.profile, register.anchor):
        with pytest.raises(StoreError, match="not in the store"):
            refused(key)


def test_what_is_sent_on_holds_the_id_and_not_the_name(store, register):
    Outbox(store.database).configure([TSDB, MQTT])
    key = register.add(name="Ada Nowhere", handedness="right")
    recorded(store, player=key)
    items = Outbox(store.database).waiting(MQTT, 0, 100)
    assert {item.player for item in items} == {key}
    assert "Nowhere" not in repr(items)


# Consent, findings, decisions


def states(register: Register, key: str, today: date = TODAY) -> dict[str, str]:
    return {c.what: c.state for c in register.consents(key, today)}


def test_consent_is_given_runs_out_and_is_withdrawn(register):
    key = register.add(name="Ada", handedness="right")
    assert set(states(register, key).values()) == {"not asked"}
    register.grant(key, "record", "player", TODAY)
    register.grant(key, "speed", "player")
    assert states(register, key) == {"record": "given", "send on": "not asked", "speed": "given"}
    assert states(register, key, TODAY + timedelta(days=1))["record"] == "ran out"
    register.withdraw(key, "speed", "player")
    assert states(register, key)["speed"] == "withdrawn"
    register.grant(key, "speed", "player")
    assert states(register, key)["speed"] == "given"
    (record, *_) = register.consents(key, TODAY)
    assert (record.by, record.until) == ("player", TODAY)
    assert record.when is not None and abs(datetime.now(UTC) - record.when) < timedelta(hours=1)


@pytest.mark.parametrize("ahead_h", [-2, 0, 2])
def test_a_withdrawal_elsewhere_beats_a_grant_that_did_not_know_of_it(register, away, ahead_h):
    """Whatever the clock of the other bay says, and in either direction of joining."""
    key = register.add(name="Ada", handedness="right")
    register.grant(key, "speed", "player")
    away.log.merge(register.changes(key))
    away.log._clock.wall_ms = lambda: _now_ms() + ahead_h * 3_600_000
    away.withdraw(key, "speed", "player")
    register.grant(key, "speed", "player")
    register.log.merge(away.changes(key))
    away.log.merge(register.changes(key))
    for one in (register, away):
        assert states(one, key)["speed"] == "withdrawn"
    register.grant(key, "speed", "player")
    assert states(register, key)["speed"] == "given"


def _now_ms() -> int:
    return int(datetime.now(UTC).timestamp() * 1000)


def test_consent_to_record_that_ran_out_lacks_whatever_else_was_agreed():
    """The sentence: recordings are health-related data and need consent (design, Cautions)."""
    others = [Consent("send on", "given"), Consent("speed", "given")]
    ran_out = Consent("record", "ran out", until=date(2026, 3, 1))
    said = lacks_consent([*others, ran_out], "Ada")
    assert said.startswith("Consent to record Ada ran out on 2026-03-01: ")
    assert lacks_consent([*others, Consent("record", "given")], "Ada") == ""


def test_a_minors_consent_is_the_guardians(register):
    key = register.add(name="Mia", handedness="right", is_minor=True, guardian="Gus")
    with pytest.raises(InputError, match="this player is a minor, expected guardian"):
        register.grant(key, "speed", "player")
    register.grant(key, "speed", "guardian")
    register.withdraw(key, "speed", "player")  # a child's no counts
    assert states(register, key)["speed"] == "withdrawn"


def test_findings_and_decisions_are_the_last_said(register):
    key = register.add(name="Ada", handedness="right")
    register.note_finding(key, "hips", "limit", "lead side, about half")
    register.note_finding(key, "balance", "not looked")
    register.note_finding(key, "hips", "no limit")
    assert [(f.what, f.state, f.text) for f in register.findings(key)] == [
        ("hips", "no limit", ""),
        ("balance", "not looked", ""),
    ]
    register.decide(key, "speed", "not yet", TODAY, "smooth first")
    register.decide(key, "lead heel", "go", TODAY, plan="either")
    register.decide(key, "speed", "go", TODAY + timedelta(days=7), "let it go")
    assert [(d.topic, d.answer, d.plan, d.cue, d.day) for d in register.decisions(key)] == [
        ("lead heel", "go", "either", "", TODAY),
        ("speed", "go", "", "let it go", TODAY + timedelta(days=7)),
    ]
    assert [d.cue for d in register.decisions(key, TODAY + timedelta(days=6))][1:] == [
        "smooth first"
    ]
    assert register.decisions(key, TODAY - timedelta(days=1)) == []


def test_a_decision_of_before_plans_were_kept_has_none(register):
    key = register.add(name="Ada", handedness="right")
    old = {"answer": "go", "cue": "let it rise", "day": "2026-03-31"}
    register.log.say(PLAYER, key, {"decision:lead heel": old}, "coach")
    assert [(d.cue, d.plan) for d in register.decisions(key)] == [("let it rise", "")]


def test_the_last_print_of_each_foot_is_shown(register):
    key = register.add(name="Ada", handedness="right")
    assert register.prints(key) == {}
    register.note_print(key, "right", "low")
    register.note_print(key, "left", "high")
    register.note_print(key, "right", "between")
    assert register.prints(key) == {"left": "high", "right": "between"}


def test_words_that_are_none_of_those_are_refused(register: Register) -> None:
    key = register.add(name="Ada", handedness="right")
    calls: list[tuple[Callable[[], None], str]] = [
        (lambda: register.grant(key, "sped", "player"), "consent: 'sped', did you mean speed"),
        (lambda: register.grant(key, "speed", "coach"), "given by: 'coach', expected player or"),
        (lambda: register.note_finding(key, "hip", "limit"), "'hip', did you mean hips"),
        (lambda: register.note_finding(key, "hips", "limits"), "hips: 'limits', did you mean"),
        (lambda: register.decide(key, "lead heal", "go", TODAY), "did you mean lead heel"),
        (lambda: register.decide(key, "push", "no", TODAY), "push: 'no', "),
        (
            lambda: register.decide(key, "push", "go", TODAY, plan="up"),
            "plan of push: 'up', expected deliberate or even",
        ),
        (
            lambda: register.decide(key, "speed", "go", TODAY, plan="up"),
            "plan: speed has none, leave it out",
        ),
        (lambda: register.note_print(key, "lead", "low"), "foot: 'lead', expected left or"),
        (lambda: register.note_print(key, "left", "lov"), "print: 'lov', did you mean low"),
    ]
    for call, said in calls:
        with pytest.raises(InputError, match=said):
            call()
    assert {c.field for c in register.changes(key)} == {"name", "handedness"}


def test_nothing_is_said_of_a_player_who_is_not_there(register: Register) -> None:
    for call in (
        lambda: register.grant("nobody", "speed", "player"),
        lambda: register.note_finding("nobody", "hips", "limit"),
        lambda: register.decide("nobody", "push", "go", TODAY),
        lambda: register.edit("nobody", shoe="x"),
    ):
        with pytest.raises(StoreError, match="'nobody': not in the store"):
            call()
    assert register.log.changes() == []


@pytest.mark.sqlite
def test_the_file_that_refuses_is_explained(store, register):
    with store.database.writing() as db:
        db.execute("DROP TABLE people_change")
    with pytest.raises(StoreError, match="cannot be used"):
        register.rows()


@pytest.mark.sqlite
def test_a_file_that_refuses_from_the_first_opens_no_register(store, monkeypatch):
    def refuses(*_: object) -> None:
        raise StoreError("the disk refuses")

    monkeypatch.setattr(players, "ChangeLog", refuses)
    with pytest.raises(StoreError, match="the disk refuses"):
        Register(store)


def test_a_decision_cannot_be_of_a_day_yet_to_come(register):
    ada = register.add(name="Ada Nowhere", handedness="left")
    today = datetime.now(UTC).date()
    register.decide(ada, "push", "go", today)
    with pytest.raises(InputError, match="is yet to come, expected today or before"):
        register.decide(ada, "push", "not yet", today + timedelta(days=3))
    assert [(one.answer, one.day) for one in register.decisions(ada)] == [("go", today)]


def test_a_decision_may_be_of_tomorrow_by_utc_and_no_later(register, monkeypatch):
    """East of Greenwich it is tomorrow already; nowhere is it the day after."""

    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Self:
            return cls(2026, 3, 2, 23, 30, tzinfo=tz)

    monkeypatch.setattr(players, "datetime", Clock)
    ada = register.add(name="Ada Nowhere", handedness="left")
    register.decide(ada, "push", "go", date(2026, 3, 3))
    with pytest.raises(InputError, match="2026-03-04 is yet to come"):
        register.decide(ada, "push", "not yet", date(2026, 3, 4))
    assert [one.day for one in register.decisions(ada)] == [date(2026, 3, 3)]


def test_a_name_is_found_by_the_id_alone(register):
    ada = register.add(name="Ada Nowhere", handedness="left")
    assert register.name(ada) == "Ada Nowhere" and register.name("ab" * 16) is None


@pytest.mark.parametrize("day", [date(1900, 1, 1), date(26, 11, 30), date(1999, 12, 31)])
def test_a_decision_cannot_be_of_a_day_that_was_mistyped(register, day):
    """A year of two digits becomes 0026 in a browser's field; what is so dated is on no sheet."""
    ada = register.add(name="Ada Nowhere", handedness="left")
    register.decide(ada, "push", "go", date(2000, 1, 1))
    said = f"day: {day.isoformat()} is too long ago, expected 2000-01-01 or later"
    with pytest.raises(InputError, match=said):
        register.decide(ada, "push", "not yet", day)
    with pytest.raises(InputError, match=said):
        register.take_back(ada, "push", day)
    assert [(one.answer, one.day) for one in register.decisions(ada)] == [("go", date(2000, 1, 1))]


def test_what_the_engine_does_not_wrap_is_explained_too(tmp_path):
    """What is refused while a connection is set up comes as SQLite's own error."""
    with (
        pytest.raises(StoreError, match=r"store .*s\.sqlite3: "),
        explained(tmp_path / "s.sqlite3"),
    ):
        raise sqlite3.OperationalError("database is locked")


def test_the_tables_lie_where_they_should(store, register, engine_name):
    register.add(name="Ada", handedness="right")
    in_file = store.database.read("SELECT 1 FROM sqlite_schema WHERE name = 'people_change'")
    assert len(in_file) == (engine_name == "sqlite")
    assert register._engine.dialect.name == engine_name


def test_a_decision_that_was_taken_back_does_not_stand_and_stays_in_the_log(register):
    key = register.add(name="Ada", handedness="right")
    with pytest.raises(InputError, match="speed: is not decided, there is nothing to take back"):
        register.take_back(key, "speed", TODAY)
    register.decide(key, "push", "go", TODAY)
    register.decide(key, "speed", "go", TODAY, "Five fast ones.")
    register.take_back(key, "speed", TODAY)
    assert [one.topic for one in register.decisions(key)] == ["push"]
    (row,) = register.rows()
    assert row.answers == {"push": "go"}
    said = [c.value["answer"] for c in register.changes(key) if c.field == "decision:speed"]
    assert said == ["go", ""]
    register.decide(key, "speed", "not yet", TODAY)
    assert {one.topic: one.answer for one in register.decisions(key)}["speed"] == "not yet"
