"""Finding an indicator among everything that advertises itself."""

from __future__ import annotations

import asyncio
import fnmatch
import re
import sys
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

from bleak import BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from capture.errors import LinkLostError, SourceError
from capture.profiles import uuid_of
from capture.sources.bluetooth.reasons import NOT_FOUND

SCAN_S = 5.0
"""One scan; indicators advertise every second or two."""

LINGER_S = 1.0
"""A scan goes on this long after the first that fits, to see whether another one does."""

PATIENCE = 3
"""Scans without the indicator that was connected before another one of the same name is taken for it."""

FREE_S = 5.0

_ADDRESS = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}")


class Target:
    """The indicator a text stands for.

    Parameters
    ----------
    text : str
        An address, a name (``*`` stands for anything), or the identity of a service in full.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self.service = uuid_of(text) if len(text) > 4 else None
        self.address = bool(_ADDRESS.fullmatch(text)) or (sys.platform == "darwin" and self.service is not None)

    def fits(self, address: str, names: Iterable[str | None], services: Iterable[str]) -> bool:
        """Whether this is a device so described."""
        if self.address:
            return address.upper() == self.text.upper()
        if self.service is not None:
            return self.service in {s.lower() for s in services}
        return any(fnmatch.fnmatchcase(n, self.text) for n in names if n)


class Finder:
    """Finds one indicator again and again, and prefers the one it found before."""

    def __init__(self, target: Target) -> None:
        self._target = target
        self._known: str | None = None
        self._missed = 0

    async def find(self) -> BLEDevice:
        """The indicator, seen just now.

        Raises
        ------
        LinkLostError
            If it is not there now.
        SourceError
            If several fit and none was connected before.
        """
        device = await self._scan()
        if device is None:
            self._missed += 1
            await free_leftover(self._target)
            raise LinkLostError(f"ble:{self._target.text} {NOT_FOUND}")
        self._known, self._missed = device.address, 0
        return device

    async def _scan(self) -> BLEDevice | None:
        seen: dict[str, BLEDevice] = {}
        news = asyncio.Event()

        def heard(device: BLEDevice, said: AdvertisementData) -> None:
            if self._target.fits(device.address, (said.local_name, device.name), said.service_uuids):
                seen[device.address] = device
                news.set()

        # Filtered by the radio where a service was asked for; a name is not always in the same packet as the services.
        services = [self._target.service] if self._target.service and not self._target.address else None
        async with BleakScanner(heard, service_uuids=services):
            with suppress(TimeoutError):
                async with asyncio.timeout(SCAN_S):
                    while not self._sure(seen):
                        await news.wait()
                        news.clear()
                        if seen and self._known is None and not self._target.address:
                            await asyncio.sleep(LINGER_S)
                            break
        return self._chosen(seen)

    def _sure(self, seen: dict[str, BLEDevice]) -> bool:
        return bool(seen) and (self._target.address or self._known in seen)

    def _chosen(self, seen: dict[str, BLEDevice]) -> BLEDevice | None:
        if self._known in seen:
            return seen[self._known]
        if not seen or (self._known is not None and self._missed < PATIENCE - 1):
            return None
        if len(seen) > 1:
            if self._known is not None:
                return None
            raise SourceError(
                f"{len(seen)} indicators fit ble:{self._target.text}: {', '.join(sorted(seen))}. Name one by its address."
            )
        return next(iter(seen.values()))


async def free_leftover(target: Target) -> None:
    """Have the system let go of an indicator that a program which was killed had, or was just connecting to.

    Held, it is never seen again; and an attempt that nobody waits for any more refuses all others as long as it lasts.  Only on Linux, where the system goes on holding it.  What fails here shows in the next scan.
    """
    if sys.platform != "linux":
        return
    from dbus_fast import BusType
    from dbus_fast.aio import MessageBus

    with suppress(Exception):
        bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            async with asyncio.timeout(FREE_S):
                await bus.connect()
                await _free(bus, target)
        finally:
            bus.disconnect()


async def _free(bus: Any, target: Target) -> None:
    from dbus_fast import Message

    def call(path: str, interface: str, member: str) -> Message:
        return Message(destination="org.bluez", path=path, interface=interface, member=member)

    reply = await bus.call(call("/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects"))
    for path, interfaces in reply.body[0].items():
        about = {k: v.value for k, v in interfaces.get("org.bluez.Device1", {}).items()}
        names = (about.get("Name"), about.get("Alias"))
        if about and target.fits(about.get("Address", ""), names, about.get("UUIDs", ())):
            # It ends an attempt to connect as well; where there is nothing to end, it is refused.
            await bus.call(call(path, "org.bluez.Device1", "Disconnect"))
