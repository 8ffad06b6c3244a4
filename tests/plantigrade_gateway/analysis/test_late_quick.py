"""What came late in records of some seconds: each sample once, at its time, and what is owed.

Expected samples are those that the insole made, and tell the time at which it made them;
`test_late.py` has the long records.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.support.loglink import PERIOD_US, Insole, packets_of, record

from plantigrade.block import Foot
from plantigrade_gateway.analysis.late import (
    Owed,
    _inserted,
    _Late,
    log_said,
    made_whole,
    read_late,
)
from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Entry, Kind
from plantigrade_gateway.wire.log import LogRequest, read_page

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
S = 1_000_000
"""µs in a second."""


def numbered(t_s: np.ndarray) -> np.ndarray:
    """Rows that tell their time: any two samples of a session differ."""
    number = np.rint(t_s * 1e4).astype(np.int64)
    rows = np.zeros((len(t_s), 18), dtype=np.uint16)
    rows[:, 0], rows[:, 1], rows[:, 2] = number & 0xFFF, number >> 12 & 0xFFF, number >> 24
    return rows


def told_s(counts: np.ndarray) -> np.ndarray:
    told: np.ndarray = counts[:, :3].astype(np.int64) @ np.array([1, 1 << 12, 1 << 24]) / 1e4
    return told


def insole(*parts: tuple[float, bool], foot: Foot = LEFT, **more: object) -> Insole:
    """An insole that ran until each time, with a link or without."""

    def counts(t_s: np.ndarray) -> np.ndarray:
        rows = numbered(t_s)
        rows[:, 3] = INSOLE_OF[foot]
        return rows

    made = Insole(foot, counts, **more)  # type: ignore[arg-type]
    for until_s, up in parts:
        made.run(until_s, up=up)
    return made


def other(until_s: float) -> Insole:
    return insole((until_s, True), foot=RIGHT)


def whole(batch: Batch, owed: list[Owed] | None = None) -> Batch:
    return Batch.joined(list(made_whole(lambda: [batch], owed)))


def frames_of(batch: Batch, foot: Foot = LEFT) -> list[bytes]:
    return [row.tobytes() for packet in packets_of(batch, foot) for row in packet.counts]


def late_of(batch: Batch) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return of each late entry the times of its frames, and when they were sampled."""
    found = []
    for entry in whole(batch):
        if entry.kind is Kind.LATE:
            first_s, step_s, packet = read_late(entry.data)
            found.append((first_s + step_s * np.arange(len(packet.counts)), told_s(packet.counts)))
    return found


CUT = ((1.0, True), (1.6, False), (3.6, True))


def test_each_sample_is_there_once_in_its_order_and_at_its_time():
    """A clock 200 ppm fast from some start; a packet takes 6 ms, and some 15."""
    left = insole(*CUT, zero_us=2**32 - S, ppm=200.0)
    batch = record(left, other(3.6))
    owed: list[Owed] = []
    found = whole(batch, owed)
    assert owed == []
    assert frames_of(found) == [row for _, row in sorted(left.sampled.items())]
    assert (np.diff(found.arrival_ns) >= 0).all()
    late = late_of(batch)
    t_s, sampled_s = (np.concatenate(part) for part in zip(*late, strict=True))
    assert len(t_s) == pytest.approx(60, abs=2)  # packets of two frames
    assert (sampled_s[0], sampled_s[-1]) == pytest.approx((1.0, 1.59), abs=0.021)
    assert np.abs(t_s - sampled_s).max() < 0.02
    assert (np.diff(t_s) > 0.005).all()


def test_a_record_without_a_log_is_given_as_it_is():
    batch = record(insole(*CUT, has_log=False), other(3.6))
    owed: list[Owed] = []
    pieces = list(made_whole(lambda: [batch], owed))
    assert len(pieces) == 1 and pieces[0] is batch and owed == []


def test_what_is_live_stays_and_what_is_late_stands_before_what_came_after_it():
    """Each late entry arrives when its last frame was sampled, in the host's time."""
    batch = record(insole(*CUT), other(3.6))
    found = whole(batch)
    live = [entry for entry in found if entry.kind is not Kind.LATE]
    assert live == list(batch)
    begun_ns = int(batch.arrival_ns[0])
    for entry in found:
        if entry.kind is Kind.LATE:
            first_s, step_s, packet = read_late(entry.data)
            last_s = first_s + step_s * (len(packet.counts) - 1)
            assert (entry.arrival_ns - begun_ns) / 1e9 == pytest.approx(last_s, abs=1e-6)
            assert step_s == pytest.approx(PERIOD_US / S, rel=1e-2)
            assert packet.period_us == PERIOD_US and packet.foot is LEFT
            assert not (packet.first or packet.dropped or packet.battery_low)


@pytest.mark.parametrize("size", [7, 100])
def test_the_record_may_come_in_any_pieces(size):
    batch = record(insole(*CUT), other(3.6))
    pieces = [batch.slice(k, min(k + size, len(batch))) for k in range(0, len(batch), size)]
    given: list[Batch] = [batch.slice(0, 0), *pieces]
    assert list(Batch.joined(list(made_whole(lambda: given)))) == list(whole(batch))


@pytest.mark.parametrize(("lost_s", "is_owed"), [(0.02, True), (0.5, True), (0.01, False)])
def test_a_gap_of_more_than_15_ms_between_packets_is_owed(lost_s, is_owed):
    """By the insole's clock, which began at 7 s: from where the next frame was due."""
    left = insole((1.0, True), (1.0 + lost_s, False), (2.0, True), zero_us=7 * S, serves=False)
    batch = record(left, other(2.0))
    owed: list[Owed] = []
    whole(batch, owed)
    if not is_owed:
        assert owed == []
        return
    (one,) = owed
    assert (one.insole, one.boot) == (INSOLE_OF[LEFT], 1) and len(one.serial) == 8
    assert (one.from_us, one.to_us) == (8 * S, 8 * S + round(lost_s * S))


@pytest.mark.parametrize(("lost_s", "is_owed"), [(0.9, False), (1.2, True)])
def test_at_the_end_up_to_a_second_is_under_way(lost_s, is_owed):
    left = insole((1.0, True), (1.0 + lost_s, False), serves=False)
    owed: list[Owed] = []
    whole(record(left, other(1.0 + lost_s)), owed)
    if is_owed:
        (one,) = owed
        assert one.from_us == S
        assert one.to_us == pytest.approx(S * (1.0 + lost_s), abs=0.03 * S)
    else:
        assert owed == []


def test_between_two_pages_that_came_the_page_that_did_not_is_owed():
    """Eight frames of 10 ms a page: page 18 holds 1.44 to 1.52 s."""
    batch = record(insole(*CUT), other(3.6))
    kept = [e for e in batch if e.kind is not Kind.LOG or read_page(e.data).clock_us != 1_440_000]
    assert len(kept) == len(batch) - 1
    owed: list[Owed] = []
    frames = frames_of(whole(Batch.of(kept), owed))
    assert [(one.from_us, one.to_us) for one in owed] == [(1_440_000, 1_520_000)]
    assert len(frames) == len(frames_of(whole(batch))) - 8


def test_pages_may_come_twice_and_in_any_order():
    batch = record(insole(*CUT), other(3.6))
    pages = [e.data for e in batch if e.kind is Kind.LOG]
    turned = iter([*pages[::-1]])
    entries: list[Entry] = []
    for e in batch:
        if e.kind is Kind.LOG:
            one = replace(e, data=next(turned))
            entries += [one, one]
        else:
            entries.append(e)
    assert frames_of(whole(Batch.of(entries))) == frames_of(whole(batch))


def test_pages_after_the_records_end_and_of_no_use_add_nothing():
    """All pages came at the end: the link was lost at 2 s, the end is at 3."""
    left = insole((2.0, True), (5.0, False))
    batch = record(left, other(3.0))
    pages = [data for data in left.log.pages(LogRequest(0, 1, 0, 2**47)) if data is not None]
    last_ns = int(batch.arrival_ns[-1])
    more = [Entry(last_ns, INSOLE_OF[LEFT], Kind.LOG, data) for data in pages]
    spoilt = Entry(last_ns, INSOLE_OF[LEFT], Kind.LOG, b"none")
    found = Batch.of([*batch, *more, spoilt])
    frames = frames_of(whole(found))
    made = [row for _, row in sorted(left.sampled.items())]
    assert frames == made[: len(frames)]
    assert len(frames) == pytest.approx(300, abs=2)
    assert whole(found).arrival_ns.tolist() == sorted(found_ns := whole(found).arrival_ns.tolist())
    assert max(found_ns) == last_ns


def test_two_boots_lie_on_either_side_of_a_reset():
    """Sampled without a link before and after its power was cut: of both what can be read."""
    left = insole((1.0, True), (1.5, False))
    left.cut_power(None, off_s=0.3)
    left.run(2.4, up=False)
    left.run(4.5, up=True)
    batch = record(left, other(4.5))
    made = [row for _, row in sorted(left.sampled.items())]
    frames = frames_of(whole(batch))
    assert set(frames) <= set(made)
    place = {row: k for k, row in enumerate(made)}
    assert frames == sorted(frames, key=place.__getitem__)
    assert 0 <= len(made) - len(frames) <= 8  # of the page that was being filled
    for t_s, sampled_s in late_of(batch):
        assert np.abs(t_s - sampled_s).max() < 0.02


def test_both_insoles_are_made_whole():
    left, right = insole(*CUT), insole((1.2, True), (1.8, False), (3.8, True), foot=RIGHT)
    found = whole(record(left, right))
    for one in (left, right):
        assert frames_of(found, one.foot) == [row for _, row in sorted(one.sampled.items())]


def test_what_is_late_stands_after_all_that_arrived_as_early_however_it_is_cut():
    """By hand: arrivals 1, 2, 2, 3 and one late of 2, which may come as late as the end."""
    entries = [Entry(at, 0, Kind.NOTIFICATION, bytes([k])) for k, at in enumerate((1, 2, 2, 3))]
    late = [_Late(Entry(2, 0, Kind.LATE, b"late"), 4)]
    for cut in range(5):
        pieces = [Batch.of(part) for part in (entries[:cut], entries[cut:]) if part]
        found = list(Batch.joined(list(_inserted(pieces, late))))
        assert found == [*entries[:3], late[0].entry, entries[3]]
    early = [_Late(Entry(3, 0, Kind.LATE, b"late"), 2)]  # not after its place, arrive as it may
    found = list(Batch.joined(list(_inserted([Batch.of(entries)], early))))
    assert found == [*entries[:2], early[0].entry, *entries[2:]]


def test_the_last_of_what_an_insole_says_of_its_log_is_taken():
    most = {"boot": (1 << 16) - 1, "clock_us": (1 << 48) - 1, "read_ns": 7}
    assert log_said(json.dumps({"log": most}).encode()) == ((1 << 16) - 1, (1 << 48) - 1, 7, "")
    least = {"boot": 1, "clock_us": 0, "read_ns": -7}
    assert log_said(json.dumps({"log": least}).encode()) == (1, 0, -7, "")


LOG: dict[str, object] = {"boot": 1, "clock_us": 5, "read_ns": 7}


@pytest.mark.parametrize(
    "log",
    [
        *({**LOG, "boot": boot} for boot in (0, -1, 1 << 16, "x", None, float("nan"))),
        *({**LOG, "clock_us": clock_us} for clock_us in (-1, 1 << 48, list[int]())),
        *({**LOG, "read_ns": read_ns} for read_ns in (1 << 70, -(1 << 70))),
        *({}, [], None, 3),
    ],
)
def test_what_no_insole_says_of_its_log_is_none(log):
    assert log_said(json.dumps({"serial": "0A", "log": LOG}).encode()) == (1, 5, 7, "0A")
    assert log_said(json.dumps({"serial": "0A", "log": log}).encode()) is None
    for about in (b"", b"\xff", b"[]", b"{}", b"3"):
        assert log_said(about) is None
