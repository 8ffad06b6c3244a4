"""What is left out at a change of players, by when it was sampled and not by when it came.

The times are this file's own: each packet is made of one that says it.
"""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.session.cutoff import Cutoff
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

WRAP_US = 1 << 32
CUT_S = 2.0


def packet(clock_s: float, arrival_s: float, clock_us: int = 0) -> Entry:
    """A frame sampled at `clock_s` by a clock that was at `clock_us` at 0 s."""
    data = encode(
        DataPacket(
            *(Foot.LEFT, SampleFormat.PACKED12, False, False, False, 0),
            *((clock_us + round(1e6 * clock_s)) % WRAP_US, 10_000),
            counts=np.full((1, 18), 7, dtype=np.uint16),
        )
    )
    return Entry(round(1e9 * arrival_s), 0, Kind.NOTIFICATION, data)


def cut_off(before: list[Entry], after: list[Entry]) -> list[Entry]:
    """Return what is kept of what comes after the cut; each came in a call of its own."""
    cutoff = Cutoff()
    for entry in before:
        assert cutoff.take([entry]) == [entry]
    cutoff.cut(round(1e9 * CUT_S))
    return [kept for entry in after for kept in cutoff.take([entry])]


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
    early, late = packet(1.9, 1.95), packet(1.9, 2.5)
    assert cut_off([], [early, late]) == [late]


def test_only_packets_are_left_out():
    told = Entry(round(1.9e9), 0, Kind.DISCONNECTED, b"")
    assert cut_off([packet(0.0, 0.005)], [told]) == [told]
