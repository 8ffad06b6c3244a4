"""Whether a player may swing fast, as people said of them. All people in here are invented."""

from datetime import date, timedelta

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.speedwork import plan_now
from plantigrade_gateway.session import checkpeople
from plantigrade_gateway.session.checkpeople import CheckPeople

TODAY, DAY = date(2026, 3, 2), timedelta(days=1)


@pytest.fixture(autouse=True)
def today(monkeypatch) -> None:
    """Have it be that day, however late at night the tests are run."""

    class Today(date):
        @classmethod
        def today(cls) -> "Today":
            return cls(TODAY.year, TODAY.month, TODAY.day)

    monkeypatch.setattr(checkpeople, "date", Today)


@pytest.mark.parametrize(
    ("by", "until", "may"),
    [
        ("player", None, False),
        ("guardian", None, True),
        ("guardian", TODAY, True),
        ("guardian", TODAY - DAY, False),
    ],
)
def test_a_minor_needs_the_guardians_consent_of_today(store, by, until, may):
    with Register(store) as register:
        key = register.add(name="Ada", handedness="right")
        register.decide(key, "speed", "go", TODAY)
        register.grant(key, "speed", by, until)  # by the player: before the age was known
        register.edit(key, is_minor=True, guardian="Gus")
    refused = CheckPeople(store).no_speed(key, "")
    assert refused is None if may else refused is not None and "guardian" in refused


def test_a_consent_that_was_withdrawn_and_a_decision_that_is_not_yet_keep_a_minor_back(store):
    with Register(store) as register:
        key = register.add(name="Ada", handedness="right", is_minor=True, guardian="Gus")
        register.grant(key, "speed", "guardian")
        register.decide(key, "speed", "not yet", TODAY)
        refused = CheckPeople(store).no_speed(key, "")
        assert refused is not None and "the coach decides first" in refused
        register.decide(key, "speed", "go", TODAY)
        assert CheckPeople(store).no_speed(key, "") is None
        register.withdraw(key, "speed", "guardian")
        refused = CheckPeople(store).no_speed(key, "")
        assert refused is not None and "the guardian has not agreed" in refused


@pytest.mark.parametrize("is_minor", [False, True])
def test_a_decision_on_a_visit_that_is_another_players_now_opens_no_speed_work(store, is_minor):
    """Speed was let go by somebody else's feet; decided anew on the player's own sheet it holds."""
    given = {"is_minor": True, "guardian": "Gus"} if is_minor else {}
    people = CheckPeople(store)
    with Register(store) as register:
        ada = register.add(name="Ada", handedness="right", **given)
        bo = register.add(name="Bo", handedness="right")
        register.grant(ada, "speed", "guardian")
        visit, own = (
            store.create_session("test", analysis_version=1, player_id=ada) for _ in range(2)
        )
        for session in (visit, own):
            store.end_session(session, "stop")
        register.decide(ada, "speed", "go", TODAY, sheet=(visit, "5e" * 16))
        assert people.no_speed(ada, "", is_block=True) is None
        assign(register, visit, bo, move=True)
        assert people.no_speed(ada, "", is_block=True) == (
            "No speed block: speed was decided on a visit that is another player's now. Decide "
            "again, on this player's own sheet."
        )
        look = people.no_speed(ada, "")  # a few fast swings, for which a minor needs the decision
        assert (look is not None and "another player's" in look) is is_minor
        register.decide(ada, "speed", "go", TODAY, sheet=(own, "5e" * 16))
        assert people.no_speed(ada, "", is_block=True) is None
        register.decide(ada, "speed", "not yet", TODAY, sheet=(visit, "5e" * 16))
        refused = people.no_speed(ada, "", is_block=True)
        assert refused is not None and "decide" in refused


def test_of_nobody_who_is_registered_the_hold_counts_and_a_block_needs_the_decision(store):
    for people in (CheckPeople(store), CheckPeople(None)):
        assert people.no_speed(None, "") is None
        assert people.no_speed(None, "pain") == "No fast swings today: pain."
        for is_block in (False, True):
            refused = people.no_speed(None, None, is_block=is_block)
            assert refused is not None and "are not answered" in refused
        refused = people.no_speed(None, "", is_block=True)
        assert refused is not None and "has not decided" in refused
    assert CheckPeople(None).no_speed("of a store that is not there", "") is None


def test_the_guardian_of_a_minor_is_the_likelier_to_answer(store):
    with Register(store) as register:
        ada = register.add(name="Ada", handedness="right", is_minor=True, guardian="Gus")
        bo = register.add(name="Bo", handedness="right")
    people = CheckPeople(store)
    assert list(people.answerers(ada)) == ["guardian", "player"]
    for asked in (people.answerers(bo), people.answerers(None), CheckPeople(None).answerers(ada)):
        assert list(asked) == ["player", "guardian"]


def test_a_hold_is_kept_until_it_is_taken_back_and_without_a_store_nothing_is(store, session):
    people, nobody = CheckPeople(store), CheckPeople(None)
    assert people.hold(session) is None
    nobody.answered(session, "player", "pain")
    assert people.hold(session) is None and nobody.hold(session) is None
    people.answered(session, "guardian", "pain")
    assert people.hold(session) == "pain"
    nobody.take_back_hold(session)
    assert people.hold(session) == "pain"
    people.take_back_hold(session)
    assert not people.hold(session)


def test_a_speed_block_needs_a_store_for_its_plan(store):
    with pytest.raises(InputError, match="needs a store, for the decision and the dose"):
        CheckPeople(None).plan()
    with Register(store) as register:
        assert CheckPeople(store).plan() == plan_now(register)
