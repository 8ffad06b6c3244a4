"""The virtual insole's log without a link: how long it goes on, and how it ends.

Numbers of pages are those of `hardware_notes/wire_format.md` §8.
"""

from itertools import pairwise

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.virtual.keeper import LogKeeper
from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.wire.log import LogEnd, LogPage, LogRequest, read_page
from plantigrade_gateway.wire.messages import AckStatus, SampleFormat

PERIOD_US = 10_000
HOUR_US = 3_600_000_000
PAGES, SURE = 128, 96  # N, and N - 32
PAGE_FRAMES = 8  # of eighteen zones, packed


def keeper_of(zones: int = 18, form: SampleFormat = SampleFormat.PACKED12) -> LogKeeper:
    """A keeper whose insole reads its own time, in samples."""

    def counts(own_us: np.ndarray) -> np.ndarray:
        return np.repeat((own_us // PERIOD_US & 0xFFF).astype(np.uint16)[:, None], zones, axis=1)

    settings = DeviceSettings(Foot.LEFT, 1, sample_format=form, log_pages=PAGES)
    return LogKeeper(settings, counts)


def stream(keeper: LogKeeper, frames: int) -> None:
    """Stream frames from where it is, as packets of one."""
    for _ in range(frames):
        own_us = np.array([keeper.sampled_us])
        keeper.stream(own_us, PERIOD_US, keeper._counts_at(own_us))


def pages_of(keeper: LogKeeper, boot: int = 1) -> list[LogPage]:
    sent = keeper.log.pages(LogRequest(0, boot, 0, 1 << 47))
    return [read_page(data) for data in sent if data is not None]


@pytest.mark.parametrize("step_us", [PERIOD_US, 777_777, HOUR_US])
def test_without_a_link_it_writes_all_pages_but_32_and_keeps_each(step_us):
    """However seldom it is asked: what it samples without a link is made then."""
    keeper = keeper_of()
    stream(keeper, 50 * PAGE_FRAMES + 3)
    keeper.link_lost()
    lost_us = keeper.sampled_us
    at_us = lost_us
    while keeper.log.logging:
        at_us += step_us
        keeper.sample(at_us)
    pages = pages_of(keeper)
    assert keeper.log.next == pytest.approx(50 + SURE, abs=1)
    assert pages[0].clock_us <= lost_us
    assert all(a.end_us == b.clock_us for a, b in pairwise(pages))
    assert [page.last for page in pages] == [False] * (len(pages) - 1) + [True]
    keeper.reset(None)
    assert not keeper.log.logging


def test_with_a_link_it_goes_round_and_round():
    keeper = keeper_of()
    stream(keeper, 3 * PAGES * PAGE_FRAMES)
    assert keeper.log.logging
    assert keeper.log.next == 3 * PAGES


def test_after_a_reset_without_a_link_it_goes_on_as_long_again():
    """By what the reset left: not by when the link was lost before it, nor for ever."""
    keeper = keeper_of()
    stream(keeper, 5 * PAGE_FRAMES)
    keeper.link_lost()
    keeper.sample(keeper.sampled_us + 40 * PAGE_FRAMES * PERIOD_US)
    keeper.reset(None)
    first = keeper.log.next
    keeper.sample(HOUR_US)
    assert not keeper.log.logging
    assert keeper.log.next == pytest.approx(first + SURE, abs=1)
    pages = pages_of(keeper, boot=2)
    assert (pages[0].clock_us, pages[0].page) == (0, first)


def test_where_one_frame_fills_a_page_the_last_one_says_so_too():
    """Of 64 zones in 16 bits a frame is 128 bytes, and a page has room for 216."""
    keeper = keeper_of(zones=64, form=SampleFormat.U16)
    stream(keeper, 3)
    keeper.stop()
    pages = pages_of(keeper)
    assert [len(page) for page in pages] == [1, 1, 1, 1]
    assert [page.last for page in pages] == [False, False, False, True]
    assert not keeper.log.logging


@pytest.mark.parametrize(("frames", "pages"), [(5, [5]), (8, [8, 1]), (11, [8, 3])])
def test_logging_ends_with_the_page_under_way_or_with_a_frame_more(frames, pages):
    """The last page says so: where none is under way, one more frame makes one."""
    keeper = keeper_of()
    stream(keeper, frames)
    keeper.stop()
    assert [len(page) for page in pages_of(keeper)] == pages
    keeper.stop()  # nothing is under way any more
    assert [len(page) for page in pages_of(keeper)] == pages
    assert not keeper.log.logging


@pytest.mark.parametrize(
    ("now_us", "sampled_us"),
    [(29_999, 30_000), (30_000, 40_000), (39_999, 40_000), (75_000, 80_000), (80_000, 90_000)],
)
def test_without_a_stream_it_has_sampled_up_to_now(now_us, sampled_us):
    keeper = keeper_of()
    stream(keeper, 3)
    keeper.sample(now_us)
    assert keeper.sampled_us == sampled_us


def test_a_clock_that_ran_before_is_the_log_s_until_a_reset():
    keeper = LogKeeper(
        DeviceSettings(Foot.LEFT, 1, clock_us=5_000_000, log_pages=PAGES),
        lambda own_us: np.zeros((len(own_us), 18), dtype=np.uint16),
    )
    stream(keeper, PAGE_FRAMES)
    assert [page.clock_us for page in pages_of(keeper)] == [5_000_000]
    keeper.reset(None)
    keeper.sample(PAGE_FRAMES * PERIOD_US)
    assert [page.clock_us for page in pages_of(keeper, boot=2)] == [0]


ASKED = LogRequest(7, 1, 0, 10_000).encode()


@pytest.mark.parametrize(
    ("data", "fits", "answer"),
    [
        (ASKED, True, LogRequest(7, 1, 0, 10_000)),
        (ASKED, False, LogEnd(7, AckStatus.NOT_NOW)),
        (ASKED[:1] + bytes([ASKED[1] + 1]) + ASKED[2:], True, LogEnd(7, AckStatus.UNKNOWN_REQUEST)),
        (ASKED[:3], True, LogEnd(7, AckStatus.VALUE_NOT_POSSIBLE)),
        (ASKED[:2], True, None),
        (bytes([ASKED[0] + 1]) + ASKED[1:], True, None),
        (ASKED + bytes(244 - len(ASKED)), True, LogEnd(7, AckStatus.VALUE_NOT_POSSIBLE)),
        (ASKED + bytes(245 - len(ASKED)), True, None),
    ],
)
def test_what_a_host_writes_is_answered_or_is_no_request(data, fits, answer):
    """Of at most 244 bytes, the third its token (`wire_format.md` §8)."""
    assert keeper_of().asked(data, fits) == answer
