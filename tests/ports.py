"""A port that stays a test's own while nobody listens on it."""

from __future__ import annotations

import random
import socket
from pathlib import Path
from types import TracebackType

_HANDED_OUT = Path("/proc/sys/net/ipv4/ip_local_port_range")
_BELOW = 10_000


class ReservedPort:
    """A port of the loopback that nobody else gets until it is given back.

    One the system has just handed out and got back may be handed to any other process the next moment, and a test that wants
    nobody to listen there, or to listen there again itself, then meets a stranger.  This one lies below those the system hands
    out, and is held against other test processes by a name in the system's list of sockets.

    Attributes
    ----------
    number : int
    """

    def __init__(self) -> None:
        first = int(_HANDED_OUT.read_text("ascii").split()[0]) if _HANDED_OUT.exists() else 32768
        low = first - _BELOW if first - _BELOW > 1024 else 10_000
        for number in random.SystemRandom().sample(range(low, low + _BELOW), 500):
            held = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                held.bind(f"\0shimwright-tests-port-{number}")
                with socket.create_server(("127.0.0.1", number)):
                    pass
            except OSError:
                held.close()
                continue
            self._held, self.number = held, number
            return
        raise AssertionError("no port to be had below those the system hands out")

    def release(self) -> None:
        """Give it back."""
        self._held.close()

    def __enter__(self) -> int:
        return self.number

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.release()
