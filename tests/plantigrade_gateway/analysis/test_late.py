"""What came late from an insole's log is put where it was sampled, and nothing else changes.

Expected samples are those that the insole made (`tests/support/loglink.py`), never the log's.
"""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.support.loglink import PERIOD_US, Insole, packets_of, record

from plantigrade.block import FloatArray, Foot, PressureBlock
from plantigrade_gateway.analysis import late
from plantigrade_gateway.analysis.late import Owed, made_whole, read_late
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Entry, Kind
from plantigrade_gateway.virtual.player import invented_steps
from plantigrade_gateway.wire.codec import decode, encode_data
from plantigrade_gateway.wire.log import LogPage, LogRequest, read_page
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

pytestmark = pytest.mark.dear

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
STEPS = invented_steps()


def numbered(t_s: np.ndarray) -> np.ndarray:
    """Rows that tell their time: any two samples of a session differ."""
    number = np.rint(t_s * 1e4).astype(np.int64)
    rows = np.zeros((len(t_s), 18), dtype=np.uint16)
    rows[:, 0], rows[:, 1], rows[:, 2] = number & 0xFFF, number >> 12 & 0xFFF, number >> 24
    return rows


def frames_of(batch: Batch, foot: Foot) -> list[bytes]:
    """A whole record's samples of a foot, in its order."""
    return [row.tobytes() for packet in packets_of(batch, foot) for row in packet.counts]


def whole(batch: Batch) -> Batch:
    return Batch.joined(list(made_whole(lambda: [batch])))


def walked(cut: bool, pages: int = 32_768, has_log: bool = True) -> tuple[Insole, Insole]:
    """Two minutes of the invented player; the right link is lost from 40 to 75 s, if it is cut."""
    left = Insole(LEFT, lambda t_s: STEPS.at(LEFT, t_s), 51_000_000, 32.0, pages, has_log)
    right = Insole(
        RIGHT, lambda t_s: STEPS.at(RIGHT, t_s), 2**32 - 50_000_000, -41.0, pages, has_log
    )
    left.run(120.0, up=True)
    if cut:
        right.run(40.0, up=True)
        right.run(75.0, up=False)
    right.run(120.0, up=True)
    return left, right


@pytest.fixture(scope="module")
def uncut():
    return analyse_record([record(*walked(cut=False))], "uncut")


@pytest.fixture(scope="module")
def filled():
    return analyse_record([record(*walked(cut=True))], "filled")


@pytest.mark.slow
def test_a_filled_session_finds_what_an_uncut_one_does(uncut, filled):
    assert filled.quality.right.missing_samples == 0
    assert filled.quality.right.samples == uncut.quality.right.samples
    assert len(filled.swings) == len(uncut.swings) > 5
    assert len(filled.steps) == len(uncut.steps)
    for one, other in zip(filled.swings, uncut.swings, strict=True):
        assert one.lead_peak_s == pytest.approx(other.lead_peak_s, abs=0.02)
        assert one.push.manner == other.push.manner


def test_without_a_log_the_gap_stays(uncut):
    found = analyse_record([record(*walked(cut=True, has_log=False))], "none")
    assert found.quality is not None
    assert found.quality.right.missing_samples == pytest.approx(3500, abs=4)
    assert found.quality.right.late_samples == 0
    assert len(found.swings) < len(uncut.swings)


def test_one_insole_alone_may_have_a_log():
    left, right = Insole(LEFT, numbered), Insole(RIGHT, numbered, has_log=False)
    for insole in (left, right):
        insole.run(5.0, up=True)
        insole.run(10.0, up=False)
        insole.run(15.0, up=True)
    found = whole(record(left, right))
    assert len(frames_of(found, LEFT)) == len(left.sampled)
    assert len(frames_of(found, RIGHT)) == pytest.approx(1000, abs=4)


@pytest.mark.parametrize("after_s", [0, 15])
def test_nothing_is_added_beyond_the_records_end(after_s):
    """Pages that came when the session had ended: the link was lost at 10 s, the end is at 20 s."""
    left, right = Insole(LEFT, numbered), Insole(RIGHT, numbered)
    left.run(10.0, up=True)
    left.run(30.0, up=False)
    right.run(20.0, up=True)
    batch = record(left, right)
    pages = [data for data in left.log.pages(LogRequest(0, 1, 0, 2**47)) if data is not None]
    last_ns = int(batch.arrival_ns[-1])
    came_ns = last_ns + after_s * 1_000_000_000
    late = [Entry(came_ns, INSOLE_OF[LEFT], Kind.LOG, data) for data in pages]
    found = whole(Batch.of([*batch, *late]))
    times = [read_late(entry.data) for entry in found if entry.kind is Kind.LATE]
    ends = [first_s + step_s * (len(p.counts) - 1) for first_s, step_s, p in times]
    assert max(ends) == pytest.approx(20.0, abs=0.05)
    assert sum(len(p.counts) for _, _, p in times) == pytest.approx(1000, abs=5)
    assert found.arrival_ns.tolist() == sorted(found.arrival_ns.tolist())


def test_what_came_late_is_said(filled):
    assert filled.quality.right.late_samples == pytest.approx(3500, abs=4)
    ((start_s, stop_s),) = filled.quality.right.late_spans
    assert (start_s, stop_s) == (pytest.approx(40.0, abs=0.05), pytest.approx(75.0, abs=0.05))
    assert filled.quality.left.late_samples == 0
    assert any("35.0 s of the right foot came late" in note for note in filled.quality.notes)


def test_lost_packets_stay_counted_as_the_radio_lost_them(filled):
    """The counter begins anew with the start: no packet of this cut is missing by it."""
    assert filled.quality.right.link.lost_packets == 0


@pytest.mark.slow
def test_a_live_analysis_leaves_the_pages_alone():
    batch = record(*walked(cut=True))
    bare = Batch.of([entry for entry in batch if entry.kind is not Kind.LOG])
    with_pages, without = Pipeline(), Pipeline()
    events = with_pages.push(batch).events + with_pages.flush().events
    assert events == without.push(bare).events + without.flush().events
    assert events


@pytest.mark.slow
def test_the_cut_of_the_record_changes_no_bit():
    batch = record(*walked(cut=True))
    edges = [0, *sorted(np.random.default_rng(3).integers(1, len(batch), 200).tolist()), len(batch)]
    pieces = [batch.slice(a, b) for a, b in pairwise(edges) if b > a]
    assert list(whole(batch)) == list(Batch.joined(list(made_whole(lambda: pieces))))
    assert analyse_record(pieces, "x") == analyse_record([batch], "x")


def test_times_of_live_samples_stay():
    batch = record(*walked(cut=True))
    live: dict[Foot, list[FloatArray]] = {}
    full: dict[Foot, list[FloatArray]] = {}
    for found, given in ((live, batch), (full, whole(batch))):

        def tap(
            block: PressureBlock, _: float, found: dict[Foot, list[FloatArray]] = found
        ) -> None:
            found.setdefault(block.foot, []).append(block.t_s)

        pipeline = Pipeline(tap)
        pipeline.push(given)
    for foot in (LEFT, RIGHT):
        before, after = np.concatenate(live[foot]), np.concatenate(full[foot])
        assert np.isin(before, after).all()
        assert (np.diff(after) > 0).all()


@pytest.mark.slow
def test_late_times_are_right_to_some_milliseconds():
    """Against the time at which the insole made each sample, which the sample itself tells."""
    left, right = (Insole(foot, numbered, 7, ppm) for foot, ppm in ((LEFT, 40.0), (RIGHT, -50.0)))
    for insole in (left, right):
        insole.run(60.0, up=True)
        insole.run(600.0, up=False)
        insole.run(700.0, up=True)
    worst = 0.0
    for entry in whole(record(left, right)):
        if entry.kind is Kind.LATE:
            first_s, step_s, packet = read_late(entry.data)
            told = packet.counts[:, :3].astype(np.int64) @ np.array([1, 1 << 12, 1 << 24]) / 1e4
            t_s = first_s + step_s * np.arange(len(told))
            worst = max(worst, float(np.abs(t_s - told).max()))
    assert 0.0 < worst < 0.02


@pytest.mark.slow
def test_fifty_cuts_of_a_second_to_twenty_minutes_lose_nothing():
    rng = np.random.default_rng(13)
    left, right = (Insole(foot, numbered, 11, 20.0) for foot in (LEFT, RIGHT))
    for insole in (left, right):
        at_s = 5.0
        insole.run(at_s, up=True)
        for k in range(25):
            longest = 1200.0 if k == 7 else float(np.exp(rng.uniform(0.0, np.log(200.0))))
            at_s += longest
            insole.run(at_s, up=False)
            at_s += 3.0 + longest / 8.0  # long enough to read it
            insole.run(at_s, up=True)
        assert insole.coverage.holes == []
    found = whole(record(left, right))
    for insole in (left, right):
        frames = frames_of(found, insole.foot)
        made = [row for _, row in sorted(insole.sampled.items())]
        assert len(frames) == len(made)
        assert frames == made


@pytest.mark.slow
def test_cut_power_costs_the_page_under_way():
    """And the page being filled when it was, at most: eight frames each time."""
    rng = np.random.default_rng(14)
    insole = Insole(LEFT, numbered, 2**32 - 20_000_000, 15.0, pages=4096)
    other = Insole(RIGHT, numbered)
    at_s, cuts = 20.0, 12
    insole.run(at_s, up=True)
    for _ in range(cuts):
        at_s += float(rng.uniform(1.0, 30.0))
        insole.run(at_s, up=False)
        insole.cut_power(int(rng.integers(0, 240)) if rng.random() < 0.5 else None)
        at_s += float(rng.uniform(1.0, 30.0))
        insole.run(at_s, up=False)
        at_s += 15.0
        insole.run(at_s, up=True)
    other.run(at_s, up=True)
    frames = frames_of(whole(record(insole, other)), LEFT)
    made = [row for _, row in sorted(insole.sampled.items())]
    assert 0 < len(made) - len(frames) <= 8 * cuts
    assert set(frames) <= set(made)
    place = {row: k for k, row in enumerate(made)}
    assert frames == sorted(frames, key=place.__getitem__)


def lossy(*gaps_s: tuple[float, float], until_s: float = 30.0, serves: bool = True) -> Batch:
    """A record of a left insole whose link was lost from and to these times, and of a right one."""
    left, right = Insole(LEFT, numbered, serves=serves), Insole(RIGHT, numbered)
    for lost_s, back_s in gaps_s:
        left.run(lost_s, up=True)
        left.run(back_s, up=False)
    if until_s > gaps_s[-1][1]:
        left.run(until_s, up=True)
    right.run(until_s, up=True)
    return record(left, right)


def owed_in(batch: Batch) -> list[tuple[float, float]]:
    """What a record is said to lack of the left insole, s of its clock; that began at 0."""
    owed: list[Owed] = []
    for _ in made_whole(lambda: [batch], owed):
        pass
    assert {one.insole for one in owed} <= {INSOLE_OF[LEFT]}
    return [(one.from_us / 1e6, one.to_us / 1e6) for one in owed]


def test_what_no_page_brought_is_owed_but_not_the_last_packets_under_way():
    """A short stretch too, between packets; at the end one of less than a second is none."""
    gaps = ((10.0, 10.3), (20.0, 21.0))
    close = pytest.approx(np.array(gaps), abs=0.03)
    assert np.array(owed_in(lossy(*gaps, serves=False))) == close
    assert owed_in(lossy(*gaps)) == []
    assert owed_in(lossy((29.3, 30.0), serves=False)) == []
    (end,) = owed_in(lossy((28.0, 30.0), serves=False))
    assert end == pytest.approx((28.0, 30.0), abs=0.05)


def test_what_lies_between_two_pages_that_came_is_owed():
    """Page 150 holds 12.00 to 12.08 s, eight frames of 10 ms each."""
    batch = lossy((10.0, 15.0))
    kept = [e for e in batch if e.kind is not Kind.LOG or read_page(e.data).page != 150]
    assert len(kept) == len(batch) - 1
    assert owed_in(Batch.of(kept)) == [(12.0, 12.08)]


def test_the_order_in_which_pages_came_is_nothing():
    batch = lossy((5.0, 12.0), (20.0, 24.0))
    pages = iter([e.data for e in batch if e.kind is Kind.LOG][::-1])
    turned = [
        Entry(e.arrival_ns, e.insole, e.kind, next(pages) if e.kind is Kind.LOG else e.data)
        for e in batch
    ]
    assert frames_of(whole(Batch.of(turned)), LEFT) == frames_of(whole(batch), LEFT)
    assert len(frames_of(whole(batch), LEFT)) == pytest.approx(3000, abs=1)


def test_arrivals_never_fall_after_packets_that_stalled():
    """The last packet before the link was lost came half a second late."""
    left, right = Insole(LEFT, numbered), Insole(RIGHT, numbered)
    left.run(10.0, up=True)
    last, gone = left.entries[-2:]
    assert (last.kind, gone.kind) == (Kind.NOTIFICATION, Kind.DISCONNECTED)
    late_ns = last.arrival_ns + 500_000_000
    left.entries[-2:] = [replace(last, arrival_ns=late_ns), replace(gone, arrival_ns=late_ns)]
    left.run(15.0, up=False)
    left.run(30.0, up=True)
    right.run(30.0, up=True)
    found = whole(record(left, right))
    assert (np.diff(found.arrival_ns) >= 0).all()
    assert len(frames_of(found, LEFT)) == len(left.sampled)


def test_times_rise_where_two_boots_seem_to_overlap():
    """As a clock that runs at another rate than was known last would have it, by 0.3 s here."""
    left, right = Insole(LEFT, numbered), Insole(RIGHT, numbered)
    left.run(10.0, up=True)
    left.run(20.0, up=False)
    left.cut_power(None, off_s=-0.3)
    left.run(25.0, up=False)
    left.run(40.0, up=True)
    right.run(40.0, up=True)
    late = [read_late(e.data) for e in whole(record(left, right)) if e.kind is Kind.LATE]
    t_s = np.concatenate([first + step * np.arange(len(p.counts)) for first, step, p in late])
    assert (np.diff(t_s) > 0.0).all()
    assert (t_s[0], t_s[-1]) == pytest.approx((10.0, 25.0), abs=0.05)


def test_after_a_reset_late_times_are_right_too():
    left, right = Insole(LEFT, numbered, 3_000_000_000), Insole(RIGHT, numbered)
    left.run(20.0, up=True)
    left.cut_power(None)
    left.run(40.0, up=True)
    left.run(60.0, up=False)
    left.run(80.0, up=True)
    right.run(80.0, up=True)
    late = [read_late(e.data) for e in whole(record(left, right)) if e.kind is Kind.LATE]
    told = [
        p.counts[0, :3].astype(np.int64) @ np.array([1, 1 << 12, 1 << 24]) / 1e4 for _, _, p in late
    ]
    assert [first_s for first_s, _, _ in late] == pytest.approx(told, abs=0.02)
    assert len(late) > 200


def test_a_start_that_lay_wholly_out_of_reach_is_counted_and_said():
    """Two of them, with pages: none of their samples has a time, so none is placed."""
    insole, other = Insole(LEFT, numbered), Insole(RIGHT, numbered)
    insole.run(20.0, up=True)
    for at_s in (25.0, 30.0, 35.0):
        insole.run(at_s, up=False)
        insole.cut_power(None)
    insole.run(60.0, up=True)
    other.run(60.0, up=True)
    batch = record(insole, other)
    assert insole.log.boot == 4
    unheard = {row for (boot, _), row in insole.sampled.items() if boot in (2, 3)}
    assert len(unheard) > 900
    assert not unheard & set(frames_of(whole(batch), LEFT))
    quality = analyse_record([batch], "resets").quality
    assert quality is not None
    said = [note for note in quality.notes if "out of reach" in note]
    assert [note[:28] for note in said] == ["2 starts of the left insole "]
    one = Insole(LEFT, numbered)
    for at_s in (20.0, 40.0):
        one.run(at_s, up=True)
        one.run(at_s + 5.0, up=False)
        one.cut_power(None)
    one.run(70.0, up=True)
    quality = analyse_record([record(one, other)], "reset").quality
    assert quality is not None
    assert not any("out of reach" in note for note in quality.notes)


def test_spoilt_pages_are_left_out_and_cost_nothing_else():
    rng = np.random.default_rng(15)

    def spoil(data: bytes) -> bytes:
        if rng.random() < 0.7:
            return data
        cut = bytearray(data)
        cut[int(rng.integers(len(cut)))] ^= 1 << int(rng.integers(8))
        return bytes(cut)

    left, right = Insole(LEFT, numbered), Insole(RIGHT, numbered)
    right.run(60.0, up=True)
    left.run(10.0, up=True)
    left.run(40.0, up=False)
    left.run(60.0, up=True, spoil=spoil)
    found = whole(record(left, right))
    frames, made = frames_of(found, LEFT), [row for _, row in sorted(left.sampled.items())]
    assert set(frames) < set(made)
    assert len(frames) > len(made) - 3000
    quality = analyse_record([record(left, right)], "spoilt").quality
    assert quality is not None
    assert quality.left.missing_samples > 100


def test_live_and_late_bytes_are_the_same():
    insole = Insole(LEFT, numbered)
    insole.run(30.0, up=True)
    packets = [decode(e.data) for e in insole.entries if e.kind is Kind.NOTIFICATION]
    live = {p.clock_us: p.counts.tobytes() for p in packets if isinstance(p, DataPacket)}
    logged: dict[int, bytes] = {}
    for data in insole.log.pages(LogRequest(0, 1, 0, 2**47)):
        assert data is not None
        page = read_page(data)
        for k in range(0, len(page), 2):
            logged[page.clock_us + k * PERIOD_US] = page.counts[k : k + 2].tobytes()
    assert len(logged) > 1400
    assert all(live[at] == rows for at, rows in logged.items())


@pytest.mark.parametrize(
    "pages_us",
    [[0] * 300, range(0, 3_000_000, 10_000), range(110_000_000, 113_000_000, 10_000)],
    ids=["one", "many", "after"],
)
def test_boots_that_come_again_and_again_do_not_multiply_the_work(pages_us, monkeypatch):
    """A record may say anything: here two boots in turn, with 300 pages before or after each."""
    looked: list[int] = []

    def counted(pages: list[LogPage], from_us: float, to_us: float) -> list[LogPage]:
        found = pages_of(pages, from_us, to_us)
        looked.append(len(found))
        return found

    pages_of = late._pages_of
    monkeypatch.setattr(late, "_pages_of", counted)
    counts = np.full((1, 18), 7, dtype=np.uint16)
    form = (LEFT, SampleFormat.PACKED12, False, False, False)
    entries = []
    for k, clock_us in enumerate(pages_us):
        log_page = LogPage(*(*form, k, 1 + k % 2, clock_us, 0, 10_000), counts=counts)
        entries.append(Entry(0, 0, Kind.LOG, log_page.encode()))
    for k in range(200):
        ns = 10**9 * (k + 1)
        log = {"boot": 1 + k % 2, "clock_us": 100_000_000, "read_ns": ns}
        entries.append(Entry(ns, 0, Kind.CONNECTED, json.dumps({"log": log}).encode()))
        packet = DataPacket(*(*form[:2], True, False, False, k, 100_000_000, 10_000), counts=counts)
        entries.append(Entry(ns, 0, Kind.NOTIFICATION, encode_data(packet)))
    batch = Batch.of(entries)
    assert len(whole(batch)) == len(batch)  # no page is of a time between
    assert len(looked) == 399  # both lines of each, and what follows the last
    assert sum(looked) <= 2 * len(looked)


def to_and_fro(jumps: int) -> tuple[list[Entry], int]:
    """A clock that goes a minute ahead and back with each packet; how many pages lie between."""
    counts = np.full((2, 18), 7, dtype=np.uint16)
    form = (LEFT, SampleFormat.PACKED12, False, False, False)
    about = {"log": {"boot": 1, "clock_us": 0, "read_ns": 10**9}}
    entries = [Entry(10**9, 0, Kind.CONNECTED, json.dumps(about).encode())]
    for k in range(jumps):
        ns, clock_us = 10**9 + k * 20_000_000, k * 20_000 + 60_000_000 * (k % 2)
        packet = DataPacket(*form, k, clock_us, 10_000, counts=counts)
        entries.append(Entry(ns, 0, Kind.NOTIFICATION, encode_data(packet)))
    pages = [
        LogPage(*(*form, k, 1, 1_000_000 + k * 40_000, 0, 10_000), counts=counts).encode()
        for k in range(100)
    ]
    return entries + [Entry(ns, 0, Kind.LOG, page) for page in pages], len(pages)


def test_a_clock_that_goes_to_and_fro_brings_no_page_twice():
    """Each time ahead seems to lack all that lies between, which the log has."""
    entries, pages = to_and_fro(100)
    batch = Batch.of(entries)
    found = whole(batch)
    assert 0 < np.count_nonzero(found.kind == Kind.LATE) <= pages


def test_of_a_clock_that_goes_to_and_fro_so_much_is_owed_and_no_more():
    entries, pages = to_and_fro(2500)
    owed: list[late.Owed] = []
    for _ in late.made_whole(lambda: [Batch.of(entries[:-pages])], owed):
        pass
    assert len(owed) == 1024
    assert owed[-1].to_us > 60_000_000 + 2490 * 20_000
