"""What stands in Bluetooth's way: errors of the library → one sentence with what to do."""

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
)

from plantigrade_gateway.errors import BluetoothError

ANY_ERROR = (BleakError, OSError, EOFError, TimeoutError)
"""What bleak raises, D-Bus's included."""


class RadioError(BluetoothError):
    """Bluetooth itself cannot be used; the text says what to do."""


class StaleServices(BluetoothError):
    """The insole's services are not those that the system remembers: they must be read anew."""


def bluetooth_trouble(error: Exception) -> tuple[str, str] | None:
    """Return what is wrong with Bluetooth itself and what to do; None where it is not that.

    Parameters
    ----------
    error : Exception
        What bleak raised.
    """
    if isinstance(error, PermissionError):
        return "no permission to use Bluetooth", _PERMISSION
    if isinstance(error, FileNotFoundError | ConnectionError):
        return (
            "the system's message bus (D-Bus), which leads to Bluetooth, is not running",
            "Install and start dbus and bluez: systemctl start dbus bluetooth.",
        )
    if isinstance(error, BleakBluetoothNotAvailableError):
        return _NOT_AVAILABLE.get(error.reason)
    if isinstance(error, BleakDBusError):
        if error.dbus_error.endswith((".ServiceUnknown", ".NoReply", ".Spawn.ExecFailed")):
            return (
                "the Bluetooth service (bluez) is not running",
                "Install and start bluez: systemctl start bluetooth.",
            )
        if error.dbus_error.endswith((".AccessDenied", ".NotAuthorized", ".NotPermitted")):
            return "no permission to use Bluetooth", _PERMISSION
    return None


_PERMISSION = (
    "Allow this terminal to use Bluetooth in the system's privacy settings; "
    "on Linux add the user to the group bluetooth and log in again."
)
_DENIED = ("no permission to use Bluetooth", _PERMISSION)
_Reason = BleakBluetoothNotAvailableReason
_NOT_AVAILABLE = {
    _Reason.NO_BLUETOOTH: ("no Bluetooth adapter", "Connect a Bluetooth LE adapter."),
    _Reason.NO_BLE_CENTRAL_ROLE: (
        "the Bluetooth adapter cannot connect to LE devices",
        "Connect a Bluetooth LE adapter (4.2 or newer).",
    ),
    _Reason.POWERED_OFF: ("Bluetooth is switched off", "Switch Bluetooth on."),
    _Reason.DENIED_BY_USER: _DENIED,
    _Reason.DENIED_BY_SYSTEM: _DENIED,
    _Reason.DENIED_BY_UNKNOWN: _DENIED,
}

_BOND = "insists on being paired with this computer: run plantigrade pair --bond"
_MOVED = "has other services than the system remembers; they are read anew"
_STALE = (0x01, 0x02, 0x03, 0x0A, 0x12)
GATT_ERRORS = {
    0x01: _MOVED,
    0x02: "does not let that be read",
    0x03: "does not let that be written",
    0x04: "did not understand the request",
    0x05: _BOND,
    0x06: "does not know such a request",
    0x07: "cannot be read from there on",
    0x08: "does not allow it to this computer",
    0x09: "has no room for a long write",
    0x0A: _MOVED,
    0x0B: "does not let that be read in pieces",
    0x0C: "wants a stronger key than this computer offers",
    0x0D: "does not take a value of that length",
    0x0E: "failed, and says no more of it (unlikely error)",
    0x0F: _BOND,
    0x10: "does not know such a group of services",
    0x11: "has no resources left; switch it off and on",
    0x12: _MOVED,
    0x13: "does not allow that value",
    0xFD: "was written to before its answers were subscribed to",
    0xFE: "is still busy with the request before",
    0xFF: "does not allow a value outside its range",
}
"""ATT errors in words (numbers: Core Specification, Vol 3, Part F, 3.4.1.1, and its supplement,
part B; from memory)."""


def as_ours(error: Exception, what: str) -> BluetoothError:
    """Return an error of the library as one of ours, told of `what`."""
    trouble = bluetooth_trouble(error)
    if trouble is not None:
        return RadioError(f"{trouble[0]}. {trouble[1]}")
    if isinstance(error, TimeoutError):
        return BluetoothError(f"{what}: no answer")
    if isinstance(error, BleakGATTProtocolError):
        code = int(error.args[0])
        words = GATT_ERRORS.get(code, "refuses")
        kind = StaleServices if code in _STALE else BluetoothError
        return kind(f"{what}: {words} (Bluetooth's error 0x{code:02X})")
    if isinstance(error, BleakCharacteristicNotFoundError):
        return lacking(what, str(error.char_specifier))
    return BluetoothError(f"{what}: {str(error) or type(error).__name__}")


def lacking(what: str, uuid: str) -> StaleServices:
    """Return what is said of an insole without a characteristic that it must have."""
    return StaleServices(f"{what}: lacks characteristic {uuid}, which its profile asks for")


def mtu_advice(platform: str) -> str:
    """Return what helps where a system agrees on too small an MTU."""
    if platform == "win32":
        return (
            "switch Windows' Bluetooth off and on; where that does not help, use an adapter with "
            "Bluetooth 4.2 or newer and its maker's driver"
        )
    if platform == "darwin":
        return "switch the Mac's Bluetooth off and on; it chooses the size by itself"
    return (
        "see that ExchangeMTU in /etc/bluetooth/main.conf is not set under 247, and use an adapter "
        "with Bluetooth 4.2 or newer"
    )
