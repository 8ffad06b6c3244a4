"""The profile's own bytes, and that the document says what the code does."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade.block import Foot
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement, Status, read_announcement, read_status

DOCUMENT = Path(__file__).resolve().parents[3] / "hardware_notes" / "gatt_profile.md"
battery = st.none() | st.integers(0, 100)


def test_announcement_bytes_by_hand():
    said = Announcement(Foot.RIGHT, 270, 87, 0x01020304)
    assert said.encode() == bytes([1, 1, 0x0E, 0x01, 87, 4, 3, 2, 1])
    assert said.name == "Insole R"


def test_status_bytes_by_hand():
    status = Status(True, False, True, None, 3, 258, 65536)
    assert status.encode() == bytes([1, 5, 255, 3, 2, 1, 0, 0, 0, 0, 1, 0])


@given(st.sampled_from(Foot), st.integers(0, 65535), battery, st.integers(0, 2**32 - 1))
def test_announcement_round_trip(foot, length_mm, level, serial):
    said = Announcement(foot, length_mm, level, serial)
    assert read_announcement(said.encode()) == said


@given(st.booleans(), st.booleans(), battery, st.integers(0, 255), st.integers(0, 2**32 - 1))
def test_status_round_trip(streaming, charging, level, resets, count):
    status = Status(streaming, charging, not charging, level, resets, count, count)
    assert read_status(status.encode()) == status


@given(st.binary(max_size=40))
def test_any_bytes_are_read_or_refused(data):
    said, status = read_announcement(data), read_status(data)
    assert said is None or said.encode() == data
    assert status is None or status.encode() == data


@pytest.mark.parametrize(
    "data",
    [
        bytes([2, 1, 14, 1, 87, 4, 3, 2, 1]),  # another version
        bytes([1, 2, 14, 1, 87, 4, 3, 2, 1]),  # a reserved bit
        bytes([1, 1, 14, 1, 101, 4, 3, 2, 1]),  # no such level
        bytes([1, 1, 14, 1, 87, 4, 3, 2]),
    ],
)
def test_wrong_announcements_are_refused(data):
    assert read_announcement(data) is None


def test_the_document_names_the_same_uuids():
    text = DOCUMENT.read_text("utf-8")
    ours = (gatt.SERVICE, gatt.DATA, gatt.CONTROL, gatt.STATUS, gatt.INFORMATION, gatt.CURVE)
    for uuid in ours:
        assert f"`{uuid}`" in text


def test_advertising_fits_the_31_bytes():
    said = Announcement(Foot.LEFT, 270, 87, 1)
    flags, uuids, name = 3, 2 + 16, 2 + len(said.name)
    assert flags + uuids + name <= 31
    assert 2 + 16 + len(said.encode()) <= 31
