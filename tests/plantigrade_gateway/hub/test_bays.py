"""A hub's bays and their credentials, on a clock that the test sets."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.hub import bays
from plantigrade_gateway.hub.bays import Bay, Bays, checked_name
from plantigrade_gateway.people.tables import engine_for, migrate
from plantigrade_gateway.store.store import Store

NINE_MS = 1_772_442_000_000  # date -u -d 2026-03-02T09:00:00 +%s, and three zeros


def at(seconds: float) -> datetime:
    return datetime.fromtimestamp(NINE_MS / 1000 + seconds, UTC)


class Clock:
    seconds = 0.0

    def __call__(self) -> int:
        return NINE_MS + round(1000 * self.seconds)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(bays, "now_ms", clock)
    return clock


@pytest.fixture
def of_hub(tmp_path: Path, clock: Clock) -> Iterator[Bays]:
    path = tmp_path / "hub.sqlite3"
    Store.open(path).close()
    engine = engine_for(path)
    migrate(engine)
    yield Bays(engine)
    engine.dispose()


def test_a_credential_names_its_bay_and_is_kept_as_a_hash_alone(of_hub):
    token = of_hub.add("b1")
    assert re.fullmatch(r"b1\.[\w-]{43}", token)  # 256 bits
    assert of_hub.of_credential(token) == "b1"
    with of_hub._engine.connect() as db:
        rows = str(db.execute(sa.text("SELECT * FROM hub_bay")).all())
    assert token.removeprefix("b1.") not in rows


def test_another_s_a_changed_and_a_withdrawn_credential_are_nobody_s(of_hub):
    one, two = of_hub.add("b1"), of_hub.add("b2")
    secret = two.partition(".")[2]
    for wrong in (f"b1.{secret}", one[:-1], f"{one}x", "b3.", secret, "", f"b1.{'x' * 300}"):
        assert of_hub.of_credential(wrong) is None, wrong
    of_hub.withdraw("b1")
    assert of_hub.of_credential(one) is None and of_hub.of_credential(two) == "b2"


def test_bays_are_listed_by_name_with_when_they_came_were_there_and_went(of_hub, clock):
    token = of_hub.add("b2")
    clock.seconds = 10.0
    of_hub.add("b1")
    clock.seconds = 20.0
    of_hub.of_credential(token)
    clock.seconds = 30.0
    of_hub.withdraw("b2")
    assert of_hub.all() == [Bay("b1", at(10), None, None), Bay("b2", at(0), at(30), at(20))]


def test_that_a_bay_was_there_is_noted_once_a_minute(of_hub, clock):
    token = of_hub.add("b1")
    for seconds, seen in ((1.0, 1.0), (60.9, 1.0), (61.0, 61.0), (50.0, 50.0)):
        clock.seconds = seconds  # the last: the clock was set back
        of_hub.of_credential(token)
        assert of_hub.all()[0].seen == at(seen)


def test_one_that_is_there_is_not_added_and_one_that_was_withdrawn_is(of_hub, clock):
    first = of_hub.add("b1")
    of_hub.add("b2")
    with pytest.raises(InputError, match="bay b1: is there already; withdraw it first"):
        of_hub.add("b1")
    of_hub.withdraw("b1")
    clock.seconds = 5.0
    second = of_hub.add("b1")
    assert of_hub.of_credential(first) is None and of_hub.of_credential(second) == "b1"
    assert of_hub.all()[0] == Bay("b1", at(5), None, at(5))
    assert of_hub.all()[1] == Bay("b2", at(0), None, None)


def test_only_what_is_there_is_withdrawn_and_only_what_was_withdrawn_forgotten(of_hub):
    of_hub.add("b1")
    of_hub.add("b2")
    with pytest.raises(InputError, match="bay b1: its credential is not withdrawn"):
        of_hub.forget("b1")
    of_hub.withdraw("b1")
    for name in ("b1", "b9"):
        with pytest.raises(InputError, match=f"bay '{name}': there is none that could be with"):
            of_hub.withdraw(name)
    of_hub.forget("b1")
    assert [bay.name for bay in of_hub.all()] == ["b2"]
    for name in ("b1", "b9"):
        with pytest.raises(InputError, match=f"bay '{name}': there is none that could be forg"):
            of_hub.forget(name)
    of_hub.add("b1")  # it comes again
    assert [bay.name for bay in of_hub.all()] == ["b1", "b2"]


def test_a_name_is_32_signs_that_a_topic_may_have():
    for name in ("a", "9", "b-1_x", "a" * 32):
        assert checked_name(name, "bay") == name
    for name in ("", "a" * 33, "-a", "_a", "A", "a b", "a/b", "ä"):
        with pytest.raises(InputError, match=r"^bay .*: expected up to 32 of a-z, 0-9, - and _"):
            checked_name(name, "bay")
