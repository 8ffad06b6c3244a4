"""The virtual insole's log without a link: how long it goes on, and how it ends.

Numbers of pages are those of `hardware_notes/wire_format.md` §8.
"""

from itertools import pairwise

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade_gateway.virtual.keeper import LogKeeper
from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.wire.log import LogPage, LogRequest, read_page
from plantigrade_gateway.wire.messages import SampleFormat

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
