"""A bay gives what was said at its own places alone: who says a place first has it."""

import hashlib
import json
from typing import Any

import pytest
import sqlalchemy as sa
from click.testing import CliRunner
from tests.support.hub import Site

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.converter import plain
from plantigrade_gateway.hub import places
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.places import Places
from plantigrade_gateway.people import hubtables, tables
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.clock import now_ms
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sync.bodies import Piece, together

pytestmark = pytest.mark.dear
ONE, TWO = "1" * 32, "2" * 32
"""Places of the log, of bay one and bay two."""


@pytest.fixture
def hub(hub_on_each: Site) -> Site:
    return hub_on_each


def change(site: str, seq: int, value: str = "Ann", key: str = "") -> Change:
    key = key or f"{site[:16]}{seq:016x}"
    return Change(key, "player", "a" * 32, "name", value, "coach", 10**12, seq << 16, site, seq)


def given(hub: Site, bay: str, *changes: Change, **more: Any) -> Any:
    body = {"changes": [plain(one) for one in changes], "restamps": [], "has": {}, **more}
    return hub.client(bay).post("/bay/v1/changes", json=body)


def refused(answer: Any) -> bool:
    return answer.status_code == 403 and list(answer.json()) == ["error"]


def test_a_bay_gives_nothing_in_the_name_of_another_bays_place(hub):
    assert given(hub, "one", change(ONE, 1), place=ONE).json()["places"] == [ONE]
    log = ChangeLog(hub.engine)
    before = log.changes()
    forged = change(ONE, 2, "Eve")
    assert refused(given(hub, "two", forged, place=TWO))
    assert refused(given(hub, "two", forged))  # a bay of an older version says no place
    assert refused(given(hub, "two", change(TWO, 1), forged, place=TWO)), "nor among its own"
    assert refused(given(hub, "two", place=ONE)), "nor calls it its own"
    assert log.changes() == before
    assert log.seen() == {ONE: 1}
    told = given(hub, "two", change(TWO, 1), place=TWO)
    assert told.status_code == 200 and told.json()["places"] == [TWO]
    assert given(hub, "one", change(ONE, 2, "Anna"), place=ONE).status_code == 200
    assert [c.value for c in log.changes() if c.site == ONE] == ["Ann", "Anna"]


def test_a_bay_gives_nothing_in_the_name_of_the_hub(hub):
    with Register(hub.store) as desk:
        desk.add(name="Bea", handedness="right")
        here = desk.log.place()
        assert here is not None
        seen = desk.log.seen()
        assert refused(given(hub, "one", change(here, 99)))
        assert desk.log.seen() == seen
        # A bay whose tables are the hub's own has nothing to give, and is no stranger.
        assert given(hub, "one", place=here).json()["places"] == []


def test_what_the_hub_said_before_it_was_restored_stays_its_own(hub):
    with Register(hub.store) as desk:
        desk.add(name="Bea", handedness="right")
        before = desk.log.place()
        assert before is not None and given(hub, "one", place=ONE).status_code == 200
        with tables.writing(hub.engine).begin() as db:
            db.execute(tables.SITE.delete())  # as a restore does
        desk.add(name="Cyd", handedness="right")
        assert refused(given(hub, "one", change(before, 99)))


def test_a_bay_of_an_older_version_is_bound_by_what_it_gives(hub):
    assert given(hub, "one", change(ONE, 1)).json()["places"] == [ONE]
    assert refused(given(hub, "two", change(ONE, 2)))


def test_a_bay_whose_store_was_restored_has_both_places(hub):
    assert given(hub, "one", change(ONE, 1), place=ONE).status_code == 200
    told = given(hub, "one", change(ONE, 2), change("3" * 32, 1), place="3" * 32)
    assert told.json()["places"] == [ONE, "3" * 32]


def test_a_bay_has_no_more_places_than_there_may_be(hub, monkeypatch):
    monkeypatch.setattr(places, "MOST_PLACES", 3)
    many = [change(f"{n:032x}", 1) for n in range(5)]
    assert refused(given(hub, "one", *many))
    assert given(hub, "one", *many[:3]).status_code == 200
    assert refused(given(hub, "one", many[3]))
    assert ChangeLog(hub.engine).seen().keys() == {one.site for one in many[:3]}


@pytest.mark.parametrize("place", ["", "a\nb", "x" * 129, 7])
def test_a_place_that_cannot_be_is_refused(hub, place):
    assert given(hub, "one", place=place).status_code == 422
    assert Places(hub.engine).counts() == {}


def test_a_bay_lowers_the_stamp_of_its_own_changes_alone(hub):
    """The lowest stamp of a change holds: who could give one to another's change would undo it."""
    mine, theirs = change(TWO, 9), change(ONE, 8)
    assert given(hub, "one", theirs, place=ONE).status_code == 200
    stamps = [[mine.change_id, 5], [theirs.change_id, 1], ["f" * 32, 1]]
    assert given(hub, "two", mine, place=TWO, restamps=stamps).status_code == 200
    assert ChangeLog(hub.engine).restamps() == [(mine.change_id, 5)]
    assert given(hub, "one", place=ONE, restamps=stamps).status_code == 200
    assert set(ChangeLog(hub.engine).restamps()) == {(mine.change_id, 5), (theirs.change_id, 1)}


@pytest.mark.parametrize("more", ["%00", "%ff", "%0a"])
def test_an_id_with_a_sign_that_no_text_can_have_is_no_session(hub, more):
    """A server takes no NUL: that is the bay's fault, and no reason to try again (503)."""
    client, url = hub.client(), f"/bay/v1/sessions/{ONE}{more}"
    piece = b"x"
    sent = {"content": piece, "headers": {"Piece-SHA256": hashlib.sha256(piece).hexdigest()}}
    answers = [
        client.get(url),
        client.put(f"{url}/pieces/0", **sent),
        client.post(f"{url}/pieces", content=together([Piece.of(0, piece)])),
        client.post(f"{url}/end", json={"pieces": 0, "sha256": "0" * 64, "player_id": None}),
    ]
    assert {answer.status_code for answer in answers} == {404}
    head = {"session_id": f"{ONE}\0", "player_id": None, "started_utc": "x", "utc_offset_min": 0}
    assert client.put(url, json={**head, "about": {}}).status_code == 422


def test_a_place_that_was_let_go_of_is_bound_anew(hub):
    given(hub, "one", place=ONE)
    assert refused(given(hub, "two", place=ONE))
    assert Places(hub.engine).release("one") == 1
    assert given(hub, "two", place=ONE).json()["places"] == [ONE]
    assert refused(given(hub, "one", place=ONE))


def test_the_list_of_bays_says_who_was_refused(hub):
    given(hub, "one", place=ONE)
    given(hub, "two", change(ONE, 2), place=TWO)
    listing = ["hub", "bay", "list", "--data", str(hub.data)]
    found = json.loads(CliRunner().invoke(main, [*listing, "--json"]).output)
    assert [(one["name"], one["places"]) for one in found] == [("one", 1), ("two", 0)]
    assert found[0]["refused"] is None and found[1]["refused"]["place"] == ONE
    lines = CliRunner().invoke(main, listing).output.splitlines()
    assert len(lines) == 3 and lines[2].startswith(
        f"  gave what was said at another's place ({ONE[:8]}) and was refused, last 2"
    )
    release = ["hub", "bay", "release", "one", "--data", str(hub.data)]
    assert CliRunner().invoke(main, release).output == "Places of bay one let go of: 1.\n"


def test_a_hub_of_before_binds_the_places_of_its_bays(hub):
    token = hub.token("one")
    log = ChangeLog(hub.engine)
    log.merge([change(ONE, 1)])
    with tables.writing(hub.engine).begin() as db:  # as the version before left it
        hubtables.PLACE.drop(db)
        db.execute(tables.VERSION.delete().where(tables.VERSION.c.version > 3))
    tables.migrate(hub.engine)
    assert sa.inspect(hub.engine).has_table("hub_place")
    assert Bays(hub.engine).of_credential(token) == "one"
    assert [c.seq for c in ChangeLog(hub.engine).changes()] == [1]
    assert given(hub, "one", place=ONE).json()["places"] == [ONE]
    assert refused(given(hub, "two", change(ONE, 2)))


def test_what_the_hub_said_comes_back_from_any_bay_for_as_long_as_it_is_asked(hub, monkeypatch):
    """The hub had said one thing when it was backed up; the bays have two more of that place."""
    with Register(hub.store) as desk:
        desk.add(name="Bea", handedness="right")
        former = desk.log.place()
        assert former is not None
        last = desk.log.seen()[former]
        given(hub, "one", place=ONE)
        with tables.writing(hub.engine).begin() as db:
            db.execute(tables.SITE.delete())  # as a restoring does
        back = [change(former, last + 1), change(former, last + 2, "Anna")]
        assert refused(given(hub, "one", *back, place=ONE))
        desk.add(name="Cyd", handedness="left")
        here = desk.log.place()
        assert Places(hub.engine).lend(now_ms() + 60_000) == 1
        assert given(hub, "two", place=TWO).json()["places"] == sorted([TWO, former])
        told = given(hub, "one", change(ONE, 1), back[0], place=ONE).json()
        assert told["has"][former] == last + 1 and told["places"] == sorted([ONE, former])
        assert given(hub, "two", *back, place=TWO).json()["has"][former] == last + 2
        assert refused(given(hub, "two", change(ONE, 2))), "nothing else of another's"
        assert refused(given(hub, "two", change(str(here), 99))), "nor of the hub's own of today"
        now = now_ms()
        monkeypatch.setattr(places, "now_ms", lambda: now + 61_000)
        assert refused(given(hub, "one", change(former, last + 3), place=ONE))
        assert given(hub, "one", place=ONE).json()["places"] == [ONE]
