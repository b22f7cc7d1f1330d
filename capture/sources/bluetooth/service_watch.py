"""Noticing that the Bluetooth service, or the bus it is reached over, has gone away.

The library tells nothing of either: the link looks as if it stood, and only silence gives it away, seconds later.
"""

from __future__ import annotations

import asyncio
import sys

from capture.errors import LinkLostError
from capture.sources.bluetooth.reasons import NO_SERVICE, no_bus

SERVICE = "org.bluez"
_RULE = f"type='signal',sender='org.freedesktop.DBus',interface='org.freedesktop.DBus',member='NameOwnerChanged',arg0='{SERVICE}'"


async def service_gone(name: str) -> LinkLostError:
    """Wait until the service or the bus goes away; the loss to tell.  Where there is neither, wait without end.

    Parameters
    ----------
    name : str
        For the message.
    """
    if sys.platform != "linux":
        await asyncio.Event().wait()
    from dbus_fast import BusType, Message, MessageType
    from dbus_fast.aio import MessageBus

    gone = asyncio.Event()

    def heard(m: Message) -> None:
        # A service that was started anew knows nothing of this link either.
        if m.message_type is MessageType.SIGNAL and m.member == "NameOwnerChanged" and m.body[:1] == [SERVICE]:
            gone.set()

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
        bus.add_message_handler(heard)
        await bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="AddMatch",
                signature="s",
                body=[_RULE],
            )
        )
        ended = asyncio.ensure_future(bus.wait_for_disconnect())  # type: ignore[no-untyped-call]
        told = asyncio.ensure_future(gone.wait())
        try:
            await asyncio.wait({ended, told}, return_when=asyncio.FIRST_COMPLETED)
            return LinkLostError(f"{name}: {NO_SERVICE if gone.is_set() else no_bus()}")
        finally:
            told.cancel()
            ended.cancel()
            await asyncio.gather(told, ended, return_exceptions=True)
    finally:
        bus.disconnect()
