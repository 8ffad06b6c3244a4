"""Stamps never fall, whatever the wall clock does."""

import time

from hypothesis import given
from hypothesis import strategies as st

from plantigrade_gateway.people import clock as people_clock
from plantigrade_gateway.people.clock import HybridClock

DAY = 24 * 60 * 60 * 1000 << 16

steps = st.lists(
    st.tuples(st.integers(0, 50), st.none() | st.integers(0, 60 << 16)), min_size=1, max_size=20
)


@given(steps)
def test_a_stamp_comes_after_all_that_were_given_or_seen(moves):
    wall = [0]
    clock = HybridClock(wall_ms=lambda: wall[0])
    last = -1
    for now_ms, seen in moves:  # the wall clock jumps both ways
        wall[0] = now_ms
        if seen is not None:
            clock.see(seen)
        stamp = clock.tick()
        assert stamp > last and (seen is None or stamp > seen)
        last = stamp


def test_a_stamp_follows_the_wall_clock_and_not_an_absurd_one():
    clock = HybridClock(wall_ms=lambda: 1000)
    assert clock.tick() >> 16 == 1000
    clock.see((1000 << 16) + DAY + 1)
    assert clock.tick() >> 16 == 1000
    clock.see((1000 << 16) + DAY)
    assert clock.tick() == (1000 << 16) + DAY + 1


def test_it_goes_on_from_the_last_that_is_known():
    assert HybridClock(wall_ms=lambda: 0).tick() == 1  # nothing is known: the first of 1970
    assert HybridClock(77 << 16, wall_ms=lambda: 5).tick() == (77 << 16) + 1


def test_the_wall_clock_is_in_milliseconds_of_utc_as_other_places_stamps_are():
    before = time.time()
    assert int(1000.0 * before) <= people_clock.now_ms() <= 1000.0 * time.time() + 1.0
