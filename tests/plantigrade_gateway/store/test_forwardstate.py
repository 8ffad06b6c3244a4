"""The state of forwarding: fresh or not, and what people read of it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward.roster import status
from plantigrade_gateway.store.forwardstate import (
    ForwardState,
    SinkState,
    duration,
    latest,
    lines,
    path_for,
    read,
    sink_line,
    write,
)

SINK = SinkState(
    sink="tsdb",
    active=True,
    problem=None,
    waiting=12_345,
    held=345,
    oldest_s=None,
    sent=1_000,
    aside=0,
    dropped=0,
    resent=0,
    per_s=3.5,
)


def test_what_was_deleted_while_it_was_held_makes_nothing_less_than_none_wait():
    """A player is deleted whose results were acknowledged a moment ago: the hub takes 0 or more."""
    deleted = replace(SINK, waiting=2, held=5)
    assert deleted.unsent == 0 and sink_line(deleted).startswith("time-series database: 0 waiting,")
    (unsent,) = status([], ForwardState(datetime.now(UTC), (deleted,))).unsent
    assert unsent.waiting == 0


def test_a_sink_in_words():
    """What is held was acknowledged: it counts as sent and waits no more."""
    assert sink_line(SINK) == "time-series database: 12 000 waiting, 1 345 sent"
    troubled = replace(
        SINK, sink="mqtt", oldest_s=90.0, resent=4, aside=1, dropped=2, problem="refuses the token"
    )
    assert sink_line(troubled) == (
        "message broker: 12 000 waiting, the oldest for 90 s, 1 345 sent, 4 sent again, "
        "1 row set aside (plantigrade outbox), 2 seconds dropped for room, refuses the token"
    )
    gone = replace(troubled, sink="loads", active=False, resent=0, aside=0, dropped=0)
    assert sink_line(gone) == (
        "regional loads: 12 000 waiting, the oldest for 90 s, 1 345 sent, no longer configured"
    )


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.4, "0 s"),
        (119.4, "119 s"),
        (120.0, "2 min"),
        (7199.0, "120 min"),
        (7200.0, "2.0 h"),
        (9000.0, "2.5 h"),
    ],
)
def test_how_long_something_waits(seconds, said):
    assert duration(seconds) == said


def test_a_state_comes_back_and_is_the_latest_while_it_is_fresh(tmp_path: Path):
    """It is written once a second: after five its process does not run."""
    store = tmp_path / "store.sqlite3"
    path = path_for(store)
    assert path == tmp_path / "store.sqlite3-forward.json"
    assert latest(store) is None and read(path) is None
    now = datetime.now(UTC)
    state = ForwardState(now + timedelta(seconds=4), (SINK,), ("the clocks differ",))
    write(path, state)
    assert read(path) == latest(store) == state
    assert lines(state) == [sink_line(SINK), "the clocks differ"]
    for seconds in (-5.1, 3600):  # an hour ahead: the clock was set back since
        write(path, replace(state, written=now + timedelta(seconds=seconds)))
        assert latest(store) is None
    path.write_text("[]")
    assert latest(store) is None
    with pytest.raises(InputError, match="not a state of this version"):
        read(path)
