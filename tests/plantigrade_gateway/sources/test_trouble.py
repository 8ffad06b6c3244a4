"""What stands in Bluetooth's way, in words."""

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
)

from plantigrade_gateway.sources.trouble import (
    GATT_ERRORS,
    RadioError,
    StaleServices,
    as_ours,
    mtu_advice,
)

CODES = {
    0x01: "other services",
    0x02: "let that be read",
    0x03: "let that be written",
    0x04: "understand",
    0x05: "pair --bond",
    0x06: "know such a request",
    0x07: "from there on",
    0x08: "to this computer",
    0x09: "long write",
    0x0A: "other services",
    0x0B: "in pieces",
    0x0C: "stronger key",
    0x0D: "of that length",
    0x0E: "unlikely error",
    0x0F: "pair --bond",
    0x10: "group of services",
    0x11: "no resources",
    0x12: "other services",
    0x13: "allow that value",
    0xFD: "subscribed",
    0xFE: "still busy",
    0xFF: "outside its range",
}
"""Invalid handle, read and write not permitted, invalid PDU, insufficient authentication, request
not supported, invalid offset, insufficient authorization, prepare queue full, attribute not found,
attribute not long, key too short, invalid length, unlikely, insufficient encryption, unsupported
group type, insufficient resources, database out of sync, value not allowed; CCCD improperly
configured, procedure in progress, out of range (names and numbers as bleak's documentation has
them)."""
STALE = {0x01, 0x02, 0x03, 0x0A, 0x12}
"""After new firmware a handle leads elsewhere: what it finds cannot be read, written or found."""


def test_errors_of_bluetooth_are_said_in_words():
    assert set(GATT_ERRORS) == set(CODES)
    for code, words in CODES.items():
        error = as_ours(BleakGATTProtocolError(code), "left insole")
        assert str(error).startswith("left insole: ") and words in str(error)
        assert str(error).endswith(f" (Bluetooth's error 0x{code:02X})")
        assert isinstance(error, StaleServices) is (code in STALE)


def test_an_error_without_words_is_said_by_its_number():
    error = as_ours(BleakGATTProtocolError(0x80), "left insole")
    assert str(error) == "left insole: refuses (Bluetooth's error 0x80)"


def test_what_an_insole_lacks_is_said_and_its_services_may_be_those_of_before():
    error = as_ours(BleakCharacteristicNotFoundError("7c1f0003"), "left insole")
    assert str(error) == "left insole: lacks characteristic 7c1f0003, which its profile asks for"
    assert isinstance(error, StaleServices)


def test_an_error_of_one_insole_is_said_with_its_name():
    assert str(as_ours(TimeoutError(), "left insole")) == "left insole: no answer"
    assert str(as_ours(BleakError("it went away"), "left insole")) == "left insole: it went away"
    assert str(as_ours(EOFError(), "left insole")) == "left insole: EOFError"
    assert not isinstance(as_ours(BleakDBusError("org.bluez.Error.Failed", []), "it"), RadioError)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("org.freedesktop.DBus.Error.ServiceUnknown", "bluez) is not running. Install and start"),
        ("org.freedesktop.DBus.Error.NoReply", "bluez) is not running. Install and start"),
        ("org.freedesktop.DBus.Error.Spawn.ExecFailed", "bluez) is not running. Install and start"),
        ("org.freedesktop.DBus.Error.AccessDenied", "no permission to use Bluetooth. Allow"),
        ("org.bluez.Error.NotAuthorized", "no permission to use Bluetooth. Allow"),
        ("org.bluez.Error.NotPermitted", "no permission to use Bluetooth. Allow"),
    ],
)
def test_what_the_message_bus_refuses_is_bluetooths_own_trouble(name, said):
    error = as_ours(BleakDBusError(name, []), "left insole")
    assert isinstance(error, RadioError) and said in str(error)
    assert "left insole" not in str(error)


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("NO_BLUETOOTH", "no Bluetooth adapter. Connect a Bluetooth LE adapter."),
        ("NO_BLE_CENTRAL_ROLE", "cannot connect to LE devices. Connect a Bluetooth LE adapter (4"),
        ("POWERED_OFF", "Bluetooth is switched off. Switch Bluetooth on."),
        ("DENIED_BY_USER", "no permission to use Bluetooth. Allow this terminal"),
        ("DENIED_BY_SYSTEM", "no permission to use Bluetooth. Allow this terminal"),
        ("DENIED_BY_UNKNOWN", "no permission to use Bluetooth. Allow this terminal"),
    ],
)
def test_why_bluetooth_cannot_be_used_is_said_with_what_to_do(reason, said):
    unusable = BleakBluetoothNotAvailableError("", BleakBluetoothNotAvailableReason[reason])
    error = as_ours(unusable, "left insole")
    assert isinstance(error, RadioError) and said in str(error)


def test_advice_is_right_for_the_system():
    assert "Windows" in mtu_advice("win32") and "driver" in mtu_advice("win32")
    assert "Mac" in mtu_advice("darwin")
    assert "/etc/bluetooth/main.conf" in mtu_advice("linux")
