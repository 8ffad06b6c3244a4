"""Pieces that are kept beside a session; `test_cache.py` has those of a record."""

import json
from typing import Any

import pytest
from tests.support.handmade import Made

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.web.desk import cache


@pytest.fixture
def made(tmp_path):
    opened = Made(tmp_path / "store.sqlite3", 2)
    yield opened
    opened.close()


def test_a_piece_is_kept_by_session_name_and_number_and_replaced(made):
    one, other = made.visits
    for session, data in ((one, b"1"), (other, b"2"), (one, b"3")):
        cache.put(made.store, session, "x", 0, data)
    cache.put(made.store, one, "x", 2, b"4")
    cache.put(made.store, one, "y", 1, b"5")
    assert cache.get(made.store, one, "x", range(4)) == {0: b"3", 2: b"4"}
    assert cache.get(made.store, other, "x", [0]) == {0: b"2"}
    cache.clear(made.store, one)
    assert cache.get(made.store, one, "x", range(4)) == {}
    assert cache.get(made.store, other, "x", [0]) == {0: b"2"}
    with pytest.raises(StoreError, match=f"session {'0' * 32}: not in the store"):
        cache.put(made.store, "0" * 32, "x", 0, b"")


def test_what_was_prepared_of_other_results_is_none(made):
    one, other = (made.store.session(key) for key in made.visits)
    kept = cache.prepared(made.store, one)
    assert kept is not None and kept.span == (0.0, 90.0)
    assert (kept.lead, kept.body_weight_n, kept.body_weight_from) == ("left", 700.0, "recording")
    assert cache.prepared(made.store, other) is None
    assert cache.made_of(one) == [cache.FORMAT, one.analysis_version, one.entries] == [1, 1, 11]
    for k in range(3):
        made_of = cache.made_of(one)
        made_of[k] += 1
        head: dict[str, Any] = {"made_of": made_of, "spans": [], "lead": "left"}
        head |= {"body_weight_n": 1.0, "body_weight_from": "mass"}
        cache.put(made.store, one.session_id, cache.HEAD, 0, json.dumps(head).encode())
        assert cache.prepared(made.store, one) is None
    head["made_of"] = cache.made_of(one)
    cache.put(made.store, one.session_id, cache.HEAD, 0, json.dumps(head).encode())
    empty = cache.prepared(made.store, one)
    assert empty is not None and empty.span == (0.0, 0.0)


def test_a_time_line_that_has_gone_meanwhile_is_said(made):
    session = made.store.session(made.visits[0])
    kept = cache.prepared(made.store, session)
    assert kept is not None
    stretch = cache.read_stretch(made.store, session.session_id, kept, 10.0, 20.0)
    assert (stretch.t_s[0], stretch.t_s[-1], stretch.left_bw[0]) == (9.9, 20.1, 0.4)
    assert sorted(cache.read_swings(made.store, session.session_id, [0, 1, 5])) == [0, 1]
    cache.clear(made.store, session.session_id)
    with pytest.raises(StoreError, match="its time line was deleted just now"):
        cache.read_stretch(made.store, session.session_id, kept, 10.0, 20.0)
