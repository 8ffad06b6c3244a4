"""What bays say of players reaches the hub and the other bays; what is no change is not taken."""

import json
from typing import Any

import pytest
from tests.support.hub import Site, site

from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.bodies import fitting
from plantigrade_gateway.sync.messages import Changes

pytestmark = pytest.mark.dear
CHANGE = Change("1" * 32, "player", "2" * 32, "name", "Ann", "coach", 10**12, 5 << 16, "3" * 32, 1)


@pytest.fixture
def hub(tmp_path):
    with site(tmp_path / "hub") as made_:
        yield made_


def exchanged(hub: Site, register: Register, bay: str) -> int:
    """Exchange until nothing comes, as a bay does; return how often."""
    has: dict[str, int] | None = None
    for count in range(1, 50):
        log = register.log
        given = [] if has is None else log.since(has, 500)
        body = Changes([plain(one) for one in given], log.restamps(), log.seen())
        answer = hub.client(bay).post("/bay/v1/changes", json=plain(body))
        assert answer.status_code == 200, answer.text
        got = made(Changes, answer.json())
        log.merge([made(Change, one) for one in got.changes], got.restamps, judges=False)
        has = got.has
        if not got.changes and not log.since(has, 1):
            return count
    raise AssertionError("it does not come to an end")


def state(register: Register) -> dict[str, dict[str, object]]:
    return {
        player: {"shown": register.log.shown("player", player)} for player in register.profiles()
    }


def test_two_bays_and_the_hub_come_to_one_state(hub, tmp_path):
    with (
        Store.open(tmp_path / "one.sqlite3") as one_store,
        Store.open(tmp_path / "two.sqlite3") as two_store,
        Register(one_store) as one,
        Register(two_store) as two,
        Register(hub.store) as desk,
    ):
        ann = one.add(name="Ann", handedness="left")
        bea = desk.add(name="Bea", handedness="right")
        for register, bay in ((one, "one"), (two, "two"), (one, "one")):
            exchanged(hub, register, bay)
        assert {r.name(ann) for r in (one, two, desk)} == {"Ann"}
        assert {r.name(bea) for r in (one, two, desk)} == {"Bea"}
        one.edit(ann, mass_kg=61.0)  # apart: both change the same
        two.edit(ann, mass_kg=62.0)
        for register, bay in ((one, "one"), (two, "two"), (one, "one")):
            exchanged(hub, register, bay)
        assert state(one) == state(two) == state(desk)
        said = [c.value for c in desk.changes(ann) if c.field == "mass_kg"]
        assert sorted(said) == [61.0, 62.0]  # both are kept
        last = max(
            (c for c in desk.changes(ann) if c.field == "mass_kg"),
            key=lambda c: (c.hlc, c.site, c.seq),
        )
        assert desk.profile(ann).mass_kg == last.value  # the rule that is written down


@pytest.mark.slow
def test_more_than_go_into_one_body_come_in_several(hub, tmp_path):
    with Store.open(tmp_path / "one.sqlite3") as store, Register(store) as one:
        for n in range(1201):
            one.log.say("session", "ab" * 16, {f"line {n}": n}, "coach")
        assert exchanged(hub, one, "one") == 4  # a question, 500, 500, 201
        with Register(hub.store) as desk:
            assert len(desk.log.shown("session", "ab" * 16)) == 1201


def test_large_changes_go_in_bodies_of_their_own():
    large = [Change(**{**plain(CHANGE), "seq": n, "value": "x" * 3_000_000}) for n in range(1, 4)]
    assert [one.seq for one in fitting(large)] == [1]
    assert fitting([]) == []


@pytest.mark.parametrize(
    "more",
    [
        {"change_id": "../../x"},
        {"change_id": "1" * 31},
        {"entity": ""},
        {"entity": "x" * 200},
        {"author": "a\nb"},
        {"site": ""},
        {"seq": 0},
        {"seq": 2**31},
        {"seq": 2**70},
        {"hlc": -1},
        {"hlc": 2**63},
        {"wall_utc_ms": 2**63},
        {"value": float("nan")},
        {"value": float("inf")},
        {"value": {"deep": [float("nan")]}},
    ],
)
def test_what_is_no_change_is_refused_and_nothing_of_its_body_kept(hub, more):
    fine = plain(CHANGE)
    body = {"changes": [fine, {**fine, "change_id": "4" * 32, **more}], "restamps": [], "has": {}}

    answer = hub.client().post("/bay/v1/changes", content=json.dumps(body))
    assert answer.status_code == 422 and list(answer.json()) == ["error"]
    with Register(hub.store) as desk:
        assert desk.log.changes() == []


def test_bodies_that_are_none_are_refused(hub):
    fine = plain(CHANGE)
    bodies: list[Any] = [
        {"changes": [fine] * 501, "restamps": [], "has": {}},
        {"changes": [], "restamps": [["x", 1]], "has": {}},
        {"changes": [], "restamps": [], "has": {"3" * 32: -1}},
        {"changes": [], "restamps": [], "has": {"3" * 32: 2**40}},
        {"changes": {}, "restamps": [], "has": {}},
        {"changes": [7], "restamps": [], "has": {}},
        {},
        [],
    ]
    for body in bodies:
        assert hub.client().post("/bay/v1/changes", json=body).status_code == 422, body
    huge = b'{"changes": [], "restamps": [], "has": {}, "x": "' + b"y" * (1 << 24) + b'"}'
    assert hub.client().post("/bay/v1/changes", content=huge).status_code == 413
