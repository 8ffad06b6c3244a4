"""The log's messages: known answers, refusals, hostile bytes.

The vectors are printed by `hardware_notes/log_vectors.py`, by the tables of the page alone.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.vectors import by_name, read_vectors

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.log import (
    LogEnd,
    LogPage,
    LogRequest,
    LogState,
    boots_between,
    long_clock,
    page_frames,
    read_end,
    read_page,
    read_request,
    read_state,
)
from plantigrade_gateway.wire.messages import AckStatus, SampleFormat

BLOCKS = read_vectors(Path(__file__).resolve().parents[3] / "hardware_notes" / "log_vectors.txt")
GOOD = [block for block in BLOCKS if "error" not in block]
BAD = [block for block in BLOCKS if "error" in block]
READ: dict[str, Callable[[bytes], LogPage | LogState | LogRequest | LogEnd]] = {
    "log_page": read_page,
    "log_state": read_state,
    "log_request": read_request,
    "log_end": read_end,
}
FORMATS = {"u16": SampleFormat.U16, "packed12": SampleFormat.PACKED12}


def message_of(block: dict[str, str]) -> LogPage | LogState | LogRequest | LogEnd:
    def number(*names: str) -> list[int]:
        return [int(block[name]) for name in names]

    if block["kind"] == "log_state":
        logging, *rest = number("logging", "boot", "clock", "oldest", "next", "pages")
        return LogState(bool(logging), *rest)
    if block["kind"] == "log_request":
        return LogRequest(*number("token", "boot", "from", "to", "pages"))
    if block["kind"] == "log_end":
        token, status, sent, torn = number("token", "status", "sent", "torn")
        return LogEnd(token, AckStatus(status), sent, torn)
    first, dropped, last = (bool(flag) for flag in number("first", "dropped", "last"))
    rows = [[int(word) for word in row.split()] for row in block["counts"].split("/")]
    counts = np.array(rows, dtype=np.uint16)
    assert counts.shape == tuple(number("frames", "zones"))
    page, boot, clock_us, sample, period_us = number("page", "boot", "clock", "sample", "period_us")
    return LogPage(
        foot=Foot(block["foot"]),
        sample_format=FORMATS[block["sample_format"]],
        first=first,
        dropped=dropped,
        last=last,
        page=page,
        boot=boot,
        clock_us=clock_us,
        sample=sample,
        period_us=period_us,
        counts=counts,
    )


@pytest.mark.parametrize("block", GOOD, ids=by_name)
def test_known_answers_are_written(block):
    assert message_of(block).encode() == bytes.fromhex(block["hex"])


@pytest.mark.parametrize("block", GOOD, ids=by_name)
def test_known_answers_are_read(block):
    read, expected = READ[block["kind"]](bytes.fromhex(block["hex"])), message_of(block)
    if isinstance(expected, LogPage):
        assert isinstance(read, LogPage)
        np.testing.assert_array_equal(read.counts, expected.counts)
        names = set(LogPage.__slots__) - {"counts"}
        assert {n: getattr(read, n) for n in names} == {n: getattr(expected, n) for n in names}
    else:
        assert read == expected


@pytest.mark.parametrize("block", BAD, ids=by_name)
def test_wrong_ones_are_refused_for_their_reason(block):
    with pytest.raises(WireError) as caught:
        READ[block["kind"]](bytes.fromhex(block["hex"]))
    assert caught.value.reason == block["error"]


@pytest.mark.parametrize("block", [b for b in GOOD if b["kind"] == "log_page"], ids=by_name)
def test_every_changed_bit_of_a_page_is_seen(block):
    """A CRC-32 sees each single wrong bit (its published property)."""
    data = bytearray.fromhex(block["hex"])
    for bit in range(8 * len(data)):
        data[bit >> 3] ^= 1 << (bit & 7)
        with pytest.raises(WireError):
            read_page(bytes(data))
        data[bit >> 3] ^= 1 << (bit & 7)


@given(st.binary(max_size=260), st.sampled_from(sorted(READ)))
def test_whatever_the_bytes_nothing_else_is_raised(data, kind):
    try:
        message = READ[kind](data)
    except WireError:
        return
    assert message.encode() == data


def test_a_page_cut_off_in_its_head_is_refused_as_that():
    """28 bytes come before the frames (`wire_format.md` §8)."""
    block = next(b for b in GOOD if b["kind"] == "log_page")
    for length in (3, 27, 28):
        with pytest.raises(WireError) as caught:
            read_page(bytes.fromhex(block["hex"])[:length])
        assert caught.value.reason is WireReason.TRUNCATED


def test_a_log_may_be_full_and_holds_no_more_than_its_pages():
    full = LogState(True, 7, 5_000_000, 2**32 - 10, 54, 64)
    assert read_state(full.encode()) == full
    with pytest.raises(WireError, match="65 pages kept of 64"):
        read_state(replace(full, next=55).encode())


def test_eighteen_zones_fill_a_page_as_the_table_says():
    assert page_frames(18, SampleFormat.PACKED12) == 8
    assert page_frames(18, SampleFormat.U16) == 6
    assert page_frames(64, SampleFormat.U16) == 1


@given(st.integers(0, 2**40), st.integers(-(2**31) + 1, 2**31 - 1))
def test_a_long_clock_is_the_nearest_with_its_bits(near_us, ahead_us):
    true_us = near_us + ahead_us
    if true_us >= 0:
        assert long_clock(true_us % 2**32, near_us) == true_us
    else:
        assert long_clock(true_us % 2**32, near_us) == true_us + 2**32


@pytest.mark.parametrize(
    ("before", "after", "between"),
    [
        (1, 2, 0),
        (1, 4, 2),
        (65_535, 1, 0),
        (65_534, 2, 2),
        (500, 1, 0),
        (1, 1002, 1000),
        (1, 1003, 0),
    ],
)
def test_boots_between_two_go_round_and_another_chip_is_not_counted(before, after, between):
    """`wire_format.md` §8: one more with each reset, after 65535 comes 1."""
    assert boots_between(before, after) == between
