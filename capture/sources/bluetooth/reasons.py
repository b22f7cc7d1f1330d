"""What went wrong with Bluetooth, and what to do about it, in words."""

from __future__ import annotations

import os

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)

from capture.errors import LinkLostError, SourceError

NOT_FOUND = "not found: wake the indicator and bring it near"
_PAIR = "asks to be paired: pair it in the system's Bluetooth settings first"
_PAIRING_CODES = (5, 8, 15)
"""Insufficient authentication, authorization and encryption (Bluetooth Core Specification, attribute protocol errors)."""

NO_SERVICE = "the Bluetooth service is not running: start it (systemctl start bluetooth)"

_REASONS = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: "there is no Bluetooth adapter: plug one in",
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: "the Bluetooth adapter is too old for Low Energy: plug another one in",
    BleakBluetoothNotAvailableReason.POWERED_OFF: "Bluetooth is switched off: switch it on",
    BleakBluetoothNotAvailableReason.DENIED_BY_USER: "Bluetooth was denied to this program: allow it in the system's settings",
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: "the system does not let this program use Bluetooth",
}
_D_BUS = {
    "org.freedesktop.DBus.Error.ServiceUnknown": NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": "the Bluetooth service does not answer",
    "org.freedesktop.DBus.Error.UnknownObject": NOT_FOUND,
    "org.freedesktop.DBus.Error.AccessDenied": "no permission to use Bluetooth: add yourself to the group bluetooth, then log in again",
    "org.bluez.Error.NotReady": "Bluetooth is switched off: switch it on",
    "org.bluez.Error.NotAuthorized": _PAIR,
    "org.bluez.Error.NotPermitted": _PAIR,
    "org.bluez.Error.InProgress": "Bluetooth is busy with an earlier attempt; should this last, switch Bluetooth off and on",
}


def bus_address() -> str:
    """Where the system D-Bus is expected."""
    return os.environ.get("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/run/dbus/system_bus_socket")


def no_bus() -> str:
    """What to do without a system D-Bus."""
    return f"no system D-Bus at {bus_address()}: start dbus and bluetooth"


def in_progress(e: Exception) -> bool:
    """Whether an earlier attempt, perhaps of a program that was killed, is in the way."""
    return isinstance(e, BleakDBusError) and e.dbus_error == "org.bluez.Error.InProgress"


def explained(e: Exception, name: str) -> LinkLostError | SourceError:
    """The error to raise: `SourceError` where waiting will not help."""
    if isinstance(e, LinkLostError | SourceError):
        return e
    if isinstance(e, BleakCharacteristicNotFoundError) or "NotSupported" in str(e):
        return SourceError(f"{name} is not a known indicator. Use identify {name} to see what it offers.")
    return LinkLostError(f"{name}: {_reason(e)}")


def _reason(e: Exception) -> str:
    if isinstance(e, BleakBluetoothNotAvailableError):
        return _REASONS.get(e.reason, f"Bluetooth is not available ({e.args[0]})")
    if isinstance(e, BleakGATTProtocolError):
        return _PAIR if e.code in _PAIRING_CODES else f"the indicator refused ({e})"
    if isinstance(e, BleakDBusError):
        return _D_BUS.get(e.dbus_error, f"{e.dbus_error_details or e.dbus_error}")
    if isinstance(e, BleakDeviceNotFoundError):
        return NOT_FOUND
    if isinstance(e, TimeoutError):
        return "the indicator did not answer"
    if isinstance(e, FileNotFoundError | ConnectionRefusedError):
        return no_bus()
    if isinstance(e, BleakError):
        text = str(e)
        if "Not paired" in text:
            return _PAIR
        return "there is no Bluetooth adapter: plug one in" if "adapter" in text else text
    return f"{type(e).__name__}: {e}" if str(e) else type(e).__name__
