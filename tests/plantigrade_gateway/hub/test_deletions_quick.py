"""Who is asked to delete a player and has not confirmed; `test_deletions.py` has the whole way."""

from datetime import UTC, datetime

import pytest

from plantigrade_gateway.hub import deletions as module
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.deletions import Confirmation, Deletions
from plantigrade_gateway.people.hubtables import ARCHIVE, DATABASE, bay_place, hub_place

ADA, BO = "a" * 32, "b" * 32
NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
TEN = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


@pytest.fixture
def deletions(engine, monkeypatch) -> Deletions:
    """Two bays, one hub, and a clock that goes on by an hour each time it is looked at."""
    for name in ("one", "two"):
        Bays(engine).add(name)
    made = Deletions(engine)
    made.note_hub("here")
    now = [int(NINE.timestamp() * 1e3)]

    def now_ms() -> int:
        now[0] += 3_600_000
        return now[0] - 3_600_000

    monkeypatch.setattr(module, "now_ms", now_ms)
    return made


def places(deletions: Deletions, player: str) -> set[str]:
    return {one.place for one in deletions.all() if one.player_id == player}


def test_every_place_is_asked_once(deletions):
    deletions.ask([ADA])
    deletions.ask([ADA])
    everywhere = {ARCHIVE, hub_place("here"), bay_place("one"), bay_place("two")}
    assert places(deletions, ADA) == everywhere
    deletions.note_database("here", True)
    deletions.ask([ADA, BO])
    assert places(deletions, ADA) == everywhere
    assert places(deletions, BO) == everywhere | {DATABASE}
    deletions.note_database("here", False)
    deletions.ask(["c" * 32])
    assert DATABASE not in places(deletions, "c" * 32)


def test_what_a_place_confirms_first_counts(deletions):
    deletions.ask([ADA, BO])
    assert deletions.waiting(ARCHIVE) == {ADA, BO}
    deletions.confirm(ADA, ARCHIVE, {"rows": 1})
    deletions.confirm(ADA, ARCHIVE, {"rows": 2})
    assert deletions.waiting(ARCHIVE) == {BO}
    (one,) = [o for o in deletions.all() if (o.player_id, o.place) == (ADA, ARCHIVE)]
    assert one.receipt == {"rows": 1} and one.confirmed is not None
    deletions.confirm(BO, ARCHIVE, None)
    (other,) = [o for o in deletions.all() if (o.player_id, o.place) == (BO, ARCHIVE)]
    assert other.receipt is None and other.confirmed is not None
    deletions.confirm("c" * 32, ARCHIVE, None)  # before anybody was asked
    assert places(deletions, "c" * 32) == {ARCHIVE} and deletions.waiting(ARCHIVE) == set()


def test_a_bay_owes_until_it_has_confirmed_or_is_withdrawn(deletions, engine):
    deletions.ask([ADA])
    deletions.confirm(ADA, ARCHIVE, None)
    deletions.confirm(ADA, hub_place("here"), None)
    assert deletions.owed_by_bays() == {ADA}
    deletions.confirm(ADA, bay_place("one"), None)
    assert deletions.owed_by_bays() == {ADA}
    Bays(engine).withdraw("two")
    assert deletions.owed_by_bays() == set()


def test_what_the_hub_and_the_archive_have_to_delete_no_bay_owes(deletions):
    deletions.ask([ADA])
    for name in ("one", "two"):
        deletions.confirm(ADA, bay_place(name), None)
    assert deletions.owed_by_bays() == set()


def test_places_are_told_by_when_they_were_asked(deletions):
    deletions.ask([BO])
    deletions.ask([ADA])
    found = list(deletions.all())
    assert [one.player_id for one in found] == [BO] * 4 + [ADA] * 4
    assert [one.asked for one in found] == sorted(one.asked for one in found)
    assert found[0].asked == NINE and found[1].asked == TEN


CONFIRMED = Confirmation(ADA, "bay one", NINE, TEN, None)
WAITS = Confirmation(ADA, bay_place("one"), NINE, None, None)
FORGOTTEN = Confirmation(ADA, "bay one", NINE, None, None, TEN)


@pytest.mark.parametrize(
    ("one", "withdrawn", "line"),
    [
        (CONFIRMED, ["one"], "bay one: deleted, 2026-03-02 10:00 UTC"),
        (WAITS, ["two"], f"{bay_place('one')}: waited for since 2026-03-02 09:00 UTC"),
        (
            WAITS,
            ["two", "one"],
            f"{bay_place('one')}: withdrawn before it confirmed; delete it there yourself",
        ),
        (
            FORGOTTEN,
            [],
            "bay one: forgotten, 2026-03-02 10:00 UTC, before it confirmed; delete it there "
            "yourself",
        ),
    ],
)
def test_a_confirmation_is_a_line(one, withdrawn, line):
    assert one.line(withdrawn) == line
