"""What leaves the bay is kept with what it comes from, in order, once, and within its room."""

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pytest
from tests.support.records import packets, stand, step, swing
from tests.support.sqlite import connected

from plantigrade.block import N_COLUMNS, PairBlock
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.forward.launch import Gather
from plantigrade_gateway.forward.tsdb import lines
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.sound.output import open_sound
from plantigrade_gateway.sources.recording import at_once
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.enqueue import Loads, Point, pack_loads, unpack_loads
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.store import Store


@pytest.fixture
def outbox(store: Store) -> Outbox:
    box = Outbox(store.database)
    box.configure([TSDB, MQTT])
    return box


@pytest.fixture
def session(store: Store, outbox: Outbox) -> str:
    began = datetime(2026, 3, 1, 9, 0, 0, 123456, UTC)
    session = store.create_session("insoles", analysis_version=1, started=began)
    store.append(session, packets(10))
    return session


def rows(outbox: Outbox, sink: str = TSDB, kinds: str = "step stand swing cue set"):
    return [i for i in outbox.waiting(sink, outbox.place(sink), 10_000) if i.kind in kinds.split()]


def put(store: Store, session: str, *events: object) -> None:
    store.write(session, [], [event_row(session, e, 10) for e in events])  # type: ignore[arg-type]


def test_without_a_sink_nothing_is_kept(store):
    box = Outbox(store.database)
    session = store.create_session("insoles", analysis_version=1)
    store.append(session, packets(10))
    put(store, session, step(5))
    store.write(session, [], [Point("cue", "early", 1.0, {})])
    store.end_session(session, "stop")
    assert box.waiting(TSDB, 0, 100) == [] and box.depths() == []


def test_an_event_comes_with_its_session_time_and_identity(store, outbox, session):
    put(store, session, step(512), swing(700))
    first, second = rows(outbox)
    assert (first.kind, first.name, first.session) == ("step", "left", session)
    assert first.point_id == event_row(session, step(512)).event_id
    assert first.time_ms == 1_772_355_600_123 + 5120
    assert (first.source, first.player, first.revision, first.twin) == ("insoles", None, 0, 0)
    assert second.body == event_row(session, swing(700)).body


def test_a_refused_transaction_leaves_neither_event_nor_row(store, outbox, session):
    late = event_row(session, step(9), upto_entry=11)
    with pytest.raises(StoreError, match="store those first"):
        store.write(session, [], [event_row(session, step(3), 10), late])
    assert rows(outbox) == [] and list(store.events(session)) == []


def test_two_events_of_one_millisecond_are_told_apart(store, outbox, session):
    one, other = step(512), dataclasses.replace(step(513), strike_s=5.1204)
    put(store, session, one)
    put(store, session, other, dataclasses.replace(step(514), strike_s=5.1209))
    assert [i.twin for i in rows(outbox)] == [0, 1, 2]
    assert len({(i.kind, i.name, i.time_ms, i.twin) for i in rows(outbox)}) == 3


def test_sessions_say_how_they_stand(store, outbox, session):
    store.end_session(session, "stop")
    store.end_session(session, "again")
    states = rows(outbox, kinds="session")
    assert [(s.name, s.body["state"]) for s in states] == [("open", "open"), ("ended", "ended")]
    assert len({s.point_id for s in states}) == 2


def test_each_sink_reads_in_order_and_what_all_have_is_deleted(store, outbox, session):
    put(store, session, *(step(100 * k) for k in range(1, 9)))
    every = outbox.waiting(TSDB, 0, 100)
    assert [i.seq for i in every] == sorted(i.seq for i in every)
    outbox.done(TSDB, every[-1].seq, len(every))
    assert not outbox.clear()
    assert len(outbox.waiting(MQTT, 0, 100)) == len(every)  # the other has nothing yet
    outbox.done(MQTT, every[2].seq, 3)
    outbox.clear()
    assert outbox.waiting(MQTT, 0, 100) == every[3:]
    outbox.done(MQTT, every[1].seq, 0)  # never backwards
    assert outbox.place(MQTT) == every[2].seq
    depth = {d.sink: d for d in outbox.depths()}
    assert (depth[TSDB].waiting, depth[TSDB].oldest_ms) == (0, None)
    assert (depth[MQTT].waiting, depth[MQTT].oldest_ms) == (len(every) - 3, every[3].time_ms)


def test_a_place_is_never_used_twice(store, outbox, session):
    put(store, session, step(100))
    last = outbox.waiting(TSDB, 0, 100)[-1].seq
    for sink in (TSDB, MQTT):
        outbox.done(sink, last, 1)
    outbox.clear()
    put(store, session, step(200))
    assert [i.seq for i in outbox.waiting(TSDB, 0, 100)] == [last + 1]


def test_a_sink_taken_out_keeps_what_waits_until_it_is_forgotten(store, outbox, session):
    put(store, session, step(100))
    outbox.configure([])
    put(store, session, step(200))  # nobody is to be sent this
    assert [i.body["first_index"] for i in rows(outbox)] == [100]
    assert not any(d.active for d in outbox.depths())
    outbox.configure([MQTT])
    put(store, session, step(300))
    assert [i.body["first_index"] for i in rows(outbox, MQTT)] == [100, 300]
    outbox.forget(MQTT)
    assert [i.body["first_index"] for i in rows(outbox)] == [100, 300]  # the other waits still
    outbox.forget(TSDB)
    assert outbox.waiting(TSDB, 0, 10) == []
    with pytest.raises(InputError, match="nothing waits for 'tsdb', expected tsdb, mqtt or loads"):
        outbox.forget(TSDB)


def test_a_new_sink_begins_with_what_comes_next(store):
    box = Outbox(store.database)
    box.configure([TSDB])
    session = store.create_session("insoles", analysis_version=1)
    store.append(session, packets(10))
    put(store, session, step(100))
    box.configure([TSDB, MQTT])
    put(store, session, step(200))
    assert [i.body["first_index"] for i in rows(box, MQTT)] == [200]


def test_a_session_completed_sends_only_what_is_new(store, outbox, session):
    """As after a power cut: what was given out is the same, so it is not given out again."""
    put(store, session, step(100), step(200))
    made = [event_row(session, e, 10) for e in (step(100), step(200), step(300))]
    store.replace_events(session, made, analysis_version=1)
    assert [(i.body["first_index"], i.revision) for i in rows(outbox)] == [
        (100, 0),
        (200, 0),
        (300, 0),
    ]


def test_results_made_again_replace_what_was_sent(store, outbox, session):
    put(store, session, step(100), step(200))
    last = outbox.waiting(TSDB, 0, 100)[-1].seq
    outbox.done(TSDB, last, 3)
    changed = dataclasses.replace(step(100), stance_s=0.5)
    made = [event_row(session, e, 10) for e in (changed, stand(900))]  # step 200 is gone
    store.replace_events(session, made, analysis_version=2)
    new = rows(outbox)
    assert [(i.kind, i.revision) for i in new] == [("step", 1), ("stand", 1)]
    assert rows(outbox, MQTT) == new  # what waited of the old results is not sent any more
    (state,) = [i for i in rows(outbox, kinds="session") if i.seq > last]
    assert state.revision == 1
    store.replace_events(session, made, analysis_version=2)
    assert rows(outbox) == new


def test_a_deleted_session_leaves_no_byte_in_the_outbox(store, outbox):
    session = store.create_session("insoles", analysis_version=1)
    store.append(session, packets(10))
    store.write(session, [], [Point("set", "1", 1.0, {"name": "word-that-goes"})])
    outbox.add_dead_letter(TSDB, outbox.waiting(TSDB, 0, 10)[-1], "refused")
    store.end_session(session, "stop")
    store.delete_session(session)
    assert outbox.waiting(TSDB, 0, 10) == [] and outbox.dead_letters() == []
    assert b"word-that-goes" not in store.path.read_bytes()


def test_what_is_set_aside_is_shown_and_tried_again(store, outbox, session):
    put(store, session, step(100), step(200))
    bad = rows(outbox)[0]
    outbox.add_dead_letter(TSDB, bad, "400: field type conflict")
    (aside,) = outbox.dead_letters()
    assert (aside.sink, aside.reason) == (TSDB, "400: field type conflict")
    assert aside.item.point_id == bad.point_id and aside.item.body == bad.body
    assert {d.sink: d.aside for d in outbox.depths()} == {TSDB: 1, MQTT: 0}
    assert outbox.retry_dead_letters() == 1
    assert outbox.dead_letters() == []
    assert rows(outbox)[-1].point_id == bad.point_id


def test_regional_loads_give_way_oldest_first_and_events_never(store, outbox, session):
    outbox.configure([TSDB, LOADS])
    data = bytes(1000)
    for k in range(50):
        block = Loads(100 * k, float(k), 0.01, 100, data)
        store.write(session, [], [block, event_row(session, step(100 * k), 10)])
    assert outbox.trim(50_000) == 0
    assert outbox.trim(20_000) == 30
    left = outbox.waiting(LOADS, 0, 100)
    assert [(i.block or {})["first_index"] for i in left] == [100 * k for k in range(30, 50)]
    assert len(rows(outbox)) == 50
    depth = {d.sink: d for d in outbox.depths()}
    assert (depth[LOADS].dropped, depth[LOADS].waiting, depth[TSDB].dropped) == (30, 20, 0)
    assert left[0].time_ms == 1_772_355_600_123 + 30_000


def test_rows_of_regional_loads_are_dated_by_their_spacing(store, outbox, session):
    """From the block's own time on, one row each 20 ms (50 Hz), to the millisecond."""
    outbox.configure([TSDB, LOADS])
    rows_50_hz = blocks(100, 50, 50.0)
    store.write(session, [], [Loads(100, 2.0, 1.0 / 50.0, 50, pack_loads(rows_50_hz))])
    (item,) = outbox.waiting(LOADS, 0, 10)
    told = [line for line in lines(item, "") if "foot=left" in line]
    start_ms = 1_772_355_600_123 + 2_000
    assert [int(line.rsplit(" ", 1)[1]) for line in told] == [start_ms + 20 * k for k in range(50)]


def test_packed_loads_come_back_to_a_tenth_of_a_newton():
    rng = np.random.default_rng(7)
    left, right = rng.uniform(-50.0, 2500.0, (2, 200, N_COLUMNS))
    left[20:40] = np.nan
    block = PairBlock(0, np.arange(200) / 200, left, right)
    found = unpack_loads(pack_loads(block), 200)
    truth = np.concatenate([left[:, :4], right[:, :4]], axis=1)
    assert np.array_equal(np.isnan(found), np.isnan(truth))
    assert np.nanmax(np.abs(found - truth)) <= 0.0501
    with pytest.raises(StoreError, match="damaged"):
        unpack_loads(b"no", 200)


def blocks(first: int, n: int, rate: float, t0: float = 0.0) -> PairBlock:
    values = np.full((n, N_COLUMNS), 100.0)
    return PairBlock(first, t0 + np.arange(first, first + n) / rate, values, values)


@pytest.mark.parametrize("piece", [1, 2, 7, 300, 1000])
def test_loads_are_cut_at_seconds_however_the_rows_come(piece):
    gather = Gather([TSDB, LOADS])
    found = []
    for first in range(130, 1000, piece):
        found += gather.push([], [blocks(first, min(piece, 1000 - first), 100.0)])
    found += gather._loads.end() if gather._loads else []
    shape = [(b.first_index, b.rows) for b in found if isinstance(b, Loads)]
    assert shape == [(130, 70), *((k, 100) for k in range(200, 1000, 100))]
    assert all(b.period_s == pytest.approx(0.01) for b in found if isinstance(b, Loads))


def test_loads_of_a_new_time_line_begin_a_block():
    gather = Gather([TSDB, LOADS])
    assert gather._loads is not None
    found = gather.push([], [blocks(0, 150, 100.0), blocks(150, 100, 200.0, t0=3.0)])
    found += gather._loads.end()
    assert [
        (b.first_index, b.rows, round(1 / b.period_s)) for b in found if isinstance(b, Loads)
    ] == [
        (0, 100, 100),
        (100, 50, 100),
        (150, 50, 200),
        (200, 50, 200),
    ]


@pytest.mark.dear
def test_a_live_session_sends_all_that_it_stores(store, outbox):
    """The practice session's beginning: each event once, its cues, its sets, its loads."""
    outbox.configure([TSDB, MQTT, LOADS])
    live = LiveSession(store, "insoles", open_sound("none").output, on_problem=lambda _: None)
    cues = 0
    for batch in at_once(read_replay(demo_file())):
        cues += len(live.push(batch).cues)
        if live.analysis.now_s > 202:  # the swing of 198.6 s is decided by then
            break
    live.close("stop")
    kinds = [i.kind for i in outbox.waiting(TSDB, 0, 100_000)]
    events = list(store.events(live.session_id))
    assert sum(k in ("step", "stand", "swing") for k in kinds) == len(events) > 40
    assert kinds.count("cue") == cues > 10
    assert kinds.count("set") == 1
    loads = outbox.waiting(LOADS, 0, 1000)
    assert sum((i.block or {})["rows"] for i in loads) == pytest.approx(20_000, rel=0.02)
    seen = {i.point_id for i in outbox.waiting(TSDB, 0, 100_000)}
    assert len(seen) == len(kinds)
    before = len(kinds)
    _, changed = results.reanalyse(store, live.session_id)
    assert changed == 0
    assert len(outbox.waiting(TSDB, 0, 100_000)) == before


def test_a_recorder_commits_points_with_their_entries(store, outbox):
    session = store.create_session("insoles", analysis_version=1)
    with Recorder(store, session) as recorder:
        upto = recorder.put(packets(5))
        recorder.put_points([Point("cue", "early", 0.04, {"t_s": 0.04})], upto)
        recorder.flush()
        assert [i.kind for i in rows(outbox)] == ["cue"]
    with connected(store.path) as db:
        (entries,) = db.execute("SELECT sum(entries) FROM chunks").fetchone()
    db.close()
    assert entries == 5
