"""Devices that were let in.

They are known by a random token, of which only the hash is kept, and only in memory: what a device holds is worth nothing once the
program has ended.  A token goes over the network in the clear, so it is made to be short-lived, and no secret lies on the disk.
"""

from __future__ import annotations

import asyncio
import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field

MOST = 16
IDLE_S = 12 * 3600.0
LONGEST_NAME = 40


class FullError(Exception):
    """As many devices as can be are paired."""


@dataclass(eq=False)
class Device:
    """One device.

    Attributes
    ----------
    writes : bool
        Whether it may also write into jobs.
    gone : asyncio.Event
        Set when it is shut out: whatever it is being sent ends then.
    open : int
        Answers it is being sent at this moment.
    """

    id: str
    name: str
    address: str
    since: float
    seen: float
    writes: bool = False
    open: int = 0
    gone: asyncio.Event = field(default_factory=asyncio.Event)


def clean_name(name: str) -> str:
    """A name as it can be shown: one line, not too long, no invisible characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in name).split())[:LONGEST_NAME].rstrip()


def _hash(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()


class Devices:
    """The devices that are paired.

    Parameters
    ----------
    clock : callable
        Seconds of a monotonic clock.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._known: dict[bytes, Device] = {}
        self._made = 0

    def add(self, name: str, address: str) -> tuple[Device, str]:
        """A new device, and the token it shows from now on.

        Raises
        ------
        FullError
            There are as many as can be.
        """
        self._forget_idle()
        if len(self._known) >= MOST:
            raise FullError
        self._made += 1
        token = secrets.token_urlsafe(32)
        now = self._clock()
        device = Device(str(self._made), clean_name(name), address, now, now)
        self._known[_hash(token)] = device
        return device, token

    def known(self, token: str) -> Device | None:
        """The device that shows this token."""
        self._forget_idle()
        device = self._known.get(_hash(token))
        if device is not None:
            device.seen = self._clock()
        return device

    def get(self, id: str) -> Device | None:
        """The device of this number."""
        return next((d for d in self.all() if d.id == id), None)

    def all(self) -> list[Device]:
        """All devices, the oldest first."""
        self._forget_idle()
        return list(self._known.values())

    def shut_out(self, device: Device) -> None:
        """Forget a device, and end what it is being sent."""
        self._known = {h: d for h, d in self._known.items() if d is not device}
        device.gone.set()

    def _forget_idle(self) -> None:
        for device in list(self._known.values()):
            if device.open == 0 and self._clock() - device.seen > IDLE_S:
                self.shut_out(device)
