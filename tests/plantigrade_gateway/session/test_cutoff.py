"""What is left out at a change of players, by when it was sampled and not by when it came.

The times are this file's own: each packet is made of one that says it.
"""

from dataclasses import replace

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.session.cutoff import Cutoff
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

WRAP_US = 1 << 32
CUT_S = 2.0


def packet(clock_s: float, arrival_s: float, clock_us: int = 0, frames: int = 1) -> Entry:
    """Frames 10 ms apart, the first taken at `clock_s` by a clock that was at `clock_us` at 0 s."""
    data = encode(
        DataPacket(
            *(Foot.LEFT, SampleFormat.PACKED12, False, False, False, 0),
            *((clock_us + round(1e6 * clock_s)) % WRAP_US, 10_000),
            counts=np.full((frames, 18), 7, dtype=np.uint16),
        )
    )
    return Entry(round(1e9 * arrival_s), 0, Kind.NOTIFICATION, data)


def cut_off(before: list[Entry], after: list[Entry]) -> list[Entry]:
    """Return what is kept of what comes after the cut; each came in a call of its own.

    The host's clock has an origin of its own: what is kept does not depend on it.
    """
    found = []
    for origin_ns in (0, 100_000_000_000):
        cutoff, kept = Cutoff(), []
        for entry in before:
            moved = replace(entry, arrival_ns=entry.arrival_ns + origin_ns)
            assert cutoff.take([moved]) == [moved]
        cutoff.cut(round(1e9 * CUT_S) + origin_ns)
        for entry in after:
            if cutoff.take([replace(entry, arrival_ns=entry.arrival_ns + origin_ns)]):
                kept.append(entry)
        found.append(kept)
    assert found[0] == found[1]
    return found[0]


@pytest.mark.parametrize("clock_us", [0, WRAP_US - 1_000_000, WRAP_US - 2_200_000])
def test_a_packet_is_who_sampled_it_s_over_a_wrap_too(clock_us):
    before = [packet(t_s, t_s + 0.005, clock_us) for t_s in (0.0, 0.5)]
    theirs = [packet(1.9, 2.6, clock_us), packet(1.98, 2.7, clock_us)]
    ours = [packet(2.01, 2.71, clock_us), packet(2.4, 2.72, clock_us)]
    assert cut_off(before, [*theirs, *ours]) == ours


def test_the_least_that_a_packet_took_counts_not_what_the_last_one_did():
    before = [packet(0.0, 0.005), packet(1.0, 1.9)]
    assert cut_off(before, [packet(1.95, 2.5), packet(2.1, 2.6)]) == [packet(2.1, 2.6)]


def test_a_clock_that_began_anew_is_learned_anew():
    """Unseen by the link: it is 100 s behind what it was from 1 s on."""
    before = [packet(0.5, 0.505, 100_000_000), packet(1.0, 1.005), packet(1.1, 1.105)]
    assert cut_off(before, [packet(1.9, 2.5), packet(2.1, 2.6)]) == [packet(2.1, 2.6)]


def test_before_anything_is_known_of_a_clock_arrival_decides():
    early, on_it, late = packet(1.9, 1.95), packet(1.9, 2.0), packet(1.9, 2.5)
    assert cut_off([], [early, late]) == [late]
    assert cut_off([], [on_it]) == [on_it]


def test_only_packets_are_left_out():
    told = Entry(round(1.9e9), 0, Kind.DISCONNECTED, b"")
    assert cut_off([packet(0.0, 0.005)], [told]) == [told]


@pytest.mark.parametrize(("first_s", "is_kept"), [(1.97, False), (1.99, False), (1.995, True)])
def test_a_packet_that_was_begun_before_the_change_is_not_the_next_players(first_s, is_kept):
    """Five frames take 40 ms; 5 ms after the last a packet is there: at 1.995 it began at 2.0."""
    before = [packet(t_s, t_s + 0.045, frames=5) for t_s in (0.0, 1.0)]
    late = packet(first_s, 2.5, frames=5)
    assert cut_off(before, [late]) == ([late] if is_kept else [])


@pytest.mark.parametrize(("arrival_s", "is_kept"), [(16.9, False), (17.1, True)])
def test_what_comes_a_quarter_of_a_minute_late_is_the_next_players(arrival_s, is_kept):
    late = packet(1.99, arrival_s)
    assert cut_off([packet(0.0, 0.005)], [late]) == ([late] if is_kept else [])


def test_a_new_link_knows_nothing_of_a_clock_that_began_anew():
    """It was 10 s ahead; by that, a packet that came at 2.6 s would have been sampled before 0."""
    before = [packet(t_s, t_s + 0.005, 10_000_000) for t_s in (0.0, 1.0)]
    linked = Entry(round(2.2e9), 0, Kind.CONNECTED, b"")
    ours = packet(2.4, 2.6)
    assert cut_off(before, [linked, ours]) == [linked, ours]


def test_a_message_without_samples_is_kept_and_tells_nothing_of_the_clock():
    other = Entry(round(2.1e9), 0, Kind.NOTIFICATION, b"")
    theirs = packet(1.9, 2.5)
    assert cut_off([packet(0.0, 0.005)], [other, theirs]) == [other]
