"""What every source does.

A source runs in a thread of its own.  It stamps each piece of bytes as the read returns and hands it to the sink before it
reads again; it tells of every change of the link.  It goes on trying for ever once it has been open.
"""

from __future__ import annotations

import logging
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType
from typing import Any, Protocol

from capture.clock import Clock
from capture.errors import CaptureError, LinkLostError, SourceError

FIRST_WAIT_S = 0.1
LONGEST_WAIT_S = 1.0
"""Waits between attempts: an indicator that is plugged in again is read within three seconds."""

LOOK_S = 0.1
"""How often a wait looks whether the device has come."""

SETTLE_S = 1.0
"""A port's permissions come a moment after the port: a reason that waiting may not cure is told once it has lasted."""

_log = logging.getLogger("shimwright.link")


class Sink(Protocol):
    """Who takes what a source reads; called from the source's thread."""

    def chunk(self, t: float, data: bytes) -> None:
        """Bytes, stamped with seconds since the start."""
        ...

    def link(self, t: float, state: str, why: str = "") -> None:
        """ "opened", "lost" (again with another reason, if that changes) or "back"."""
        ...

    def mark(self, t: float, mark: str) -> None:
        """A mark that comes with the source (replay only)."""
        ...


class Source(ABC):
    """A place readings come from."""

    name: str
    about: Mapping[str, Any] = MappingProxyType({})
    """What is known of the link besides its state; by names the page has words for."""

    finished = False
    """True once a source that ends (a replay) has given everything."""

    own_times = False
    """True for a source whose times and silences come with it (a replay)."""

    @abstractmethod
    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Read until told to stop.

        Raises
        ------
        SourceError
            If it cannot be opened the first time and waiting will not help.
        """


class ReopeningSource(Source):
    """A source whose link may go and come back."""

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Open, read, and open again after every loss."""
        tries = Tries(self.name, sink, clock)
        while not stop.is_set():
            try:
                with self.opened() as read:
                    tries.open()
                    while not stop.is_set():
                        data = read()
                        if data:
                            sink.chunk(clock.now(), data)
                    return
            except LinkLostError as e:
                tries.failed(e)
            except SourceError as e:
                if not tries.told:
                    raise
                tries.failed(e)
            if self._wait(tries.wait, stop):
                tries.wait = FIRST_WAIT_S

    def _wait(self, seconds: float, stop: threading.Event) -> bool:
        """Wait; True as soon as the device has come meanwhile."""
        was_there = self.present()
        while seconds > 0 and not stop.is_set():
            stop.wait(min(LOOK_S, seconds))
            seconds -= LOOK_S
            if not was_there and self.present():
                return True
        return False

    def present(self) -> bool | None:
        """Whether the device is there to be opened; None if only opening it can tell."""
        return None

    @abstractmethod
    @contextmanager
    def opened(self) -> Iterator[Reader]:
        """Open the link once; give a function that waits briefly for bytes.

        Raises
        ------
        LinkLostError
            If it is not there now.
        SourceError
            If it never will be (permission, another program, not a port).
        """
        raise NotImplementedError
        yield


class Tries:
    """What has been told of a link that goes and comes, and how long to wait before the next attempt.

    Parameters
    ----------
    name : str
    sink : Sink
    clock : Clock
    later_reasons : bool
        Why it does not come back is told too, once that has lasted, where it says more than how it was lost; else only what
        waiting may not cure.
    """

    def __init__(self, name: str, sink: Sink, clock: Clock, *, later_reasons: bool = False) -> None:
        self._name, self._sink, self._clock, self._later = name, sink, clock, later_reasons
        self.told = False
        self.wait = FIRST_WAIT_S
        self._is_open = False
        self._reason = ""
        self._grave = False
        self._seen: tuple[str, float] = ("", 0.0)
        self._count = 0

    def open(self, why: str = "") -> None:
        """It opened; `why` is told of one that is back."""
        if self._count:
            _log.info("%s: open after %d attempts", self._name, self._count)
        if self.told:
            self._sink.link(self._clock.now(), "back", why)
        else:
            self._sink.link(self._clock.now(), "opened")
        self._is_open = self.told = True
        self.wait, self._reason, self._grave, self._count = FIRST_WAIT_S, "", False, 0
        self._seen = ("", 0.0)

    def failed(self, e: CaptureError) -> None:
        """It was lost or did not open."""
        now, reason, grave = self._clock.now(), str(e), isinstance(e, SourceError)
        if not self._is_open:
            self.wait = min(LONGEST_WAIT_S, self.wait * 1.6)
        if self._seen[0] != reason:
            self._seen = (reason, now)
        news = self._is_open or not self.told
        if (grave or self._grave or self._later) and reason != self._reason and now - self._seen[1] >= SETTLE_S:
            news = True
        # The first failure of a kind is worth a warning; the hundredth of the same is not.
        _log.log(logging.WARNING if news else logging.DEBUG, "%s: %s", self._name, reason)
        if news:
            self._sink.link(now, "lost", reason)
            self._reason, self._grave = reason, grave
        self._is_open, self.told = False, True
        self._count += 1


class Reader(Protocol):
    """Waits at most a quarter of a second for bytes; gives none when there are none.

    Raises
    ------
    LinkLostError
        If the link has gone.
    """

    def __call__(self) -> bytes:
        """Bytes that are there."""
        ...
