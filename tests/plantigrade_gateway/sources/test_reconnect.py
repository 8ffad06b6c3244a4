"""When an insole is looked for again."""

from plantigrade_gateway.sources.reconnect import (
    FIRST_PAUSE_S,
    HELD_S,
    LONGEST_PAUSE_S,
    ConnectionState,
    Reconnection,
)


def test_pauses_double_up_to_the_longest():
    link = Reconnection()
    pauses = []
    for _ in range(7):
        link.search()
        pauses.append(link.fail(0.0))
    assert pauses == [0.5, 1.0, 2.0, 4.0, 8.0, 8.0, 8.0]
    assert (FIRST_PAUSE_S, LONGEST_PAUSE_S) == (0.5, 8.0)
    assert link.state is ConnectionState.PAUSING


def test_an_insole_that_is_off_for_a_week_is_still_looked_for():
    """Some 34,000 tries of 18 s; two to the power of 1024 is more than a float holds."""
    link = Reconnection()
    assert [link.fail(0.0) for _ in range(34_000)][-1] == LONGEST_PAUSE_S


def test_a_link_that_held_begins_anew():
    link = Reconnection()
    for _ in range(4):
        link.fail(0.0)
    link.connect()
    link.stream(100.0)
    assert link.fail(100.0 + HELD_S) == FIRST_PAUSE_S
    assert link.links == 1


def test_a_link_that_broke_at_once_does_not():
    link = Reconnection()
    for _ in range(3):
        link.fail(0.0)
    link.connect()
    link.stream(100.0)
    assert link.fail(100.0 + HELD_S - 0.1) == 4.0


def test_states_in_order():
    link = Reconnection()
    seen = [link.state]
    for step in (link.connect, lambda: link.stream(0.0), lambda: link.fail(1.0), link.stop):
        step()
        seen.append(link.state)
    assert seen == ["searching", "connecting", "streaming", "pausing", "stopped"]
