"""A stored session prepared to be looked at: what is kept is what the detectors had."""

import json

import numpy as np
import pytest
from tests.support.damage import everything
from tests.support.practice import practice_copy, store_practice
from tests.support.sqlite import connected

from plantigrade.block import Foot
from plantigrade.load import centre_of_pressure, total_load
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.frames import frame_rows
from plantigrade_gateway.report.swingframes import ABOUT_SHIFT_S, AFTER_S, BEFORE_S, window_s
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import cache
from plantigrade_gateway.web.desk.cache import prepared, read_stretch, read_swings
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear

MINUTES_NS = 130_000_000_000  # both checks' stands, a walk and the first swings


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    path = tmp_path_factory.mktemp("prepare") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store, MINUTES_NS)
    return path


@pytest.fixture
def practice(made, tmp_path):
    with Store.open(practice_copy(made, tmp_path)) as store:
        yield store


def of(store: Store) -> str:
    return store.sessions()[0].session_id


def rows_of(store: Store) -> int:
    """Return how many rows of the kept time line are not missing."""
    session_id = of(store)
    prepare(store, session_id)
    kept = prepared(store, store.session(session_id))
    assert kept is not None
    stretch = read_stretch(store, session_id, kept, *kept.span)
    return int(np.isfinite(stretch.left_bw + stretch.right_bw).sum())


def test_rows_are_by_the_limits_that_the_results_were_made_by(practice):
    """Nothing is interpolated any more: what a lost packet held is missing then."""
    session_id = of(practice)
    at_first = rows_of(practice)
    results.reanalyse(practice, session_id, limits={"bridge_s": 0.0})
    assert prepared(practice, practice.session(session_id)) is None
    assert results.other_limits(practice, session_id) == {"bridge_s": 0.0}
    assert rows_of(practice) < at_first
    results.reanalyse(practice, session_id)
    assert results.other_limits(practice, session_id) == {}
    assert rows_of(practice) == at_first


def test_the_time_line_is_the_rows_the_detectors_had(practice):
    session_id = of(practice)
    assert prepared(practice, practice.session(session_id)) is None
    told: list[float] = []
    prepare(practice, session_id, told.append)
    assert told == sorted(told) and told[-1] == pytest.approx(1.0, abs=0.01)
    kept = prepared(practice, practice.session(session_id))
    assert kept is not None and kept.lead == "left" and kept.body_weight_from == "mass"

    pipeline = Pipeline()
    net = [b for batch in practice.batches(session_id) for b in pipeline.push(batch).net]
    net += pipeline.flush().net
    t_s = np.concatenate([block.t_s for block in net])
    stretch = read_stretch(practice, session_id, kept, *kept.span)
    assert kept.span == pytest.approx((t_s[0], t_s[-1]))
    np.testing.assert_allclose(stretch.t_s, t_s, rtol=0, atol=1e-9)
    for mine, foot in ((stretch.left_bw, Foot.LEFT), (stretch.right_bw, Foot.RIGHT)):
        load_n = np.concatenate([total_load(block.foot(foot)) for block in net])
        np.testing.assert_allclose(mine * kept.body_weight_n, load_n, rtol=1e-6, atol=1e-4)
        assert np.isnan(mine).any()  # the gaps are in it

    middle = float(t_s[len(t_s) // 2])
    part = read_stretch(practice, session_id, kept, middle, middle + 1.0)
    inside = (t_s >= part.t_s[0] - 1e-9) & (t_s <= part.t_s[-1] + 1e-9)
    assert 100 <= len(part.t_s) <= 103
    np.testing.assert_array_equal(part.left_bw, stretch.left_bw[inside])


def test_a_swings_rows_are_its_loads_and_its_zones(practice):
    session_id = of(practice)
    prepare(practice, session_id)
    found = results.read(practice, session_id)
    swings = read_swings(practice, session_id, list(range(len(found.swings) + 3)))
    assert len(found.swings) >= 2 and list(swings) == list(range(len(found.swings)))

    pipeline = Pipeline()
    net = [b for batch in practice.batches(session_id) for b in pipeline.push(batch).net]
    net += pipeline.flush().net
    t_s = np.concatenate([b.t_s for b in net])
    left = np.concatenate([b.left for b in net])
    zones = [rows for _, rows in frame_rows(practice.batches(session_id))]
    right_zones = np.concatenate([rows.right for rows in zones])
    np.testing.assert_array_equal(np.concatenate([rows.t_s for rows in zones]), t_s)

    for k, frames in swings.items():
        swing = found.swings[k]
        start, end = window_s(swing)
        assert swing.start_s is not None and swing.finish_s is not None
        assert swing.lead_peak_s is not None
        assert swing.shift_s is not None
        before, after = ABOUT_SHIFT_S
        assert start <= swing.start_s - BEFORE_S and end >= swing.finish_s + AFTER_S
        assert start < swing.shift_s - before and end > swing.shift_s + after
        inside = (t_s >= start) & (t_s < end)
        np.testing.assert_array_equal(frames.t_s, t_s[inside])
        np.testing.assert_allclose(frames.left, left[inside], rtol=0, atol=1 / 128)
        np.testing.assert_allclose(frames.right_zones, right_zones[inside], rtol=0, atol=1 / 128)
        bw_n = frames.settings.body_weight_n
        assert bw_n == pytest.approx(725.69, abs=0.01) and frames.layout.n_zones == 18
        np.testing.assert_allclose(
            frames.regions_bw(Foot.LEFT).sum(axis=1), frames.load_bw(Foot.LEFT), atol=1e-12
        )
        cop = centre_of_pressure(left[inside], 0.05 * bw_n)
        np.testing.assert_allclose(frames.cop(Foot.LEFT), cop, atol=2e-3)
        peak = int(np.argmin(np.abs(frames.t_s - swing.lead_peak_s)))
        assert frames.load_bw(Foot.LEFT)[peak] == pytest.approx(swing.lead_peak_bw, rel=0.05)
        assert frames.lead_share[peak] > 0.6


def test_what_is_kept_does_not_depend_on_the_cutting(practice, monkeypatch):
    session_id = of(practice)
    prepare(practice, session_id)
    contents = "SELECT name, part, data FROM derived ORDER BY name, part"
    before = practice.database.read(contents)
    monkeypatch.setattr("plantigrade_gateway.store.pieces.PIECES_PER_READ", 3)
    prepare(practice, session_id)
    assert practice.database.read(contents) == before


def test_new_results_new_bytes_and_a_new_format_are_prepared_again(practice, monkeypatch):
    session_id = of(practice)
    prepare(practice, session_id)
    assert prepared(practice, practice.session(session_id)) is not None
    with monkeypatch.context() as patch:
        patch.setattr("plantigrade_gateway.web.desk.cache.FORMAT", 99)
        assert prepared(practice, practice.session(session_id)) is None
    results.reanalyse(practice, session_id)
    assert practice.database.read("SELECT count(*) FROM derived") == [(0,)]
    prepare(practice, session_id)
    with connected(practice.path) as db:
        db.execute("UPDATE sessions SET analysis_version = 0")
    db.close()
    assert prepared(practice, practice.session(session_id)) is None
    with pytest.raises(StoreError, match="of another version; run plantigrade reanalyse"):
        prepare(practice, session_id)


def test_results_that_are_made_again_meanwhile_are_those_that_are_kept(practice):
    """The first swing goes while the record is read: the second one's rows are the first."""
    session_id = of(practice)
    first, second = list(practice.events(session_id, "swing"))[:2]

    def other_results(share: float) -> None:
        if share > 0.9:
            practice.database.read("DELETE FROM events WHERE first_index = ?", (first.first_index,))

    prepare(practice, session_id, other_results)
    rows = read_swings(practice, session_id, [0])[0]
    start_s, shift_s = second.body["start_s"], second.body["shift_s"]
    assert first.body["shift_s"] < rows.t_s[0] <= start_s < shift_s < rows.t_s[-1]


def test_half_prepared_is_not_prepared(practice, monkeypatch):
    session_id = of(practice)

    class Cut(Exception):
        pass

    def cut(store, session, name, part, data):
        if name == "swing":
            raise Cut
        derived_put(store, session, name, part, data)

    derived_put = cache.put
    with monkeypatch.context() as patch:
        patch.setattr("plantigrade_gateway.web.desk.cache.put", cut)
        with pytest.raises(Cut):
            prepare(practice, session_id)
    assert prepared(practice, practice.session(session_id)) is None
    prepare(practice, session_id)
    assert prepared(practice, practice.session(session_id)) is not None


def test_a_deleted_session_takes_it_along_and_leaves_no_byte(practice):
    session_id = of(practice)
    prepare(practice, session_id)
    ((data,),) = practice.database.read(
        "SELECT data FROM derived WHERE name = 'swing' AND part = 0"
    )
    trace = data[200:260]
    assert trace in everything(practice.path)
    practice.delete_session(session_id)
    assert trace not in everything(practice.path)
    assert practice.database.read("SELECT count(*) FROM derived") == [(0,)]
    with pytest.raises(StoreError, match="not in the store"):
        cache.put(practice, session_id, "piece", 0, b"late")
    assert practice.integrity() == []


def test_what_is_being_recorded_is_not_prepared(store, session):
    with pytest.raises(StoreError, match="still being recorded"):
        prepare(store, session)


def test_a_session_without_rows_is_prepared(store, session):
    store.append(session, Batch.of([Entry(5, SESSION, Kind.MARK, b"set: none")]))
    store.end_session(session, "stop")
    results.reanalyse(store, session)
    prepare(store, session)
    kept = prepared(store, store.session(session))
    assert kept is not None and kept.span == (0.0, 0.0)
    assert len(read_stretch(store, session, kept, 0.0, 10.0).t_s) == 0


def test_settings_that_change_hold_from_where_they_stand(practice):
    session_id = of(practice)
    whole = next(iter(practice.batches(session_id)))
    middle = len(whole) // 2
    at = int(whole.arrival_ns[middle])
    new = Entry(at, SESSION, Kind.SETTINGS, SessionSettings(80.0, "left").to_json())
    changed = [whole.slice(0, middle), Batch.of([new]), whole.slice(middle, len(whole))]
    other = practice.create_session("changed", analysis_version=1)
    practice.append(other, Batch.of([entry for batch in changed for entry in batch]))
    practice.end_session(other, "stop")
    results.reanalyse(practice, other)
    prepare(practice, other)
    head = json.loads(cache.get(practice, other, "head", [0])[0])
    assert head["lead"] == "right" and len(head["spans"]) >= 2
    at_s = (at - int(whole.arrival_ns[0])) / 1e9
    # the rows before the change are all of the old settings
    assert head["spans"][1][0] == pytest.approx(at_s, abs=0.1)


def test_damage_is_said(practice):
    session_id = of(practice)
    prepare(practice, session_id)
    kept = prepared(practice, practice.session(session_id))
    assert kept is not None
    cache.put(practice, session_id, "piece", 0, b"broken")
    with pytest.raises(StoreError, match="damaged"):
        read_stretch(practice, session_id, kept, 0.0, 10.0)
    cache.clear(practice, session_id)
    with pytest.raises(StoreError, match="deleted just now"):
        read_stretch(practice, session_id, kept, 0.0, 10.0)
