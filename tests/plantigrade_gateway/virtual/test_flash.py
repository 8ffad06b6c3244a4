"""The virtual insole's log: its ring, resets and power cuts, against a list of what was sampled."""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.virtual.flash import Flash, FlashLog
from plantigrade_gateway.wire.log import SECTOR_PAGES, LogRequest, LogState, read_page
from plantigrade_gateway.wire.messages import SampleFormat

PERIOD_US = 10_000
ALL = 1 << 47


def made(pages: int = 64) -> tuple[Flash, FlashLog]:
    flash = Flash(pages)
    return flash, FlashLog(flash, Foot.LEFT, SampleFormat.PACKED12)


def rows(first: int, count: int) -> np.ndarray:
    """Rows that say their own number, twelve bits at a time."""
    number = np.arange(first, first + count)
    out = np.zeros((count, 18), dtype=np.uint16)
    out[:, 0], out[:, 1] = number & 0xFFF, number >> 12
    return out


def kept(log: FlashLog, boot: int, start_us: int = 0, stop_us: int = ALL) -> dict[int, int]:
    """What the log gives of a boot: sample numbers by long clock."""
    found: dict[int, int] = {}
    for data in log.pages(LogRequest(0, boot, start_us, stop_us)):
        if data is None:
            continue
        page = read_page(data)
        for k, row in enumerate(page.counts.tolist()):
            clock_us = page.clock_us + k * page.period_us
            assert clock_us not in found
            found[clock_us] = row[0] | row[1] << 12
    return found


def fill(log: FlashLog, first: int, count: int, step: int = 3) -> None:
    for at in range(first, first + count, step):
        part = rows(at, min(step, first + count - at))
        log.take(at * PERIOD_US, PERIOD_US, part)


def test_all_but_the_page_under_way_is_kept_in_order():
    _, log = made()
    fill(log, 0, 8 * 20 + 5)
    assert kept(log, 1) == {k * PERIOD_US: k for k in range(160)}


def test_a_power_cut_takes_the_page_under_way():
    """20 pages of 8 samples are in the flash; the 5 of the next lie in memory alone."""
    _, log = made()
    fill(log, 0, 8 * 20 + 5)
    log.cut_power()
    assert kept(log, 1) == {k * PERIOD_US: k for k in range(160)}


def test_a_range_brings_the_pages_that_touch_it():
    _, log = made()
    fill(log, 0, 400)
    found = kept(log, 1, 81 * PERIOD_US, 96 * PERIOD_US)
    assert found == {k * PERIOD_US: k for k in range(80, 96)}
    assert kept(log, 2) == {}
    assert kept(log, 1, 100 * PERIOD_US, 100 * PERIOD_US) == {}


def test_the_ring_keeps_the_newest_but_for_a_sector_and_wears_evenly():
    flash, log = made(64)
    fill(log, 0, 8 * 1000)
    found = kept(log, 1)
    newest = 8000 - 1
    assert sorted(found.values()) == list(range(newest + 1 - len(found), newest + 1))
    # page 999 lies in the sector of 992 to 1007: all of the 64 slots but what is ahead in it
    assert len(found) == 8 * (1000 - (1008 - 64))
    assert np.ptp(flash.erases) <= 1  # 1000 pages of 64: 15 turns and a part
    assert log.state(5) == LogState(True, 1, 5, 1008 - 64, 1000, 64)
    fill(log, 8000, 8 * 8)  # to the end of the sector: the next is not erased yet
    assert log.state(5) == LogState(True, 1, 5, 1008 - 64, 1008, 64)


def test_a_slot_that_was_written_anew_is_no_torn_one():
    """100 pages in a ring of 64: before page 96 the sector of 32 to 47 was erased (§8)."""
    _, log = made()
    fill(log, 0, 8 * 100)
    sent = list(log.pages(LogRequest(0, 1, 0, ALL)))
    assert None not in sent
    assert [read_page(data).page for data in sent if data is not None] == list(range(48, 100))
    assert log.state(0) == LogState(True, 1, 0, 48, 100, 64)


@pytest.mark.dear
@pytest.mark.parametrize("torn", [None, 1, 27, 28, 243])
@pytest.mark.parametrize("before", [1, 8, 8 * 15 + 3, 8 * 16 + 1, 8 * 63 + 7, 8 * 64 + 2, 8 * 130])
def test_a_power_cut_costs_the_page_under_way_and_nothing_else(before, torn):
    flash, log = made(64)
    fill(log, 0, before, step=1)
    sure_us = (before - 8 * (64 - SECTOR_PAGES)) * PERIOD_US  # an erase may take what is older
    whole = {at: k for at, k in kept(log, 1).items() if at >= sure_us}
    log.cut_power(torn)
    found = kept(log, 1)
    assert found.items() >= whole.items()  # more, where all of a short page was programmed
    assert all(k == clock_us // PERIOD_US for clock_us, k in found.items())
    assert before - max(whole.values(), default=-1) - 1 <= 8
    boots = log.boot
    fill(log, 0, 8 * 12)
    assert kept(log, boots) == {k * PERIOD_US: k for k in range(96)}
    again = FlashLog(flash, Foot.LEFT, SampleFormat.PACKED12)  # all is in the flash
    assert kept(again, boots) == kept(log, boots)
    assert again.boot == boots + 1


@pytest.mark.dear
@pytest.mark.slow
def test_hundred_cuts_at_random_cost_a_page_each_at_most():
    rng = np.random.default_rng(5)
    _, log = made(4096)
    lost = 0
    for _ in range(100):
        count = int(rng.integers(1, 200))
        boot = log.boot
        fill(log, 0, count, step=1)
        log.cut_power(int(rng.integers(0, 244)) if rng.random() < 0.5 else None)
        found = kept(log, boot) if log.boot != boot else {}
        assert list(found.values()) == list(range(len(found)))
        assert count - len(found) <= 8
        lost += count - len(found)
    assert lost > 0


def test_a_log_that_was_stopped_does_not_go_on_after_a_reset():
    flash, log = made()
    fill(log, 0, 21)
    assert FlashLog(flash, Foot.LEFT, SampleFormat.PACKED12).resumes == PERIOD_US
    log.stop()
    after = FlashLog(flash, Foot.LEFT, SampleFormat.PACKED12)
    assert after.resumes is None
    assert len(kept(after, 1)) == 21


@pytest.mark.parametrize(
    ("late_us", "dropped", "sample"),
    [
        *((1, False, 5), (5_000, False, 5), (5_001, True, 6), (14_999, True, 6)),
        *((15_001, True, 7), (30_000, True, 8), (-10_000, False, 5)),
    ],
)
def test_a_missed_sample_closes_the_page_and_is_said(late_us, dropped, sample):
    """More than half a period late is a sample late; a clock that goes back has missed none."""
    _, log = made()
    log.take(0, PERIOD_US, rows(0, 5))
    log.take(5 * PERIOD_US + late_us, PERIOD_US, rows(8, 8))
    pages = [read_page(data) for data in log.pages(LogRequest(0, 1, 0, ALL)) if data]
    assert [(len(p), p.dropped, p.sample, p.first) for p in pages] == [
        (5, False, 0, True),
        (8, dropped, sample, False),
    ]
    assert [p.clock_us for p in pages] == [0, 50_000 + late_us]


def test_another_period_begins_another_page():
    _, log = made()
    log.take(0, PERIOD_US, rows(0, 5))
    log.take(5 * PERIOD_US, 2 * PERIOD_US, rows(5, 8))
    pages = [read_page(data) for data in log.pages(LogRequest(0, 1, 0, ALL)) if data]
    assert [(len(p), p.period_us, p.dropped) for p in pages] == [
        (5, PERIOD_US, False),
        (8, 2 * PERIOD_US, False),
    ]


def test_only_as_many_pages_are_sent_as_are_asked_for_and_torn_ones_are_passed_over():
    """Page 2 was torn; of the next boot pages 3 to 5 are full."""
    _, log = made()
    fill(log, 0, 8 * 2 + 3)
    log.cut_power(100)
    assert (log.boot, log.next, log.is_filling, log.logging) == (2, 3, False, False)
    fill(log, 0, 8 * 3 + 1)
    assert log.is_filling and log.logging

    def sent(boot: int, most: int) -> list[int | None]:
        found = log.pages(LogRequest(0, boot, 0, ALL, most))
        return [None if data is None else read_page(data).page for data in found]

    assert sent(1, 0) == [0, 1]
    assert [sent(2, most) for most in range(5)] == [
        [None, 3, 4, 5],
        [None, 3],
        [None, 3, 4],
        [None, 3, 4, 5],
        [None, 3, 4, 5],
    ]
    assert list(log.pages(LogRequest(0, 2, 5, 5))) == []
    log.stop()
    assert not log.is_filling and not log.logging
    assert sent(2, 0) == [None, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("from_us", "to_us", "pages"),
    [
        *((70_000, 80_000, [0]), (70_001, 80_000, []), (70_001, 80_001, [1])),
        *((0, 1, [0]), (150_000, ALL, [1]), (150_001, ALL, [])),
    ],
)
def test_a_range_has_its_first_moment_and_not_its_last(from_us, to_us, pages):
    """Page 0 has the frames of 0 to 70 ms, page 1 those of 80 to 150 ms."""
    _, log = made()
    fill(log, 0, 16)
    found = log.pages(LogRequest(0, 1, from_us, to_us))
    assert [read_page(data).page for data in found if data] == pages


def test_programming_twice_only_clears_bits():
    flash = Flash(16)
    flash.program(3, b"\xf0\x0f")
    flash.program(3, b"\x3c\xff")
    assert flash.read(3)[:3] == b"\x30\x0f\xff"
    flash.erase(0)
    assert flash.is_erased(3)
