"""Bluetooth: bus, service, permission, adapter."""

from __future__ import annotations

import asyncio
import sys

from capture.doctor.finding import Finding
from capture.errors import LinkLostError

WAIT_S = 3.0
_ONLY = "Needed for Bluetooth indicators only: "


def bluetooth() -> list[Finding]:
    """What the Bluetooth service answers, or which of the things before it is missing."""
    if sys.platform != "linux":
        return [Finding("Bluetooth: not looked at on this system", "fine")]
    try:
        return asyncio.run(_ask())
    except LinkLostError as e:
        return [Finding(f"Bluetooth: {e}", "note", f"{_ONLY}see what it says.")]


async def _ask() -> list[Finding]:
    from dbus_fast import BusType, Message, MessageType
    from dbus_fast.aio import MessageBus

    from capture.sources.bluetooth.reasons import bus_address

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        async with asyncio.timeout(WAIT_S):
            try:
                await bus.connect()
            except Exception as e:
                return [
                    Finding(
                        f"Bluetooth: no system D-Bus at {bus_address()} ({e})",
                        "note",
                        f"{_ONLY}start dbus and bluetooth.",
                    )
                ]
            reply = await bus.call(
                Message(
                    destination="org.bluez",
                    path="/",
                    interface="org.freedesktop.DBus.ObjectManager",
                    member="GetManagedObjects",
                )
            )
    except TimeoutError:
        return [Finding("Bluetooth: the service does not answer", "note", f"{_ONLY}sudo systemctl restart bluetooth")]
    finally:
        bus.disconnect()
    if reply.message_type is MessageType.ERROR:
        name = str(reply.error_name)
        if name.endswith("AccessDenied"):
            return [
                Finding(
                    "Bluetooth: no permission to use the service",
                    "note",
                    f"{_ONLY}sudo usermod -aG bluetooth $USER, then log out and in again.",
                )
            ]
        return [
            Finding(
                f"Bluetooth: the service is not running ({name.rpartition('.')[2]})",
                "note",
                f"{_ONLY}sudo systemctl enable --now bluetooth",
            )
        ]
    return _adapters(reply.body[0])


def _adapters(objects: dict[str, dict[str, dict[str, object]]]) -> list[Finding]:
    found: list[Finding] = []
    for path, interfaces in sorted(objects.items()):
        about = interfaces.get("org.bluez.Adapter1")
        if about is None:
            continue
        name = f"Bluetooth: adapter {path.rpartition('/')[2]}"
        values = {k: getattr(v, "value", v) for k, v in about.items()}
        roles = values.get("Roles")
        if not values.get("Powered"):
            found.append(
                Finding(
                    f"{name} is switched off", "note", f"{_ONLY}bluetoothctl power on (or rfkill unblock bluetooth)"
                )
            )
        elif isinstance(roles, list) and "central" not in roles:
            found.append(Finding(f"{name} cannot use Low Energy", "note", f"{_ONLY}plug another adapter in."))
        else:
            found.append(Finding(f"{name} is there and on", "fine"))
    return found or [Finding("Bluetooth: no adapter", "note", f"{_ONLY}plug an adapter in.")]
