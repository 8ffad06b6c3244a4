"""A session whose gateway failed while it caught up: it says what is missing, and is made whole.

Expected counts of samples are what the insoles made (`tests/support/loglink.py`).
"""

from datetime import timedelta

import numpy as np
import pytest
from tests.support.loglink import Insole, record

from plantigrade.block import Foot
from plantigrade_gateway.converter import plain
from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Kind
from plantigrade_gateway.report.reader import StoredSession
from plantigrade_gateway.session import owed
from plantigrade_gateway.session.owed import OwedPages, add_late, owed_by
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.player import LENGTH_MM, SERIALS, invented_steps, usual_pair
from plantigrade_gateway.web.desk.cache import read_swings
from plantigrade_gateway.web.desk.worker import prepare
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.log import LogRequest

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
PAIR = [KnownInsole(k.serial, k.foot, "invented", k.address, LENGTH_MM) for k in usual_pair()]


@pytest.fixture(scope="module")
def failed() -> tuple[Insole, Batch]:
    """A minute of the invented player; the right link was lost from 20 to 40 s, and nothing read.

    The record breaks off, as a killed gateway leaves it.
    """
    steps = invented_steps()
    left = Insole(LEFT, lambda t_s: steps.at(LEFT, t_s))
    right = Insole(RIGHT, lambda t_s: steps.at(RIGHT, t_s), 2**32 - 30_000_000, serves=False)
    left.run(60.0, up=True)
    right.run(20.0, up=True)
    right.run(40.0, up=False)
    right.run(60.0, up=True)
    whole = record(left, right)
    return right, Batch.of([entry for entry in whole if entry.kind is not Kind.END])


@pytest.fixture
def kept(tmp_path, failed):
    """The store after the next start, and the session's id."""
    path = tmp_path / "store.db"
    with Store.open(path) as store:
        session_id = store.create_session("insoles", analysis_version=3)
        store.append(session_id, failed[1])
    with Store.open(path) as store:
        assert any("was cut off" in text for text in results.recover(store))
        yield store, session_id


def pages_for(insole: Insole, lacking) -> list[bytes]:
    request = LogRequest(0, lacking.boot, lacking.from_us, lacking.to_us)
    return [data for data in insole.log.pages(request) if data is not None]


@pytest.mark.slow
def test_a_session_that_broke_off_says_what_is_missing_and_whom_it_asks(kept):
    store, session_id = kept
    quality = results.read(store, session_id).quality
    assert quality is not None
    assert quality.right.missing_samples == pytest.approx(2000, abs=4)
    assert any("20.0 s of the right foot are missing" in n and "next" in n for n in quality.notes)
    (lacking,) = results.owed(store, session_id)
    assert (lacking.insole, lacking.serial) == (INSOLE_OF[RIGHT], f"{SERIALS[RIGHT]:08X}")
    assert lacking.to_us - lacking.from_us == pytest.approx(20e6, abs=40_000)
    holes = owed_by(store, PAIR)
    assert holes[LEFT] == []
    assert [(h.owner, h.boot) for h in holes[RIGHT]] == [(session_id, 1)]


@pytest.mark.dear
def test_it_is_made_whole_at_the_next_connection_by_a_new_revision(kept, failed):
    store, session_id = kept
    before, revision = results.read(store, session_id), store.revision(session_id)
    (lacking,) = results.owed(store, session_id)
    add_late(store.path, session_id, lacking.insole, pages_for(failed[0], lacking), is_last=True)
    after = results.read(store, session_id)
    assert after.quality is not None
    assert after.quality.right.missing_samples == 0
    assert after.quality.right.late_samples == pytest.approx(2000, abs=4)
    assert not any("missing" in note for note in after.quality.notes)
    assert any("came late" in note for note in after.quality.notes)
    assert len(after.steps) + len(after.swings) > len(before.steps) + len(before.swings)
    assert results.owed(store, session_id) == ()
    assert owed_by(store, PAIR)[RIGHT] == []
    assert store.revision(session_id) >= revision


@pytest.mark.dear
def test_pages_that_came_twice_and_in_parts_count_once(kept, failed):
    store, session_id = kept
    (lacking,) = results.owed(store, session_id)
    pages = pages_for(failed[0], lacking)
    add_late(store.path, session_id, lacking.insole, pages[:100], is_last=False)
    assert results.owed(store, session_id) == (lacking,)  # not read to its end yet
    add_late(store.path, session_id, lacking.insole, pages[50:], is_last=True)
    quality = results.read(store, session_id).quality
    assert quality is not None
    assert quality.right.missing_samples == 0
    assert quality.right.late_samples == pytest.approx(2000, abs=4)


def test_what_the_log_did_not_have_is_said_and_not_asked_for_again(kept):
    store, session_id = kept
    (lacking,) = results.owed(store, session_id)
    add_late(store.path, session_id, lacking.insole, [], is_last=True)
    quality = results.read(store, session_id).quality
    assert quality is not None
    assert any("were not in its insole's log" in note for note in quality.notes)
    assert owed_by(store, PAIR)[RIGHT] == []


def test_an_open_session_and_one_of_yesterday_are_not_asked_for(kept, failed, monkeypatch):
    store, session_id = kept
    still = store.create_session("insoles", analysis_version=3)
    store.append(still, failed[1])
    store.put_quality(still, {"owed": plain(results.owed(store, session_id))})
    assert {hole.owner for hole in owed_by(store, PAIR)[RIGHT]} == {session_id}
    monkeypatch.setattr(owed, "KEPT", timedelta(0))
    assert owed_by(store, PAIR) == {LEFT: [], RIGHT: []}


@pytest.mark.dear
async def test_what_comes_for_ended_sessions_is_stored_one_after_the_other_and_said(kept, failed):
    store, session_id = kept
    (lacking,) = results.owed(store, session_id)
    pages = pages_for(failed[0], lacking)
    said: list[str] = []
    late = OwedPages(store.path, said.append)
    for at in range(0, len(pages), 40):
        late.take(session_id, lacking.insole, pages[at : at + 40], at + 40 >= len(pages))
    late.take("nobody's", lacking.insole, pages, False)
    await late.close()
    assert said[0] == f"Session {session_id[:8]} was made whole with what came late."
    assert [text.partition(" is not stored: ")[0] for text in said[1:]] == [
        "what came late for session nobody's"
    ]
    quality = results.read(store, session_id).quality
    assert quality is not None
    assert quality.right.missing_samples == 0


@pytest.mark.dear
async def test_results_are_made_again_of_pages_that_came_while_it_was_recorded(kept, failed):
    store, session_id = kept
    (lacking,) = results.owed(store, session_id)
    pages = pages_for(failed[0], lacking)
    add_late(store.path, session_id, lacking.insole, pages, is_last=False)
    said: list[str] = []
    late = OwedPages(store.path, said.append)
    late.remake(session_id, False)
    await late.close()
    quality = results.read(store, session_id).quality
    assert quality is not None
    assert quality.right.missing_samples == 0
    assert said == []
    late.remake(session_id, True)
    await late.close()
    assert said == [f"Session {session_id[:8]} was made whole with what came late."]


@pytest.mark.dear
def test_late_swings_have_their_curves_and_frames_as_the_page_shows_them(kept, failed):
    """What is shown of a session is cut from the whole record, as its results are."""
    store, session_id = kept
    (lacking,) = results.owed(store, session_id)
    add_late(store.path, session_id, lacking.insole, pages_for(failed[0], lacking), is_last=True)
    prepare(store, session_id)
    swings = results.read(store, session_id).swings
    late = [k for k, swing in enumerate(swings) if 20.0 < (swing.start_s or 0.0) < 38.0]
    assert late
    assert set(late) <= set(read_swings(store, session_id, late))
    frames = StoredSession(store, store.session(session_id)).frames()
    there = ~np.isnan(frames.right[:, 0])
    inside = (frames.t_s > 21.0) & (frames.t_s < 39.0)
    assert inside.sum() > 1700
    assert there[inside].all()
