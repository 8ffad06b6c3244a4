"""What of a store the hub lacks, and what it has confirmed."""

from datetime import UTC, datetime, timedelta

import pytest
from tests.support.records import packets

from plantigrade_gateway.store.hubledger import Ended, KeptReceipt, Ledger
from plantigrade_gateway.store.store import Store

BEGAN = datetime(2026, 3, 2, 9, tzinfo=UTC)
SUM = "0f" * 32


@pytest.fixture
def ledger(store: Store) -> Ledger:
    return Ledger(store.database)


def session(store: Store, pieces: int, *, day: int = 0, player: str | None = None) -> str:
    made = store.create_session(
        "insoles", analysis_version=4, player_id=player, started=BEGAN + timedelta(days=day)
    )
    for k in range(pieces):
        store.append(made, packets(10, first=10 * k))
    return made


def test_what_is_under_way_comes_first_and_then_the_oldest(store, ledger):
    old, next_, now = (session(store, 1, day=day) for day in range(3))
    store.end_session(old, "stop")
    store.end_session(next_, "no load")
    due = ledger.due()
    assert [one.session_id for one in due] == [now, old, next_]
    assert [one.is_ended for one in due] == [False, True, True]
    assert (due[2].started_utc, due[2].utc_offset_min) == ("2026-03-03T09:00:00.000000+00:00", 0)
    assert due[2].about["source"] == "insoles" and due[2].about["analysis_version"] == 4
    assert (due[2].about["end_reason"], due[0].about["end_reason"]) == ("no load", None)
    assert due[2].confirmed is None and due[2].player_id is None


def test_what_was_confirmed_is_due_no_more_until_it_is_another(store, ledger):
    player = store.players.create("Ida Invented", "left", 64)
    one = session(store, 2)
    store.end_session(one, "stop")
    assert ledger.pieces(one) == 2 and ledger.pieces("none") == 0
    ledger.confirm(one, Ended(2, SUM, None))
    assert ledger.due() == []
    store.append(one, packets(10, first=20))  # a piece more
    (due,) = ledger.due()
    assert due.confirmed == Ended(2, SUM, None) and ledger.pieces(one) == 3
    ledger.confirm(one, Ended(3, SUM, player))  # the hub has it as another's
    (due,) = ledger.due()
    assert (due.player_id, due.confirmed) == (None, Ended(3, SUM, player))
    ledger.confirm(one, Ended(3, SUM, None))
    assert ledger.due() == []
    ledger.doubt(one)
    (due,) = ledger.due()
    assert due.confirmed is None
    ledger.confirm("5e" * 16, Ended(1, SUM, None))  # one that is gone meanwhile
    assert [found.session_id for found in ledger.due()] == [one]


def test_whose_a_session_is_belongs_to_what_is_confirmed(store, ledger):
    player = store.players.create("Ida Invented", "left", 64)
    one = session(store, 1, player=player)
    ledger.confirm(one, Ended(1, SUM, player))
    assert ledger.due() == []
    ledger.confirm(one, Ended(1, SUM, None))
    assert [due.player_id for due in ledger.due()] == [player]


def test_confirmed_ones_are_listed_by_time_and_by_number(store, ledger):
    made = [session(store, k, day=k) for k in (1, 2, 3)]
    before = datetime.now(UTC) - timedelta(seconds=1)
    for k, one in enumerate(made, 1):
        ledger.confirm(one, Ended(k, SUM, None))
    found = ledger.confirmed_since(before)
    assert sorted((one, pieces) for _, one, pieces in found) == sorted(
        zip(made, (1, 2, 3), strict=True)
    )
    assert ledger.confirmed_since(datetime.now(UTC) + timedelta(seconds=1)) == []
    numbers = sorted(number for number, _, _ in found)
    assert [ledger.confirmed_after(0)[0][1], ledger.confirmed_after(numbers[0])[0][1]] == made[:2]
    assert len(ledger.confirmed_after(0)) == 1
    assert ledger.confirmed_after(numbers[2]) == []


def test_a_receipt_is_replaced_and_confirmed(ledger):
    player, other = "a1" * 16, "b2" * 16
    assert ledger.receipt(player) is None and ledger.confirmed_receipts() == set()
    ledger.keep_receipt(player, "{}", is_done=False)
    assert ledger.receipt(player) == KeptReceipt(player, "{}", False)
    ledger.keep_receipt(player, '{"sessions": 1}', is_done=True)
    ledger.keep_receipt(other, "{}", is_done=True)
    assert ledger.receipt(player) == KeptReceipt(player, '{"sessions": 1}', True)
    ledger.confirm_receipt(player)
    assert ledger.confirmed_receipts() == {player}
    ledger.keep_receipt(player, "{}", is_done=True)  # another is to be confirmed anew
    assert ledger.confirmed_receipts() == set()
