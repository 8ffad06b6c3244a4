"""A link that is lost: what the gateway makes of an insole that keeps packets, and of one that does
not (wire format §3, rule 6)."""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat
from plantigrade_gateway.wire.stream import StreamEventKind

pytestmark = pytest.mark.dear

S = 1_000_000_000
LOST_S, BACK_S, END_S = 5.0, 8.0, 12.0
KEPT = 8


def packet(foot: Foot, counter: int, clock_s: float, first: bool = False) -> bytes:
    counts = np.full((2, 18), 900 if foot is Foot.LEFT else 1100, dtype=np.uint16)
    us = round(clock_s * 1e6)
    return encode(
        DataPacket(foot, SampleFormat.PACKED12, first, False, False, counter, us, 10_000, counts)
    )


def entries(kept: int) -> list[Entry]:
    """Both feet stream; the right one's link is lost for three seconds."""
    out = [Entry(0, k, Kind.CONNECTED, b"") for k in (0, 1)]

    def stream(insole: int, from_s: float, to_s: float) -> None:
        foot = (Foot.LEFT, Foot.RIGHT)[insole]
        for counter in range(round((to_s - from_s) * 50)):
            clock_s = from_s + counter * 0.02
            at = round((clock_s + 0.015) * S)
            data = packet(foot, counter, clock_s, counter == 0)
            out.append(Entry(at, insole, Kind.NOTIFICATION, data))

    stream(0, 0.1, END_S)
    stream(1, 0.1, LOST_S)
    out.append(Entry(round((LOST_S + 2.0) * S), 1, Kind.DISCONNECTED, b""))
    out.append(Entry(round((BACK_S - 0.05) * S), 1, Kind.CONNECTED, b""))
    last = round((LOST_S - 0.1) * 50)
    for k in range(kept):  # sent as soon as the link is back, before any start
        data = packet(Foot.RIGHT, last + k, LOST_S + k * 0.02)
        out.append(Entry(round((BACK_S - 0.04 + k * 0.001) * S), 1, Kind.NOTIFICATION, data))
    stream(1, BACK_S, END_S)
    return sorted(out, key=lambda entry: entry.arrival_ns)


def rows(kept: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[StreamEventKind], Pipeline]:
    pipeline = Pipeline()
    done: list[Output] = [pipeline.push(Batch.of([entry])) for entry in entries(kept)]
    done.append(pipeline.flush())
    blocks = [block for output in done for block in output.rows]
    return (
        np.concatenate([block.t_s for block in blocks]),
        np.concatenate([block.left[:, 0] for block in blocks]),
        np.concatenate([block.right[:, 0] for block in blocks]),
        [fact.kind for output in done for fact in output.facts],
        pipeline,
    )


def test_the_hole_is_a_hole_and_the_other_foot_goes_on():
    t_s, left, right, facts, pipeline = rows(0)
    np.testing.assert_allclose(np.diff(t_s), 0.01, atol=1e-9)
    assert not np.isnan(left).any()
    away = t_s[np.isnan(right)]
    assert away[-1] - away[0] > BACK_S - LOST_S - 0.1
    assert facts == [StreamEventKind.START]
    assert pipeline.counts()[1].lost_packets == 0
    assert pipeline.counts()[1].facts[StreamEventKind.START] == 1


def test_packets_kept_through_it_save_no_row_and_make_the_start_look_like_a_reset():
    """Why rule 6 gives them up. They are taken and counted; their rows were given long ago.

    The next start comes three seconds of insole time after them, at once by the arrivals: the host
    must take it for a reset, and learns the clock anew. Nothing goes back, nothing is made up.
    """
    plain, kept = rows(0), rows(KEPT)
    assert kept[4].counts()[1].packets == plain[4].counts()[1].packets + KEPT
    assert kept[3] == [StreamEventKind.RESTART]
    np.testing.assert_array_equal(kept[0], plain[0])
    np.testing.assert_array_equal(kept[1], plain[1])
    lost, still_lost = np.isnan(plain[2]), np.isnan(kept[2])
    assert abs(int(lost.sum()) - int(still_lost.sum())) <= 2  # the edges, by a clock's few ms
