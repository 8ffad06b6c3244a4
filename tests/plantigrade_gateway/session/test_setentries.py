"""Sets in the record: begun and ended by entries, and in older records by marks."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import pytest

from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.result import Analysis, sets_of, swing_time
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.sets import Intent, SetStart
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results

pytestmark = pytest.mark.dear

FULL = SetStart("01" * 16, Intent.FULL, "7 iron").to_json()
FAST = SetStart("02" * 16, Intent.FAST).to_json()
UNTIL_S = 245.0


@pytest.fixture(scope="module")
def plain() -> list[Entry]:
    """Return the invented session's first minutes without its marks."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    end_ns = entries[0].arrival_ns + round(UNTIL_S * 1e9)
    return [e for e in entries if e.arrival_ns < end_ns and e.kind is not Kind.MARK]


def with_entries(plain: list[Entry], *more: tuple[float, Kind, bytes]) -> list[Entry]:
    """Return the record with session entries put in at times after its first entry, s."""
    zero_ns = plain[0].arrival_ns
    added = [Entry(zero_ns + round(t * 1e9), SESSION, kind, data) for t, kind, data in more]
    return sorted([*plain, *added], key=lambda entry: entry.arrival_ns)


def analysed(entries: list[Entry], cuts: Iterable[int] = ()) -> Analysis:
    analysis = RecordAnalysis("x")
    edges = sorted({0, len(entries), *cuts})
    for start, stop in pairwise(edges):
        analysis.push(Batch.of(entries[start:stop]))
    analysis.flush()
    return analysis.result()


def numbers(found: Analysis) -> list[tuple[str, list[int]]]:
    """Return each set's name, and the numbers of its swings in the session."""
    order = {id(swing): k for k, swing in enumerate(found.swings, 1)}
    sets = sets_of(found.swings, found.marks)
    return [(run.name, [order[id(swing)] for swing in run.swings]) for run in sets]


def test_a_set_holds_the_swings_from_its_entry_to_its_end(plain):
    bare = analysed(plain)
    times = [swing_time(swing) for swing in bare.swings]
    assert len(times) >= 8
    between = [(one + two) / 2 for one, two in pairwise(times)]
    entries = with_entries(
        plain,
        (between[0], Kind.SET, FULL),
        (between[2], Kind.SET_END, b""),
        (between[3], Kind.SET, FAST),
        (between[5], Kind.SET, FULL),  # begins without the other's end
    )
    found = analysed(entries)
    rest = list(range(7, len(times) + 1))
    assert numbers(found) == [("full, 7 iron", [2, 3]), ("fast", [5, 6]), ("full, 7 iron", rest)]
    assert found.swings == bare.swings  # what is measured does not depend on it
    cuts = [k + d for k, e in enumerate(entries) if e.kind >= Kind.SET for d in (0, 1)]
    assert analysed(entries, cuts) == found == analysed(entries, range(0, len(entries), 7))


def test_an_older_record_begins_its_sets_by_marks(plain):
    entries = [
        (60.0, Kind.SET, FULL),
        (150.0, Kind.SET_END, b""),
        (160.0, Kind.SET, FAST),
    ]
    marks = [
        (60.0, Kind.MARK, b"set: full, 7 iron"),
        (150.0, Kind.MARK, b"check: stand"),
        (160.0, Kind.MARK, b"Set: fast"),
    ]
    new, old = (analysed(with_entries(plain, *more)) for more in (entries, marks))
    assert numbers(new) == numbers(old) and numbers(new)[0][1]


def test_a_set_of_another_version_is_a_set_without_a_name(plain):
    assert numbers(analysed(with_entries(plain, (60.0, Kind.SET, b"?"))))[0][0] == "set"


def test_a_live_session_keeps_its_sets(store, plain):
    live = LiveSession(store, "test", Silence(), print)
    zero_ns = plain[0].arrival_ns
    cut = next(k for k, e in enumerate(plain) if e.arrival_ns > zero_ns + round(70e9))
    live.push(Batch.of(plain[:cut]))
    begun = live.begin_set(Intent.SMOOTH, "driver")
    assert [mark.text for mark in begun.marks] == ["set: smooth, driver"]
    live.push(Batch.of(plain[cut:]))
    assert [mark.text for mark in live.end_set().marks] == ["end of set"]
    live.begin_set(Intent.SMOOTH, "driver")
    found = live.close()
    kept = [e for batch in store.batches(live.session_id) for e in batch if e.kind is Kind.SET]
    one, two = (SetStart.from_json(entry.data) for entry in kept)
    assert replace(one, set_id="") == replace(two, set_id="")
    assert one.set_id != two.set_id and all(len(s.set_id) == 32 for s in (one, two))
    assert numbers(found)[0][0] == "smooth, driver" and len(numbers(found)[0][1]) >= 5
    stored = results.read(store, live.session_id)
    assert numbers(stored) == numbers(found)
