"""Which samples the host lacks, by boot and long clock: cases worked out by hand."""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.wire.codec import Header
from plantigrade_gateway.wire.coverage import MOST_HOLES, SETTLES_US, Coverage, Hole
from plantigrade_gateway.wire.log import LONG_CLOCK, LogPage, LogState
from plantigrade_gateway.wire.messages import SampleFormat

MS, S = 1000, 1_000_000


def state(boot: int, clock_us: int) -> LogState:
    return LogState(True, boot, clock_us, 0, 1, 64)


def packet(clock_us: int, counter: int = 0) -> Header:
    """Two frames of 10 ms."""
    return Header(1, 1, 2, 0, counter, clock_us % 2**32, 10 * MS, 18, 2)


def page(boot: int, clock_us: int, frames: int = 8) -> LogPage:
    counts = np.zeros((frames, 18), dtype=np.uint16)
    flags = (False, False, False)
    return LogPage(
        *(Foot.LEFT, SampleFormat.PACKED12, *flags, 0, boot, clock_us, 0, 10 * MS), counts=counts
    )


def heard(boot: int, start_us: int, stop_us: int, into: Coverage | None = None) -> Coverage:
    """Packets from one long clock to another, on a host whose clock is the insole's."""
    made = into or Coverage()
    made.connected(state(boot, start_us), start_us * 1000)
    for at in range(start_us, stop_us, 20 * MS):
        made.packet(packet(at), at * 1000)
    return made


def told(of: Coverage) -> list[tuple[int, int, int]]:
    return [(hole.boot, hole.from_us, hole.to_us) for hole in of.holes]


def test_packets_that_follow_on_leave_no_hole():
    assert heard(1, 5 * S, 8 * S).holes == []


def test_what_came_before_the_first_packet_is_not_missing():
    assert heard(1, 100 * S, 101 * S).holes == []


def test_a_lost_link_is_a_hole_over_the_wrap_of_the_clock():
    lost_us = 2**32 - 3 * S
    made = heard(1, lost_us - 2 * S, lost_us)
    heard(1, 2**32 + 60 * S, 2**32 + 61 * S, made)
    assert told(made) == [(1, lost_us, 2**32 + 60 * S)]
    assert made.missing_us == 63 * S


def test_a_link_that_holds_for_forty_days_keeps_the_long_clock():
    """The clock on the wire wraps every 71.6 minutes; the host's says which of 800 rounds it is."""
    day, made = 86_400 * S, Coverage()
    made.connected(state(1, 5 * S), 7 * day * 1000)
    made.packet(packet(5 * S), 7 * day * 1000)
    made.packet(packet(40 * day), (47 * day - 5 * S) * 1000)
    assert told(made) == [(1, 5 * S + 20 * MS, 40 * day)]


def test_less_than_half_a_frame_is_no_hole():
    """Frames of 10 ms: an insole's clock may step by 4 ms more or less, and nothing is lost."""
    made = heard(1, 0, S)
    made.packet(packet(S + 4 * MS), S * 1000)
    assert made.holes == []
    made.packet(packet(S + 30 * MS), (S + 30 * MS) * 1000)  # 6 ms after the end of the last
    assert told(made) == [(1, S + 24 * MS, S + 30 * MS)]


def test_a_page_that_lacks_less_than_half_a_frame_closes_a_hole():
    made = Coverage()
    made.owe([Hole(1, S - 4 * MS, S + 84 * MS)])
    made.page(page(1, S))  # 80 ms
    assert made.holes == []
    made.owe([Hole(1, S - 6 * MS, S + 86 * MS)])
    made.page(page(1, S))
    assert told(made) == [(1, S - 6 * MS, S), (1, S + 80 * MS, S + 86 * MS)]


def test_a_reset_leaves_an_open_hole_and_the_new_boots_beginning():
    made = heard(1, 10 * S, 12 * S)
    heard(2, 7 * S, 8 * S, made)
    assert told(made) == [(1, 12 * S, LONG_CLOCK), (2, 0, 7 * S)]
    assert made.holes[0].is_open
    assert made.missing_us == 7 * S


def test_pages_close_holes_in_parts_and_only_of_their_boot():
    made = heard(3, 0, S)
    heard(3, 2 * S, 3 * S, made)
    assert made.page(page(2, S)) == {}
    assert made.page(page(3, S + 400 * MS)) == {"": 80 * MS}
    assert told(made) == [(3, S, S + 400 * MS), (3, S + 480 * MS, 2 * S)]
    assert made.page(page(3, S + 400 * MS)) == {}  # it brings nothing twice
    assert made.page(page(3, S - 40 * MS)) == {"": 40 * MS}
    assert told(made)[0] == (3, S + 40 * MS, S + 400 * MS)
    assert made.page(page(3, 5 * S)) == {}


def test_a_young_hole_waits_until_its_page_is_written():
    made = heard(1, 5 * S, 6 * S)
    made.packet(packet(6 * S + 40 * MS), (6 * S + 40 * MS) * 1000)
    assert len(made.holes) == 1
    end_us = made.holes[0].to_us
    assert made.next((end_us + SETTLES_US - 1) * 1000) is None
    assert made.next((end_us + SETTLES_US) * 1000) == made.holes[0]


def test_what_is_given_up_is_said_and_gone():
    made = heard(1, 0, S)
    heard(1, 3 * S, 4 * S, made)
    asked = Hole(1, S, 3 * S)
    made.page(page(1, 2 * S))
    assert made.drop(asked) == 2 * S - 80 * MS
    assert made.holes == []


def test_a_late_or_repeated_packet_opens_nothing():
    made = heard(1, 0, S)
    made.packet(packet(S - 500 * MS), S * 1000)
    made.packet(packet(S - 20 * MS), S * 1000)
    assert made.holes == []


def test_holes_of_ended_sessions_stay_theirs():
    made = heard(1, 0, S)
    heard(1, 2 * S, 3 * S, made)
    made.hand_over("before")
    made.owe([Hole(1, 100, 200, owner="long ago")])
    assert [hole.owner for hole in made.holes] == ["long ago", "before"]
    assert made.page(page(1, S)) == {"before": 80 * MS}


def test_a_log_that_is_never_read_leaves_so_many_holes_and_no_more():
    """Every second packet of 20 ms is lost; what finds no room is asked for with the last."""
    made, packets = heard(1, 0, 20 * MS), 3 * MOST_HOLES
    for at in range(40 * MS, (2 * packets + 1) * 20 * MS, 40 * MS):
        made.packet(packet(at), at * 1000)
    assert len(made.holes) == MOST_HOLES
    assert told(made)[0] == (1, 20 * MS, 40 * MS)
    assert told(made)[-1] == (1, (2 * MOST_HOLES - 1) * 20 * MS, 2 * packets * 20 * MS)
    made.hand_over("before")
    at = (2 * packets + 3) * 20 * MS
    made.packet(packet(at), at * 1000)  # another session's: the oldest is given up
    assert len(made.holes) == MOST_HOLES
    assert told(made)[0] == (1, 60 * MS, 80 * MS)
    assert (made.holes[-1].owner, told(made)[-1][2]) == ("", at)


def test_pages_that_cut_a_hole_to_pieces_leave_so_many_holes_and_no_more():
    """Every other page of a log, so that each cuts what is missing in two."""
    made = Coverage()
    made.owe([Hole(1, 0, 1000 * S, owner="before"), Hole(2, 0, S)])
    pages = MOST_HOLES + 10
    for k in range(1, pages + 1):
        assert made.page(page(1, k * 160 * MS)) == {"before": 80 * MS}
    assert len(made.holes) == MOST_HOLES
    at = (pages - MOST_HOLES + 2) * 160 * MS  # two are the rest of the one, and the other
    assert told(made)[0] == (1, at + 80 * MS, at + 160 * MS)
    assert told(made)[-2:] == [(1, pages * 160 * MS + 80 * MS, 1000 * S), (2, 0, S)]
    made.owe([Hole(3, k, k + 1) for k in range(2 * MOST_HOLES)])  # more than it makes by itself
    made.page(page(1, 900 * S))
    assert len(made.holes) == 3 * MOST_HOLES
    assert told(made)[0] == (3, 1, 2)


def test_beyond_the_long_clock_nothing_is_owed():
    """A request holds 48 bits of µs (`wire_format.md` §8); an insole may say it is at their end."""
    made = Coverage()
    made.connected(state(1, LONG_CLOCK - S), 0)
    made.packet(packet(LONG_CLOCK - S), 0)
    made.packet(packet(LONG_CLOCK - 20 * MS), 980 * 10**6)  # its last frame ends at the end
    made.packet(packet(LONG_CLOCK + 5 * S), 6 * 10**9)
    assert made.holes == []
    made.packet(packet(LONG_CLOCK - 40 * MS), 960 * 10**6)
    assert told(made) == [(1, LONG_CLOCK - S + 20 * MS, LONG_CLOCK - 40 * MS)]


def test_without_a_state_nothing_is_owed():
    made = Coverage()
    for at in (0, 5 * S):
        made.packet(packet(at), at * 1000)
    assert made.holes == []


@pytest.mark.parametrize("frames", [1, 7, 8])
def test_a_part_filled_page_counts_what_it_has(frames):
    made = heard(1, 0, S)
    heard(1, 2 * S, 3 * S, made)
    assert made.page(page(1, S, frames)) == {"": frames * 10 * MS}
