"""The door as a whole: its code, its devices, where it is, and the token of a micro-controller."""

from __future__ import annotations

import time
from collections.abc import Callable

from web.door.codes import Codes
from web.door.devices import Devices
from web.door.pushing import PushToken


class Door:
    """Who is let in besides this machine.

    Used from one thread, that of the event loop.

    Parameters
    ----------
    addresses : tuple of str
        Where the page is for another device, such as ``http://192.0.2.7:8710/``; empty while the page is on this machine only.
    push : PushToken, optional
        What a micro-controller elsewhere shows with its readings, if they may be posted here.
    clock : callable, optional
        Seconds of a monotonic clock.
    """

    def __init__(
        self,
        addresses: tuple[str, ...] = (),
        push: PushToken | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.clock = clock
        self.addresses = addresses
        self.push = push
        self.codes = Codes(clock)
        self.devices = Devices(clock)

    @property
    def open(self) -> bool:
        """Whether anybody else can come to it at all."""
        return bool(self.addresses)


def spaced(code: str) -> str:
    """A code in two groups, as it is read out."""
    return f"{code[:4]} {code[4:]}"


def link_for(address: str, code: str) -> str:
    """What the picture for a phone's camera holds.

    The code stands behind ``#``: a browser sends that part to nobody, so it is in no log and in no referrer.
    """
    return f"{address}pair#{code}"
