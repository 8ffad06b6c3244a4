"""Whether a player may swing fast, as people said of them. All people in here are invented."""

from datetime import date, timedelta

import pytest

from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import Register
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
