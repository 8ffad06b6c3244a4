"""The firmware's application with a log, on the make-believe board: what a lost link costs.

What must come is said by `wire_format.md` §8 and `gatt_profile.md` §11.
"""

from functools import partial
from itertools import pairwise

import pytest
from tests.plantigrade_gateway.wire.test_firmware_app import LOG, Board, Told, link, played, write
from tests.support.firmware import BOARD, LOGGING, SANITIZED, build, toolchain

from plantigrade_gateway.wire.log import (
    LONG_CLOCK,
    LogEnd,
    LogPage,
    LogRequest,
    LogState,
    is_end,
    read_end,
    read_page,
    read_state,
)
from plantigrade_gateway.wire.messages import AckStatus, Start, Stop

pytestmark = pytest.mark.dear

__all__ = ["toolchain"]

BEGIN = ["0 new_chip", "0 reset 0"]
EVER = LONG_CLOCK - 1


@pytest.fixture(scope="module")
def board(toolchain, tmp_path_factory) -> Board:
    folder = tmp_path_factory.mktemp("board")
    program = build(folder, "board", *SANITIZED, "-DPG_APP_LOG=1", BOARD, sources=LOGGING)
    return partial(played, program)


def connected(at_ms: int, mtu: int = 247) -> list[str]:
    return [*link(at_ms, mtu=mtu), f"{at_ms + 3} subscribe {LOG} 1"]


def ask(at_ms: int, boot: int, start: int = 0, stop: int = EVER) -> str:
    return f"{at_ms} log_write {LogRequest(5, boot, start, stop).encode().hex()}"


def pages(told: Told) -> list[LogPage]:
    return [read_page(line.data) for line in told.of("log") if not is_end(line.data)]


def ends(told: Told) -> list[LogEnd]:
    return [read_end(line.data) for line in told.of("log") if is_end(line.data)]


def states(told: Told) -> list[LogState]:
    return [read_state(line.data) for line in told.of("log_state")]


def logged(told: Told) -> dict[int, list[int]]:
    """Counts by long clock, of all pages that came; none twice."""
    found: dict[int, list[int]] = {}
    for page in pages(told):
        for k, row in enumerate(page.counts.tolist()):
            assert page.clock_us + k * page.period_us not in found
            found[page.clock_us + k * page.period_us] = row
    return found


def streamed(told: Told) -> dict[int, list[int]]:
    return {
        packet.clock_us + k * packet.period_us: row
        for packet in told.packets()
        for k, row in enumerate(packet.counts.tolist())
    }


@pytest.mark.slow
def test_what_a_lost_link_hid_is_read_behind_the_next_stream(board):
    """Half a minute away: with stream and log together no sample of the whole time is missing."""
    script = [*BEGIN, *connected(10), write(20, Start(1)), "10000 drop", *connected(40_000)]
    script += ["40010 log_state", write(40_020, Start(2)), ask(41_000, 1), "60000 nothing"]
    told = board(script)
    live, log = streamed(told), logged(told)
    assert all(log[clock] == row for clock, row in live.items() if clock in log)  # bit for bit
    clocks = sorted(live.keys() | log.keys())
    assert {b - a for a, b in pairwise(clocks)} == {10_000}
    assert len(clocks) > 5900
    assert sum(10_100_000 < clock < 39_900_000 for clock in live) == 0
    assert ends(told) == [LogEnd(5, AckStatus.DONE, len(pages(told)), 0)]
    (state,) = states(told)
    assert (
        state.logging and state.boot == 1 and state.clock_us == pytest.approx(40_010_000, abs=500)
    )
    assert not [p for p in told.packets() if p.dropped]  # the live stream came first


def test_no_more_than_two_pages_leave_in_a_connection_event(board):
    script = [*BEGIN, *connected(10), write(20, Start(1)), "8000 drop", *connected(9000)]
    told = board([*script, write(9020, Start(2)), ask(9500, 1), "14000 nothing"])
    came = [line.ms for line in told.of("log")]
    assert len(came) > 50
    for first, third in zip(came, came[2:], strict=False):
        assert third - first >= 15 - 1  # ms, of whole ones
    assert not [p for p in told.packets() if p.dropped]


def test_after_a_reset_it_goes_on_by_itself_and_after_a_stop_it_does_not(board):
    script = [*BEGIN, *connected(10), write(20, Start(1)), "3000 drop", "6000 reset 0"]
    script += ["9000 log_state", *connected(9100), ask(9200, 1), ask(12_000, 2), "15000 nothing"]
    told = board(script)
    (state,) = states(told)
    assert (state.logging, state.boot) == (True, 2)
    first = [p for p in pages(told) if p.boot == 1]
    second = [p for p in pages(told) if p.boot == 2]
    assert first[-1].end_us == pytest.approx(6_000_000, abs=2 * 8 * 10_000)
    assert second[0].first and second[-1].end_us > 11_000_000
    assert [end.status for end in ends(told)] == [AckStatus.DONE] * 2
    told = board(
        [
            *BEGIN,
            *connected(10),
            write(20, Start(1)),
            write(3000, Stop(2)),
            "3500 log_state",
            "4000 reset 0",
            "9000 log_state",
        ]
    )
    assert [s.logging for s in states(told)] == [False, False]
    assert told.when("cells")[-1][1] == "0"


def test_the_last_page_says_that_it_was_ended_on_purpose(board):
    """At any place in a page, an empty one too: then a frame more is sampled."""
    for at_ms in range(1000, 1090, 10):
        script = [*BEGIN, *connected(10), write(20, Start(1)), write(at_ms, Stop(2))]
        told = board([*script, ask(2000, 1), "3000 log_state", "3001 nothing"])
        assert [p.last for p in pages(told)] == [False] * (len(pages(told)) - 1) + [True]
        assert not states(told)[0].logging


def test_on_the_charger_logging_ends_and_it_does_not_go_on_after(board):
    script = [*BEGIN, *connected(10), write(20, Start(1)), "2000 drop", "5000 charger 1"]
    told = board([*script, "6000 log_state", "7000 reset 0", "8000 log_state"])
    assert [s.logging for s in states(told)] == [False, False]
    assert told.when("cells")[-1][1] == "0"


def test_writes_that_may_not_be(board):
    """§11: without a subscription an error, on a small link "not now"."""
    told = board([*BEGIN, *link(10), ask(100, 1), "200 nothing"])
    assert [code for _, code in told.when("refused")] == ["fd"]
    told = board([*BEGIN, *connected(10, mtu=246), ask(100, 1), "200 nothing"])
    assert ends(told) == [LogEnd(5, AckStatus.NOT_NOW, 0, 0)]


def test_a_request_dies_with_its_link(board):
    script = [*BEGIN, *connected(10), write(20, Start(1)), ask(9000, 1), "9050 drop"]
    told = board([*script, *connected(9100), "12000 nothing"])
    assert not ends(told)
    assert all(line.ms <= 9050 for line in told.of("log"))
