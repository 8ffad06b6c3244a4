"""Whose a session is: the last word stands, wherever it was said and in whatever order it came."""

import itertools
from datetime import date

import pytest
from tests.support.records import packets

from plantigrade_gateway.people.assigned import assign, assigned, decided_elsewhere, follow
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.players import PLAYER, SESSION
from plantigrade_gateway.store.store import Store


def recorded(store: Store, player: str | None = None, state: str = "ended") -> str:
    session = store.create_session("insoles", analysis_version=1, player_id=player)
    store.append(session, packets(6))
    if state == "ended":
        store.end_session(session, "stop")
    return session


def test_each_word_is_in_the_log_once_and_the_same_again_is_none(store, register):
    ada, bo = (register.add(name=name, handedness="left") for name in ("Ada", "Bo"))
    session = recorded(store, ada)
    assign(register, session, ada)
    assert assigned(register) == {}  # as its bay said at its beginning
    assign(register, session, bo, move=True)
    assign(register, session, bo)
    assert [c.value for c in register.log.changes(SESSION, session)] == [bo]
    assign(register, session, ada, move=True)
    assert assigned(register) == {session: ada} and store.session(session).player_id == ada


def test_what_was_decided_on_a_visit_that_is_anothers_now_is_known(store, register):
    """Recorded under the wrong name and decided by: the decision stands, and of the wrong feet."""
    ada, bo = (register.add(name=name, handedness="left") for name in ("Ada", "Bo"))
    wrong, own = recorded(store, ada), recorded(store, ada)
    day = date(2026, 3, 2)
    register.decide(ada, "speed", "go", day, sheet=(wrong, "rules"))
    register.decide(ada, "push", "go", day, sheet=(own, "rules"))
    register.decide(ada, "lead heel", "go", day)  # on no sheet
    assert decided_elsewhere(register, ada) == []
    assign(register, wrong, bo, move=True)
    assert decided_elsewhere(register, ada) == ["speed"]
    assert decided_elsewhere(register, bo) == []
    register.decide(ada, "speed", "go", day, sheet=(own, "rules"))
    assert decided_elsewhere(register, ada) == []
    register.decide(ada, "push", "go", day, sheet=(wrong, "rules"))
    assert decided_elsewhere(register, ada) == ["push"]
    register.take_back(ada, "push", day)
    assert decided_elsewhere(register, ada) == []
    register.decide(ada, "push", "go", day, sheet=("ab" * 16, "rules"))  # of another bay
    assert decided_elsewhere(register, ada) == []


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_three_places_that_said_otherwise_come_to_the_last_word(store, register, new_log, order):
    """Stamps 1000, 2000 and 3000 ms: the third word stands, whichever comes last."""
    here = {name: register.add(name=name, handedness="left") for name in ("Ada", "Bo", "Cy", "Di")}
    session = recorded(store, here["Di"])
    words = []
    for ms, name in ((1000, "Cy"), (2000, "Ada"), (3000, "Bo")):
        log = new_log(HybridClock(wall_ms=itertools.repeat(ms).__next__))
        words.append(log.say(SESSION, session, {"player": here[name]}, "coach"))
    for place in order:
        register.log.merge(words[place])
        assert follow(register) is False
    assert store.session(session).player_id == here["Bo"]


def test_one_that_is_recorded_or_of_an_unknown_player_waits(store, register, new_log):
    ada = register.add(name="Ada", handedness="left")
    live, other = recorded(store, state="open"), recorded(store)
    bo = "ab" * 16
    away = new_log()
    away.say(SESSION, live, {"player": ada}, "coach")
    away.say(SESSION, other, {"player": bo}, "coach")
    register.log.merge(away.changes())
    assert follow(register) is True
    assert [store.session(key).player_id for key in (live, other)] == [None, None]
    store.end_session(live, "stop")
    away.say(PLAYER, bo, {"name": "Bo", "handedness": "right"}, "coach")
    register.log.merge(away.changes())
    assert follow(register) is False
    assert [store.session(key).player_id for key in (live, other)] == [ada, bo]


def test_one_of_a_player_who_was_deleted_goes_with_the_player(store, register, new_log):
    """Its tombstone is what every place goes by; the other players' sessions have none."""
    ada = register.add(name="Ada", handedness="left")
    session, kept = recorded(store, ada), recorded(store, ada)
    away, gone = new_log(), "ab" * 16
    away.say(SESSION, session, {"player": gone}, "coach")
    away.delete([(PLAYER, gone)], "coach")
    register.log.merge(away.changes())
    assert follow(register) is False
    assert register.log.deleted(SESSION) == {session}
    assert store.session(kept).player_id == ada


@pytest.mark.parametrize("value", ["nobody", 7, None, "AB" * 16, ["ab" * 16]])
def test_what_can_be_no_player_moves_nothing(store, register, new_log, value):
    ada = register.add(name="Ada", handedness="left")
    session = recorded(store, ada)
    away = new_log()
    away.say(SESSION, session, {"player": value}, "coach")
    register.log.merge(away.changes())
    assert follow(register) is False and store.session(session).player_id == ada
