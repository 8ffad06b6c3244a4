"""Single messages: the known answers, every refusal, and round trips."""

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.vectors import by_name, read_vectors

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.codec import MessageKind, decode, encode, message_kind
from plantigrade_gateway.wire.messages import (
    MAX_MESSAGE_BYTES,
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    SampleFormat,
    Start,
    Stop,
    Time,
    frame_bytes,
    max_frames,
)

VECTORS = Path(__file__).resolve().parents[3] / "hardware_notes" / "wire_vectors.txt"
FORMATS = {"u16": SampleFormat.U16, "packed12": SampleFormat.PACKED12}


def message_of(block: dict[str, str]) -> Message:
    """Make the message a vector describes from its fields alone."""
    number = {k: int(v) for k, v in block.items() if v.isdigit()}
    match block["kind"]:
        case "data":
            counts = [[int(c) for c in frame.split()] for frame in block["counts"].split("/")]
            return DataPacket(
                Foot(block["foot"]),
                FORMATS[block["sample_format"]],
                bool(number["first"]),
                bool(number["dropped"]),
                bool(number["battery_low"]),
                number["counter"],
                number["clock_us"],
                number["period_us"],
                np.array(counts, dtype=np.uint16),
            )
        case "start":
            return Start(number["token"])
        case "stop":
            return Stop(number["token"])
        case "rate":
            return Rate(number["token"], number["period_us"])
        case "frames":
            return Frames(number["token"], number["frames"])
        case "identify":
            return Identify(number["token"], number["show_s"])
        case "time":
            return Time(number["token"])
        case "clock":
            return Clock(number["token"], number["clock_us"])
        case "ack":
            return Ack(number["token"], number["request"], AckStatus(number["status"]))
        case "identity":
            return Identity(
                number["token"],
                Foot(block["foot"]),
                FORMATS[block["sample_format"]],
                number["zones"],
                number["frames"],
                number["period_us"],
                number["battery_percent"],
                bool(number["streaming"]),
                number["firmware"],
                number["serial"],
            )
    raise AssertionError(f"{VECTORS.name}: {block['name']}: kind {block['kind']!r} is not known")


def assert_same(one: Message, other: Message) -> None:
    assert type(one) is type(other)
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray):
            assert a.dtype == b.dtype == np.uint16
            assert np.array_equal(a, b)
        else:
            assert a == b


BLOCKS = read_vectors(VECTORS)
GOOD = [block for block in BLOCKS if "kind" in block]
BAD = [block for block in BLOCKS if "error" in block]
ANSWERS = [block for block in BLOCKS if "answer" in block]
"""What an insole answers (wire format §4), asked when its clock reads `ANSWERS_CLOCK_US`."""
ANSWERS_CLOCK_US = 16_909_060


@pytest.mark.parametrize("block", GOOD, ids=by_name)
def test_known_answer_is_decoded_and_encoded(block):
    data, message = bytes.fromhex(block["hex"]), message_of(block)
    assert_same(decode(data), message)
    assert encode(message) == data
    if isinstance(message, DataPacket):
        assert message.counts.shape == (int(block["frames"]), int(block["zones"]))


@pytest.mark.parametrize("block", BAD, ids=by_name)
def test_wrong_message_is_refused_with_its_reason(block):
    with pytest.raises(WireError) as caught:
        decode(bytes.fromhex(block["hex"]))
    assert caught.value.reason == block["error"]
    assert "expected" in str(caught.value)


def test_every_block_of_the_vectors_is_of_one_of_the_three_sorts():
    assert len(GOOD) + len(BAD) + len(ANSWERS) == len(BLOCKS)
    names = [block["name"] for block in BLOCKS]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("block", ANSWERS, ids=by_name)
def test_answers_are_right_messages_with_the_requests_token(block):
    answer = bytes.fromhex(block["answer"])
    if not answer:
        return
    said, asked = decode(answer), bytes.fromhex(block["hex"])
    assert isinstance(said, Ack | Identity | Clock)
    assert said.token == asked[2]
    assert not isinstance(said, Ack) or said.request == asked[1]
    assert not isinstance(said, Clock) or said.clock_us == ANSWERS_CLOCK_US


def test_answers_cover_every_status_every_request_and_none():
    said = [decode(bytes.fromhex(b["answer"])) for b in ANSWERS if b["answer"]]
    assert {type(message) for message in said} == {Ack, Identity, Clock}
    assert {message.status for message in said if isinstance(message, Ack)} == set(AckStatus)
    refused = {
        message.request
        for message in said
        if isinstance(message, Ack) and message.status is AckStatus.VALUE_NOT_POSSIBLE
    }
    assert refused == {k for k in MessageKind if MessageKind.START <= k <= MessageKind.TIME}
    assert len(said) < len(ANSWERS)


def test_vectors_cover_every_kind_and_every_reason():
    kinds = {block["kind"] for block in GOOD}
    assert kinds == {kind.name.lower() for kind in MessageKind}
    of_log_pages = {WireReason.CRC}  # `log_vectors.txt`
    assert {block["error"] for block in BAD} == set(WireReason) - of_log_pages


@pytest.mark.parametrize("block", GOOD, ids=by_name)
def test_every_cut_and_every_extra_byte_is_refused(block):
    data = bytes.fromhex(block["hex"])
    for n in range(len(data)):
        with pytest.raises(WireError) as caught:
            decode(data[:n])
        assert caught.value.reason is WireReason.TRUNCATED
    with pytest.raises(WireError) as caught:
        decode(data + b"\0")
    assert caught.value.reason in (WireReason.EXCESS, WireReason.OVERSIZED)


def test_what_is_longer_than_a_message_is_refused_before_it_is_looked_into():
    """244 bytes (`wire_format.md` §1); work on live packets reads no further than the header."""
    data = bytes.fromhex(next(b["hex"] for b in BAD if b["error"] == "oversized"))
    assert message_kind(data, 0, 244) is MessageKind.DATA
    with pytest.raises(WireError) as caught:
        message_kind(data, 0, 245)
    assert caught.value.reason is WireReason.OVERSIZED


def test_a_header_alone_is_refused_for_what_it_says():
    """It is whole: that no frame follows is told by its count of frames."""
    data = bytes.fromhex("01 01 00 00 09 00 00 00 00 00 00 00 10 27 12 00")
    for length, reason in ((15, WireReason.TRUNCATED), (16, WireReason.FRAMES)):
        with pytest.raises(WireError) as caught:
            decode(data[:length])
        assert caught.value.reason is reason


def test_unused_bits_of_an_odd_frame_are_not_looked_at():
    data = bytearray.fromhex(next(b["hex"] for b in GOOD if b["name"] == "data_packed12_odd_zones"))
    clean = decode(bytes(data))
    data[20] |= 0xF0
    assert_same(decode(bytes(data)), clean)


def test_sizes_of_the_eighteen_zone_packet():
    assert frame_bytes(18, SampleFormat.U16) == 36
    assert frame_bytes(18, SampleFormat.PACKED12) == 27
    assert max_frames(18, SampleFormat.U16) == 6
    assert max_frames(18, SampleFormat.PACKED12) == 8


def packet(**changes: object) -> DataPacket:
    fields: dict[str, object] = {
        "foot": Foot.LEFT,
        "sample_format": SampleFormat.U16,
        "first": False,
        "dropped": False,
        "battery_low": False,
        "counter": 1,
        "clock_us": 2,
        "period_us": 10000,
        "counts": np.ones((2, 18), dtype=np.uint16),
    }
    return DataPacket(**(fields | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda: packet(period_us=999), WireReason.PERIOD),
        (lambda: packet(period_us=65536), WireReason.PERIOD),
        (lambda: packet(counts=np.ones((1, 0), np.uint16)), WireReason.ZONES),
        (lambda: packet(counts=np.ones((1, 65), np.uint16)), WireReason.ZONES),
        (lambda: packet(counts=np.ones((0, 18), np.uint16)), WireReason.FRAMES),
        (lambda: packet(counts=np.ones((7, 18), np.uint16)), WireReason.OVERSIZED),
        (lambda: packet(counter=2**32), WireReason.VALUE),
        (lambda: packet(counter=-1), WireReason.VALUE),
        (lambda: packet(clock_us=2**32), WireReason.VALUE),
        (
            lambda: packet(
                sample_format=SampleFormat.PACKED12, counts=np.full((1, 18), 4096, np.uint16)
            ),
            WireReason.VALUE,
        ),
        (lambda: Start(256), WireReason.VALUE),
        (lambda: Stop(-1), WireReason.VALUE),
        (lambda: Rate(0, 999), WireReason.PERIOD),
        (lambda: Frames(0, 0), WireReason.FRAMES),
        (lambda: Frames(0, 256), WireReason.VALUE),
        (lambda: Identify(0, 256), WireReason.VALUE),
        (lambda: Ack(0, 256, AckStatus.DONE), WireReason.VALUE),
    ],
)
def test_message_that_has_no_bytes_cannot_be_made(make, reason):
    with pytest.raises(WireError) as caught:
        make()
    assert caught.value.reason is reason


IDENTITY = Identity(0, Foot.LEFT, SampleFormat.U16, 18, 2, 10_000, 50, True, 256, 7)
LARGEST: list[tuple[Message, dict[str, int]]] = [
    (Start(0), {"token": 255}),
    (Stop(0), {"token": 255}),
    (Rate(0, 10_000), {"token": 255, "period_us": 65_535}),
    (Frames(0, 2), {"token": 255, "frames": 255}),
    (Identify(0, 0), {"token": 255, "show_s": 255}),
    (Time(0), {"token": 255}),
    (Clock(0, 0), {"token": 255, "clock_us": 2**32 - 1}),
    (Ack(0, 0x10, AckStatus.DONE), {"token": 255, "request": 255}),
    (IDENTITY, {"token": 255, "zones": 64, "frames": 255, "period_us": 65_535}),
    (IDENTITY, {"battery_percent": 100, "firmware": 2**16 - 1, "serial": 2**32 - 1}),
]
"""Fields of one byte, two and four (`wire_format.md` §4); 255 % is a battery nobody knows of."""


@pytest.mark.parametrize(
    ("message", "name", "most"),
    [(message, name, most) for message, fields in LARGEST for name, most in fields.items()],
)
def test_a_field_goes_up_to_what_its_bytes_hold_and_no_further(message, name, most):
    change: dict[str, Any] = {name: most}
    full = dataclasses.replace(message, **change)
    assert_same(decode(encode(full)), full)
    for wrong in (most + 1, -1):
        change[name] = wrong
        with pytest.raises(WireError):
            dataclasses.replace(message, **change)


u8 = st.integers(0, 0xFF)
u32 = st.integers(0, 0xFFFFFFFF)
feet = st.sampled_from(Foot)
periods = st.integers(1000, 65535)


@st.composite
def data_packets(draw: st.DrawFn) -> DataPacket:
    sample_format = draw(st.sampled_from(SampleFormat))
    zones = draw(st.integers(1, 64))
    frames = draw(st.integers(1, max_frames(zones, sample_format)))
    top = 4095 if sample_format is SampleFormat.PACKED12 else 65535
    counts = draw(st.lists(st.integers(0, top), min_size=frames * zones, max_size=frames * zones))
    return DataPacket(
        draw(feet),
        sample_format,
        draw(st.booleans()),
        draw(st.booleans()),
        draw(st.booleans()),
        draw(u32),
        draw(u32),
        draw(periods),
        np.array(counts, dtype=np.uint16).reshape(frames, zones),
    )


messages = st.one_of(
    data_packets(),
    st.builds(Start, u8),
    st.builds(Stop, u8),
    st.builds(Rate, u8, periods),
    st.builds(Frames, u8, st.integers(1, 255)),
    st.builds(Identify, u8, u8),
    st.builds(Time, u8),
    st.builds(Clock, u8, u32),
    st.builds(Ack, u8, u8, st.sampled_from(AckStatus)),
    st.builds(
        Identity,
        u8,
        feet,
        st.sampled_from(SampleFormat),
        st.integers(1, 64),
        st.integers(1, 255),
        periods,
        st.one_of(st.integers(0, 100), st.just(255)),
        st.booleans(),
        st.integers(0, 0xFFFF),
        u32,
    ),
)


@given(messages)
def test_round_trip(message):
    data = encode(message)
    assert len(data) <= MAX_MESSAGE_BYTES
    assert_same(decode(data), message)


@given(st.binary(max_size=260))
def test_any_bytes_are_a_message_or_refused(data):
    try:
        message = decode(data)
    except WireError:
        return
    again = encode(message)
    assert_same(decode(again), message)


@given(messages, st.data())
def test_any_mutation_is_a_message_or_refused(message, draw):
    data = bytearray(encode(message))
    for _ in range(draw.draw(st.integers(1, 4))):
        data[draw.draw(st.integers(0, len(data) - 1))] = draw.draw(u8)
    data = data[: draw.draw(st.integers(0, len(data)))] + draw.draw(st.binary(max_size=4))
    try:
        decode(bytes(data))
    except WireError as error:
        assert error.reason in WireReason
