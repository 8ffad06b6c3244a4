"""A session against what a database within the test has of it: each way in which it can differ.

Counts are worked by hand from `hardware_notes/tsdb_schema.md`: a point is a field with its tags and
its time.
"""

from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.fakedatabase import FakeDatabase, fake_database
from tests.support.records import packets, stand, step, swing

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.block import N_COLUMNS, Column, PairBlock
from plantigrade_gateway.analysis.eventrow import Measured, event_row
from plantigrade_gateway.config import Config, load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import verify as module
from plantigrade_gateway.forward.tsdb import lines, place_tags
from plantigrade_gateway.forward.verify import (
    KINDS,
    NO_COPY,
    Comparison,
    KindFound,
    event_items,
    loads,
    loads_lost,
    points_of,
    verify,
)
from plantigrade_gateway.sinks import LOADS, TSDB
from plantigrade_gateway.store.enqueue import Loads, Point, pack_loads, unpack_loads
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

PLACE = place_tags("north", "b1")
NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
NINE_MS = 1_772_442_000_000  # date -u -d 2026-03-02T09:00:00 +%s, and three zeros
LOADS_MATCH = "plantigrade_loads_.*"

# ---- points, compared ----


def test_what_is_missing_differs_or_is_unknown_is_counted_and_the_first_is_told():
    found = KindFound("step")
    want = {
        "a,foot=left": {10: 1.0, 20: 2.0, 30: 0.0},
        "b,foot=left": {10: 5.0},
        "a,foot=right": {10: 1.0},
    }
    there = {
        "a,foot=left": {10: 1.0, 20: 2.0000001, 30: 0.0, 40: 9.0},
        "b,foot=left": {10: 5.0},
        "c,foot=left": {10: 1.0},
    }
    found.add(want, there)
    # left at 10, 20, 30 and right at 10; left at 10, 20, 30 and 40
    assert (found.stored, found.there, found.expected) == (4, 4, 5)
    assert (found.missing, found.different, found.extra, found.doubled) == (1, 1, 2, 0)
    assert found.first == "a,foot=left at 20 is 2.0000001, stored 2.0"
    assert not found.is_whole
    found.add({"d": {1: 1.0}}, {"d": {1: 1.0}})  # another piece of it
    assert (found.stored, found.there, found.expected, found.missing) == (5, 5, 6, 1)


def test_twelve_digits_are_enough():
    """VictoriaMetrics keeps so many: one in the last of them is no difference."""
    for value in (123456.789012, -123456.789012):
        found = KindFound("step")
        found.add({"a": {1: value}}, {"a": {1: value + 1e-6}})
        assert found.is_whole
        found.add({"a": {1: value}}, {"a": {1: value + 2e-6}})
        assert found.different == 1


@pytest.mark.parametrize(
    ("want", "there", "first"),
    [
        ({"a": {1: 1.0}}, {}, "missing: a at 1"),
        ({}, {"a": {1: 1.0}}, "not in the store: a at 1"),
    ],
)
def test_the_first_that_is_not_as_it_should_be_is_told(want, there, first):
    found = KindFound("step")
    found.add(want, there)
    assert found.first == first and not found.is_whole


def series(revision: str, values: list[float], times: list[int]) -> Any:
    told = {"revision": revision} if revision else {}
    return {"__name__": "x", "session": "s", **told}, values, times


def test_points_of_earlier_revisions_no_longer_count_and_doubled_ones_are_counted():
    found = KindFound("step")
    told = [
        series("0", [1.0, 2.0], [10, 20]),
        series("1", [3.0, 4.0, 5.0], [10, 20, 10]),
        series("2", [6.0], [30]),
        series("", [7.0], [40]),
        series("new", [8.0], [50]),
    ]
    points = found.sort(told, 1)
    assert points == {
        "x,revision=1,session=s": {10: 3.0, 20: 4.0},
        "x,revision=2,session=s": {30: 6.0},
        "x,session=s": {40: 7.0},
        "x,revision=new,session=s": {50: 8.0},
    }
    assert (found.older, found.doubled) == (2, 1)
    assert found.first == "twice: x,revision=1,session=s at 10" and not found.is_whole
    every = KindFound("session")
    assert len(every.sort(told, None)) == 5 and every.older == 0


def test_the_whole_is_the_sum_of_its_kinds():
    one = KindFound("step", 2, 2, 10, 1, 2, 3, 4, 5, None, None)
    other = KindFound("stand", 1, 1, 20, 0, 0, 0, 0, 0, None, "twice: x")
    found = Comparison.of([one, other])
    assert (found.expected, found.missing, found.different) == (30, 1, 2)
    assert (found.doubled, found.extra, found.older) == (3, 4, 5)
    assert found.first == "twice: x" and found.kinds == (one, other)
    whole = Comparison.of([other])
    assert whole.is_whole and Comparison.of([]).is_whole
    for name in ("missing", "different", "doubled", "extra"):
        changed: dict[str, Any] = {name: 1}
        assert not replace(whole, **changed).is_whole
        assert not replace(other, **changed).is_whole
    assert replace(whole, older=1).is_whole and replace(other, older=1).is_whole


# ---- a session ----


def settled(url: str) -> Config:
    return load(
        None,
        {
            "PLANTIGRADE_TSDB_URL": url,
            "PLANTIGRADE_SITE": "north",
            "PLANTIGRADE_BAY": "b1",
        },
    )


def sends(store: Store) -> str:
    """Keep a session with something of each kind that is no regional load; return its id."""
    outbox = Outbox(store.database)
    outbox.configure([TSDB, LOADS])
    session = store.create_session("insoles", analysis_version=ANALYSIS_VERSION, started=NINE)
    store.append(session, packets(10))
    events: list[Measured] = [step(512), step(612), stand(900), swing(700)]
    cue = Point("cue", "early", 3.0, {"t_s": 3.0, "decided_s": 3.1, "delay_s": 0.1})
    of_set = Point("set", "1", 2.0, {"start_s": 2.0, "intent": "full"})
    store.write(session, [], [*(event_row(session, e, 10) for e in events), cue, of_set])
    for k in range(1, 4):
        feet = {"left": {"links": 1}} | ({"right": {"links": 2}} if k > 1 else {})
        outbox.put_links("north/b1", NINE_MS + k, feet)
    return session


def fill(server: FakeDatabase, store: Store) -> None:
    """Bring to the database what waits for it."""
    for item in Outbox(store.database).waiting(TSDB, 0, 1000):
        server.take("\n".join(lines(item, PLACE)))


@pytest.fixture
async def server() -> AsyncIterator[FakeDatabase]:
    async with fake_database() as made:
        yield made


async def compared(server: FakeDatabase, store: Store, session: str) -> dict[str, KindFound]:
    found = await verify(settled(server.url), store, session)
    assert [one.kind for one in found.kinds] == list(KINDS)
    return {one.kind: one for one in found.kinds}


THINGS = {"step": 2, "stand": 1, "swing": 1, "cue": 1, "set": 1, "session": 1, "link": 5}


async def test_a_session_that_is_there_is_whole(server, store):
    session = sends(store)
    fill(server, store)
    server.take(f"plantigrade_step,session={'0' * 32},revision=0 stance_s=1.0 5")  # of another
    server.take("plantigrade_link,bay=b2,site=north,foot=left links=1.0 5")
    server.take("plantigrade_link,bay=b1,site=south,foot=left links=1.0 5")
    found = await compared(server, store, session[:8])
    assert all(one.is_whole for one in found.values()), found
    told = {kind: (one.stored, one.there) for kind, one in found.items() if kind != "loads"}
    assert told == {kind: (many, many) for kind, many in THINGS.items()}
    assert (found["cue"].expected, found["set"].expected, found["link"].expected) == (3, 2, 5)
    assert found["session"].expected == 4  # state, analysis_version, entries, current_revision
    assert found["loads"].why_not == "not compared: none were sent"
    assert {found[kind].why_not for kind in THINGS} == {None}


async def test_what_a_database_lost_of_each_kind_is_missed_in_that_kind(server, store):
    session = sends(store)
    fill(server, store)
    whole = dict(server.series)
    for kind, many in THINGS.items():
        server.series = {
            key: points
            for key, points in whole.items()
            if not dict(key)["__name__"].startswith(f"plantigrade_{kind}_")
        }
        found = await compared(server, store, session)
        one = found.pop(kind)
        assert (one.stored, one.there) == (many, 0) and one.missing == one.expected > 0
        assert all(other.is_whole for other in found.values())


async def test_results_made_again_count_by_their_revision_and_states_of_all(server, store):
    session = sends(store)
    fill(server, store)
    changed = [event_row(session, e, 10) for e in (replace(step(512), stance_s=0.4), stand(900))]
    store.replace_events(session, changed, analysis_version=ANALYSIS_VERSION)
    first = await compared(server, store, session)
    assert first["step"].missing == first["step"].expected > 0  # none of this revision is there
    fill(server, store)
    found = await compared(server, store, session)
    # Copies of what was in the outbox first were brought twice: their state, the links.
    assert found["step"].is_whole and found["step"].there == 1
    assert found["step"].older > 0 and found["swing"].older > 0
    assert (found["session"].stored, found["session"].older) == (2, 0)
    assert found["session"].missing == 0


async def test_what_has_no_copy_is_not_compared(server, store):
    session = sends(store)
    with store.database.writing() as db:
        db.execute("DELETE FROM told WHERE session_no IS NULL")
    fill(server, store)
    found = await compared(server, store, session)
    assert found["link"].why_not == "not compared: no copy is kept (31 days), or none sent"
    assert found["link"].is_whole and found["cue"].why_not is None
    with store.database.writing() as db:
        db.execute("DELETE FROM told")
    found = await compared(server, store, session)
    told = {kind for kind, one in found.items() if one.why_not == NO_COPY}
    assert told == {"cue", "set", "session", "link", "loads"}
    assert found["step"].is_whole and found["step"].stored == 2


async def test_links_are_read_back_from_the_first_copy_on_to_the_session_s_end(server, store):
    """Points before the first copy that is kept, or after the end, are not the session's."""
    session = sends(store)
    fill(server, store)
    store.end_session(session, "stop")
    _, last_ms, items = Outbox(store.database).told_links(session)
    for at_ms in (items[0].time_ms - 1, last_ms + 1):
        server.take(f"plantigrade_link,{PLACE},foot=left links=9.0 {at_ms}")
    found = await compared(server, store, session)
    assert found["link"].is_whole and found["link"].there == 5
    server.take(f"plantigrade_link,{PLACE},foot=left links=9.0 {last_ms}")
    found = await compared(server, store, session)
    assert found["link"].extra == 1


async def test_only_a_database_that_can_be_read_back_is_compared_with(server, store):
    session = sends(store)
    server.instead["/metrics"] = 200, "", {}
    with pytest.raises(InputError, match="points are read back from VictoriaMetrics only"):
        await verify(settled(server.url), store, session)
    server.instead["/metrics"] = 200, "vm_app_version 1", {}
    server.instead["/api/v1/export"] = 500, "", {}
    with pytest.raises(InputError, match=r"time-series database .*: cannot be read \(500\)"):
        await verify(settled(server.url), store, session)
    with pytest.raises(InputError, match=r"tsdb\.url is not set: no time-series database is used"):
        await verify(load(None, {}), store, session)


def test_what_must_have_been_sent_is_of_the_session_s_time_and_revision(store):
    """Two steps of one foot in one millisecond are told apart by `twin`."""
    session = sends(store)
    again = replace(step(512), strike_s=5.1204, first_index=513)
    later = replace(step(512), strike_s=5.1210, first_index=514)
    store.write(session, [], [event_row(session, e, 10) for e in (again, later)])
    items = [item for item in event_items(store, session) if item.kind == "step"]
    told = [(item.time_ms - NINE_MS, item.twin) for item in items]
    assert sorted(told) == [(5120, 0), (5120, 1), (5121, 0), (6120, 0)]
    one = items[0]
    assert (one.revision, one.session, one.player, one.source) == (0, session, None, "insoles")
    kinds = {item.kind for item in event_items(store, session)}
    assert kinds == {"step", "stand", "swing"}


def test_points_are_named_by_measurement_field_and_tags(store):
    sends(store)
    (cue,) = [i for i in Outbox(store.database).waiting(TSDB, 0, 99) if i.kind == "cue"]
    tags = f"bay=b1,cue=early,revision=0,session={cue.session},site=north,source=insoles"
    assert points_of([cue], PLACE) == {
        f"plantigrade_cue_t_s,{tags}": {cue.time_ms: 3.0},
        f"plantigrade_cue_decided_s,{tags}": {cue.time_ms: 3.1},
        f"plantigrade_cue_delay_s,{tags}": {cue.time_ms: 0.1},
    }


# ---- regional loads ----


def second(first: int, heel_n: float, rows: int = 2) -> PairBlock:
    """Rows of 2 Hz in which each foot bears on its heel."""
    foot = np.zeros((rows, N_COLUMNS))
    foot[:, Column.HEEL] = heel_n
    return PairBlock(
        first, 0.5 * np.arange(first, first + rows, dtype=np.float64), foot, foot.copy()
    )


def packed(first: int, heel_n: float) -> Loads:
    block = second(first, heel_n)
    return Loads(first, float(block.t_s[0]), 0.5, 2, pack_loads(block))


def sends_loads(store: Store, seconds: list[Loads]) -> str:
    session = sends(store)
    store.write(session, [], seconds)
    return session


async def test_loads_are_compared_piece_by_piece_over_the_whole_time(server, store, monkeypatch):
    """Five seconds, two at once: three questions, from the first time there is to the last."""
    seconds = [packed(2 * k, 100.0 + k) for k in range(5)]
    session = sends_loads(store, seconds)
    for item in Outbox(store.database).waiting(LOADS, 0, 100):
        server.take("\n".join(lines(item, PLACE)))
    monkeypatch.setattr(module, "LOADS_AT_ONCE_S", 2)
    monkeypatch.setattr(module, "loads", lambda *_: iter(seconds))
    found = (await compared(server, store, session))["loads"]
    assert found.is_whole and found.why_not is None
    # ten rows of two feet, four regions each
    assert (found.stored, found.there, found.expected) == (20, 20, 80)
    asked = [dict(each.query) for each in server.requests if each.path == "/api/v1/export"]
    mine = [each for each in asked if LOADS_MATCH in each["match[]"]]
    at_ms = [0, NINE_MS + 2000, NINE_MS + 4000]
    assert [round(1e3 * float(each["start"])) for each in mine] == at_ms
    assert [round(1e3 * float(each["end"])) for each in mine[:2]] == [at - 1 for at in at_ms[1:]]
    server.take(f"plantigrade_loads,{PLACE},foot=left,session={session},source=insoles heel=1.0 1")
    assert (await compared(server, store, session))["loads"].extra == 1
    monkeypatch.setattr(module, "loads", lambda *_: iter(seconds[:4]))
    assert (await compared(server, store, session))["loads"].extra == 1 + 16
    monkeypatch.setattr(module, "loads", lambda *_: iter(()))
    assert (await compared(server, store, session))["loads"].stored == 0


async def test_loads_have_their_player_and_their_place_in_time(server, store, monkeypatch):
    seconds = [packed(7, 100.0)]  # 3.5 s after the start
    session = sends_loads(store, seconds)
    monkeypatch.setattr(module, "loads", lambda *_: iter(seconds))
    (item,) = Outbox(store.database).waiting(LOADS, 0, 100)
    about: list[Any] = [None, settled("http://x"), store, session]
    (made,) = module._Verification(*about)._load_items()
    assert (made.kind, made.name, made.time_ms) == ("loads", "both", NINE_MS + 3500)
    assert (made.session, made.player, made.source) == (session, None, "insoles")
    assert made.block is not None and made.block["time_us"] == 1000 * NINE_MS + 3_500_000
    assert (made.block["period_us"], made.block["rows"]) == (500_000, 2)
    assert lines(made, PLACE) == lines(item, PLACE)


@pytest.fixture
def analysed(monkeypatch) -> Iterator[list[PairBlock]]:
    """What the analysis finds of each batch, set by hand."""
    blocks: list[PairBlock] = []

    class Analysis:
        def __init__(self, source: str) -> None:
            assert source == "insoles"

        def push(self, batch: Any) -> Any:
            return SimpleNamespace(net=[blocks.pop(0)] if blocks else [])

    monkeypatch.setattr(module, "RecordAnalysis", Analysis)
    yield blocks


@pytest.mark.parametrize(
    ("reason", "found"), [("stop", [0, 2, 4]), ("restart", [0, 2]), (None, [0, 2])]
)
def test_loads_are_made_again_and_the_last_is_sent_where_a_session_was_ended(
    store, analysed, reason, found
):
    """What was begun of a second is sent at the end; one that was cut off had none."""
    session = store.create_session("insoles", analysis_version=1)
    store.append(session, packets(10))
    analysed.append(second(0, 1.0, 5))
    if reason is not None:
        store.end_session(session, reason)
    made = list(loads(store, session))
    assert [one.first_index for one in made] == found
    assert [unpack_loads(one.data, one.rows)[:, 0].tolist() for one in made] == [
        *([1.0, 1.0], [1.0, 1.0], [1.0])[: len(found)]
    ]


def test_why_loads_cannot_be_made_again(store):
    outbox = Outbox(store.database)
    old = store.create_session("insoles", analysis_version=1)
    assert loads_lost(store, old) == NO_COPY
    session = sends(store)
    assert loads_lost(store, session) == "not compared: none were sent"
    store.write(session, [], [packed(0, 1.0)])
    assert loads_lost(store, session) is None
    live = store.create_session("insoles", analysis_version=ANALYSIS_VERSION + 1)
    store.append(live, packets(10))
    store.write(live, [], [packed(0, 1.0)])
    assert loads_lost(store, live) == (
        f"not compared: computed live by analysis {ANALYSIS_VERSION + 1}, this version has another"
    )
    assert outbox.told(live)
