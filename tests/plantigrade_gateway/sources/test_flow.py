"""What a link carries: a silence, and more than can be meant."""

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.sources.flow import FLOOD, QUEUE_S, Flow
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import Identify

# Version 1, kind data, left as u16, counter and clock 0, 10 ms, one frame of 18 zones
# (`hardware_notes/wire_format.md` §3).
DATA = b"\x01\x01" + bytes(10) + b"\x10\x27\x12\x01" + bytes(36)


def at(data: bytes, place: int, value: int) -> bytes:
    return data[:place] + bytes([value]) + data[place + 1 :]


NONE = (b"", b"\x01", b"\x02\x01" + bytes(14), DATA[:-1], at(DATA, 15, 0), encode(Identify(1, 0)))


def flow_at(now_s: float) -> Flow:
    return Flow(now_s, Foot.LEFT, 18)


def after(per_s: float, seconds: int, packet_s: float | None = 0.02) -> list[bool]:
    """Whether a link that carries so much was called a flood, second by second."""
    flow = flow_at(0.0)
    flow.expect(packet_s)
    found = [flow.flood(0.0) is not None]
    for second in range(1, seconds + 1):
        for _ in range(int(per_s)):
            flow.note(DATA, float(second))
        found.append(flow.flood(float(second)) is not None)
    return found


@pytest.mark.dear
def test_what_was_asked_for_is_never_a_flood():
    assert not any(after(50.0, 3600))
    assert not any(after(50.0 * FLOOD, 600))


@pytest.mark.dear
def test_a_flood_is_one_within_seconds_however_long_all_was_well():
    """A Bluetooth link carries some thousand packets a second: here 1000, where 50 are meant."""
    assert after(1000.0, 2).index(True) == 1
    flow = flow_at(0.0)
    flow.expect(0.02)
    flow.flood(0.0)
    for second in range(1, 3601):
        for _ in range(50 if second <= 3598 else 1000):
            flow.note(DATA, float(second))
        said = flow.flood(float(second))
        assert (said is not None) == (second >= 3599)
    assert said == "sends 1000 notifications a second, expected 50"


def test_what_was_held_back_may_come_at_once():
    for seconds, floods in ((QUEUE_S, False), (2.0 * QUEUE_S, True)):
        flow = flow_at(0.0)
        flow.expect(0.02)
        flow.flood(0.0)
        for _ in range(int(seconds / 0.02)):
            flow.note(DATA, 1.0)
        assert (flow.flood(1.0) is not None) == floods


def test_what_comes_beside_data_counts_as_much():
    """50 of data and 100 others are three times what is meant; 950 others are twenty times."""
    flow, strays = flow_at(0.0), 7
    flow.expect(0.02)
    flow.note_strays(strays)
    flow.flood(0.0)
    for second in range(1, 601):
        for _ in range(50):
            flow.note(DATA, float(second))
        strays += 100 if second < 600 else 950
        flow.note_strays(strays)
        said = flow.flood(float(second))
        assert (said is not None) == (second == 600)
    assert said == "sends 1000 notifications a second, expected 50"


@pytest.mark.parametrize(("packets", "said"), [(700, None), (701, "sends 701 notifications a sec")])
def test_ten_seconds_of_surplus_are_no_flood_and_one_packet_more_is(packets, said):
    """Of packets of 20 ms four times 50 are right in a second; 500 more are ten seconds."""
    flow = flow_at(0.0)
    flow.expect(0.02)
    flow.flood(0.0)
    for _ in range(packets):
        flow.note(DATA, 1.0)
    found = flow.flood(1.0)
    assert found is None if said is None else found is not None and found.startswith(said)


def test_what_is_said_of_a_flood_is_a_second_s_share():
    """In two seconds 3000 of data, and of others 1000 more than were told before."""
    flow = flow_at(0.0)
    flow.expect(0.02)
    flow.flood(0.0)
    for strays in (600, 600, 1000):
        flow.note_strays(strays)
    for _ in range(3000):
        flow.note(DATA, 1.5)
    assert flow.flood(2.0) == "sends 2000 notifications a second, expected 50"


@pytest.mark.dear
def test_where_nobody_knows_what_a_packet_covers_a_thousand_a_second_are_right():
    assert not any(after(1000.0, 100, None))


@pytest.mark.parametrize(
    ("other", "said"),
    [
        *((data, "sends nothing that is a data packet") for data in NONE),
        (at(DATA, 2, 1), "sends data of the right foot"),
        (at(DATA, 14, 17)[:-2], "sends data of 17 zones, expected 18"),
        (at(at(DATA, 12, 0x51), 13, 0xC3), "sends a sample every 50.001 ms, expected 50 at most"),
    ],
)
def test_only_a_data_packet_of_its_own_ends_a_silence(other, said):
    flow = flow_at(10.0)
    flow.note(other, 12.0)
    assert (flow.silent_s(13.0), flow.silence) == (3.0, said)
    flow.note(DATA, 13.0)
    assert (flow.silent_s(13.5), flow.silence) == (0.5, "sends nothing")
