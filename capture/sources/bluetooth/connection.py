"""One connection to an indicator, from connecting to losing it; never used a second time."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice

from capture.decoders.attribute_packets import notified, read
from capture.errors import LinkLostError
from capture.profiles import Profile, poll_bytes, uuid_of
from capture.sources.bluetooth.choosing import Choice, characteristics, choose
from capture.sources.bluetooth.reasons import explained
from capture.sources.bluetooth.service_watch import service_gone

CONNECT_S = 20.0
DISCONNECT_S = 5.0
ANSWER_S = 5.0
"""Limits of every wait: calls into a Bluetooth service that is ill never return."""

SILENT_S = 2.0
SILENT_PERIODS = 10
"""Silence after which the indicator is asked whether it is still there: its loss is not always told."""

MUTE_S = 10.0
MUTE_PERIODS = 50
"""Silence after which one that cannot be asked counts as lost."""

DOUBLES = 8
"""Different values in a row that each come exactly twice: every notification is being delivered twice."""


class TakerError(Exception):
    """Whoever takes the values failed; the cause says how.  That is no matter of the link."""


Deliver = Callable[[bytes], None]


class Connection:
    """A connection.

    Parameters
    ----------
    device : BLEDevice
        Seen just now.
    profile : Profile
    name : str
        For messages.
    deliver : callable
        Takes the bytes of each value; what it raises ends the connection.

    Attributes
    ----------
    boot : bytes or None
        What tells this start of the indicator from others, once open, where the profile says what does.
    about : dict
        What is listened to, once open: ``characteristic``, its ``descriptors``, and the ``delivery`` of its values.
    """

    def __init__(self, device: BLEDevice, profile: Profile, name: str, deliver: Deliver) -> None:
        self._profile, self._name, self._deliver = profile, name, deliver
        self._over = asyncio.Event()
        self._why: Exception = LinkLostError(f"{name}: the connection broke")
        # Callbacks of an older connection reach an object that is over, and end there.
        self._client = BleakClient(device, lambda _: self._over.set(), timeout=CONNECT_S)
        self._heard = asyncio.get_running_loop().time()
        self._last: bytes | None = None
        self._twice = self._doubles = 0
        self._by_socket = False
        self._choice: Choice | None = None
        self._watch: asyncio.Task[None] | None = None
        self.boot: bytes | None = None
        self.about: dict[str, Any] = {}

    async def open(self) -> None:
        """Connect, find the characteristic, and ask which start of the indicator this is where that can be asked."""
        self._watch = asyncio.create_task(self._watch_service())
        async with asyncio.timeout(CONNECT_S):
            await self._client.connect()
        async with asyncio.timeout(ANSWER_S):
            self._choice = await choose(self._client, self._profile, self._name)
        boot = uuid_of(self._profile.values.get("boot"))
        if boot is not None:
            async with asyncio.timeout(ANSWER_S):
                self.boot = bytes(await self._client.read_gatt_char(boot))
        c = self._choice.characteristic
        self.about = {
            "characteristic": c.uuid,
            # The system hands them over in no order.
            "descriptors": sorted(d.uuid for d in c.descriptors),
            "delivery": self._delivery() if self._tells() else "read",
        }

    async def close(self, limit: float = DISCONNECT_S) -> None:
        """Let the indicator go; what fails here is of no interest, but without it a descriptor stays open."""
        self._over.set()
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait({self._watch}, timeout=limit)
        with suppress(Exception):
            async with asyncio.timeout(limit):
                if self._by_socket:
                    # The library lets go of a socket here or when its other end does, and nowhere else.
                    assert self._choice is not None
                    with suppress(Exception):
                        await self._client.stop_notify(self._choice.characteristic)
                await self._client.disconnect()
        self._close_sockets()

    async def listen(self) -> None:
        """Deliver values until the link is lost.

        Raises
        ------
        LinkLostError
        """
        assert self._choice is not None
        c = self._choice.characteristic
        asks = asyncio.create_task(self._ask_for_values())
        try:
            if self._tells():
                self._by_socket = self._delivery() == "socket"
                async with asyncio.timeout(ANSWER_S):
                    await self._client.start_notify(
                        c,
                        lambda _, value: self._take(bytes(value), notified),
                        bluez={"use_start_notify": not self._by_socket},
                    )
                await self._until_lost()
            else:
                await self._read_over_and_over(c)
        finally:
            asks.cancel()

    def _tells(self) -> bool:
        """Whether values are sent, not asked for."""
        assert self._choice is not None
        sends = {"notify", "indicate"} & set(self._choice.characteristic.properties)
        return bool(sends) and self._profile.values.get("delivery") != "read"

    def _delivery(self) -> str:
        """How the system hands notifications over: by signals on its bus, or through a socket where that is wanted and offered."""
        assert self._choice is not None
        if self._profile.values.get("notify_by") != "socket":
            return "signal"
        held = self._choice.characteristic.obj
        return "socket" if isinstance(held, tuple) and "NotifyAcquired" in held[1] else "signal"

    def _close_sockets(self) -> None:
        if not self._by_socket:
            return
        with suppress(Exception):
            kept = self._client._backend._notification_fds  # type: ignore[attr-defined]
            for fd in list(kept.values()):
                asyncio.get_running_loop().remove_reader(fd)
                os.close(fd)
            kept.clear()

    async def _watch_service(self) -> None:
        # Without it silence tells, only later.
        with suppress(Exception):
            self._end(await service_gone(self._name))

    def _take(self, value: bytes, packet: Callable[[int, bytes], bytes]) -> None:
        if self._over.is_set() or self._choice is None:
            return
        self._heard = asyncio.get_running_loop().time()
        data = value
        if self._profile.packets:
            # With its description each time: a recording that begins in the middle is whole all the same.
            about = self._choice.description
            data = (read(*about) if about is not None else b"") + packet(self._choice.characteristic.handle, value)
        try:
            self._deliver(data)
        except Exception as e:
            failed = TakerError(str(e))
            failed.__cause__ = e
            self._end(failed)
            return
        if packet is notified and self._delivered_twice(value):
            self._end(LinkLostError(f"{self._name}: every value came twice; connecting anew"))

    def _end(self, why: Exception) -> None:
        self._why = why
        self._over.set()

    def _delivered_twice(self, value: bytes) -> bool:
        if value == self._last:
            self._twice += 1
        else:
            self._doubles = self._doubles + 1 if self._twice == 1 else 0
            self._twice = 0
        self._last = value
        return self._doubles >= DOUBLES

    async def _until_lost(self) -> None:
        period = self._profile.period_s
        while not self._over.is_set():
            quiet = asyncio.get_running_loop().time() - self._heard
            left = max(SILENT_S, SILENT_PERIODS * period) - quiet
            if left > 0:
                with suppress(TimeoutError):
                    async with asyncio.timeout(left):
                        await self._over.wait()
                continue
            if await self._answers():
                self._heard = asyncio.get_running_loop().time()
            elif quiet > max(MUTE_S, MUTE_PERIODS * period):
                self._end(LinkLostError(f"{self._name}: silent for {quiet:.0f} s; connecting anew"))
            else:
                await asyncio.sleep(0.1)
        raise self._why

    async def _answers(self) -> bool:
        """Whether the indicator gives an answer to a question; False where none can be asked.

        The characteristic itself is not read: the answer would come as a notification, and be a reading.
        """
        assert self._choice is not None
        try:
            async with asyncio.timeout(ANSWER_S):
                if self._choice.description is not None:
                    await self._client.read_gatt_descriptor(self._choice.description[0])
                    return True
                for c in characteristics(self._client):
                    if "read" in c.properties and c.handle != self._choice.characteristic.handle:
                        await self._client.read_gatt_char(c)
                        return True
        except Exception as e:
            self._end(explained(e, self._name))
        return False

    async def _read_over_and_over(self, c: BleakGATTCharacteristic) -> None:
        interval = float(self._profile.values.get("interval", self._profile.period_s))
        loop = asyncio.get_running_loop()
        due = loop.time()
        while not self._over.is_set():
            async with asyncio.timeout(ANSWER_S):
                value = bytes(await self._client.read_gatt_char(c))
            self._take(value, read)
            due = max(due + interval, loop.time())
            with suppress(TimeoutError):
                async with asyncio.timeout_at(due):
                    await self._over.wait()
        raise self._why

    async def _ask_for_values(self) -> None:
        """Write the polling bytes to the command characteristic at their interval."""
        v = self._profile.values
        command = uuid_of(v.get("command"))
        if command is None or "poll" not in v:
            return
        try:
            while True:
                async with asyncio.timeout(ANSWER_S):
                    await self._client.write_gatt_char(command, poll_bytes(v["poll"]))
                await asyncio.sleep(float(v.get("interval", self._profile.period_s)))
        except Exception as e:
            self._end(explained(e, self._name))
