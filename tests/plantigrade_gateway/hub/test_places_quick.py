"""Whose each place of the log is: bound, refused, lent and let go of, in tables of their own."""

from datetime import UTC, datetime

import pytest
import sqlalchemy as sa

from plantigrade_gateway.hub import places
from plantigrade_gateway.hub.places import NotItsPlace, Places, Refusal
from plantigrade_gateway.people.hubtables import PLACE
from plantigrade_gateway.people.tables import SITE

ONE, TWO, THREE, HUB = (digit * 32 for digit in "123e")
NOW_MS = 1_900_000_000_000  # 2030-03-17 17:46:40 UTC


@pytest.fixture(autouse=True)
def clock(monkeypatch) -> None:
    monkeypatch.setattr(places, "now_ms", lambda: NOW_MS)


@pytest.fixture
def held(engine) -> Places:
    return Places(engine)


def say_as_hub(engine: sa.Engine, place: str) -> None:
    with engine.begin() as db:
        db.execute(SITE.delete())
        db.execute(SITE.insert().values(one=True, site=place, seq=0))


def test_who_says_a_place_first_has_it(held):
    held.hold("one", ONE, [ONE, THREE])
    held.hold("one", ONE, [])
    assert held.of("one") == [ONE, THREE] and held.of("two") == []
    with pytest.raises(NotItsPlace) as raised:
        held.hold("two", TWO, [THREE, ONE])
    assert str(raised.value) == (
        f"place '{ONE}': is not this bay's, and each bay gives what was said at its own; "
        "plantigrade hub bay release lets go of places at the hub"
    )
    assert held.of("two") == []  # none was bound
    assert held.counts() == {"one": 2}


def test_a_bay_that_does_not_say_its_place_is_bound_by_what_it_gives(held):
    held.hold("one", None, [ONE])
    with pytest.raises(NotItsPlace):
        held.hold("two", None, [ONE])
    held.hold("two", None, [])
    assert held.counts() == {"one": 1}


def test_the_hubs_own_place_is_no_bays(held, engine):
    say_as_hub(engine, HUB)
    held.hold("one", HUB, [])  # whose tables are the hub's: no stranger, and nothing of its own
    assert held.of("one") == []
    with pytest.raises(NotItsPlace):
        held.hold("one", ONE, [HUB])
    say_as_hub(engine, TWO)  # as after a restore: what it was before stays its own
    with pytest.raises(NotItsPlace):
        held.hold("one", HUB, [])
    held.hold("one", ONE, [])
    assert held.of("one") == [ONE] and held.counts() == {"one": 1}


def test_a_bay_has_sixty_four_places_at_most(held):
    many = [f"{n:032x}" for n in range(65)]
    with pytest.raises(NotItsPlace, match=r"^bay one: has more than 64 places$"):
        held.hold("one", None, many)
    assert held.of("one") == []
    held.hold("one", None, many[:64])
    held.hold("one", None, many[:64])
    with pytest.raises(NotItsPlace):
        held.hold("one", many[64], [])
    held.hold("two", many[64], [])
    assert held.counts() == {"one": 64, "two": 1}


def test_a_refusal_is_kept_with_its_time_until_the_next(held, monkeypatch):
    held.hold("one", ONE, [])
    held.hold("three", THREE, [])
    with pytest.raises(NotItsPlace):
        held.hold("two", ONE, [])
    when = datetime(2030, 3, 17, 17, 46, 40, tzinfo=UTC)
    assert held.refusals() == {"two": Refusal("two", ONE, when)}
    assert held.refusals()["two"].text == (
        "gave what was said at another's place (11111111) and was refused, "
        "last 2030-03-17 17:46 UTC"
    )
    monkeypatch.setattr(places, "now_ms", lambda: NOW_MS + 60_000)
    with pytest.raises(NotItsPlace):
        held.hold("two", THREE, [])
    assert held.refusals()["two"].place == THREE and len(held.refusals()) == 1
    assert held.refusals()["two"].when.minute == 47


def test_places_that_are_let_go_of_are_for_who_says_them_next(held):
    held.hold("one", ONE, [THREE])
    held.hold("two", TWO, [])
    assert held.release("one") == 2 and held.release("one") == 0
    held.hold("two", TWO, [ONE])
    assert held.of("two") == [ONE, TWO]


def test_the_hubs_places_of_before_are_lent_to_all_bays_for_a_while(held, engine, monkeypatch):
    say_as_hub(engine, HUB)
    held.hold("one", ONE, [])
    assert held.lend(NOW_MS + 10) == 0  # its place of now is not lent
    say_as_hub(engine, TWO)
    held.hold("one", ONE, [])
    assert held.lend(NOW_MS + 10) == 1
    for bay, own in (("one", ONE), ("two", THREE)):
        held.hold(bay, own, [HUB])
        assert held.of(bay) == sorted([own, HUB])
    with pytest.raises(NotItsPlace):
        held.hold("one", ONE, [TWO])
    assert held.counts() == {"one": 1, "two": 1}
    monkeypatch.setattr(places, "now_ms", lambda: NOW_MS + 10)  # over
    assert held.of("one") == [ONE]
    with pytest.raises(NotItsPlace):
        held.hold("one", ONE, [HUB])
    with engine.connect() as db:
        bound = dict(db.execute(sa.select(PLACE.c.site, PLACE.c.bay)).all())
    assert bound == {ONE: "one", THREE: "two", HUB: None, TWO: None}


def test_where_the_hub_says_nothing_yet_its_places_of_before_are_lent_as_well(held, engine):
    say_as_hub(engine, HUB)
    held.hold("one", ONE, [])
    with engine.begin() as db:
        db.execute(SITE.delete())
    assert held.lend(NOW_MS + 10) == 1
