"""What every source does.

A source runs in a thread of its own.  It stamps each piece of bytes as the read returns and hands it to the sink before it
reads again; it tells of every change of the link.  It goes on trying for ever once it has been open.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from capture.clock import Clock
from capture.errors import LinkLostError, SourceError

FIRST_WAIT_S = 0.1
LONGEST_WAIT_S = 1.0
"""Waits between attempts: an indicator that is plugged in again is read within three seconds."""


class Sink(Protocol):
    """Who takes what a source reads; called from the source's thread."""

    def chunk(self, t: float, data: bytes) -> None:
        """Bytes, stamped with seconds since the start."""
        ...

    def link(self, t: float, state: str, why: str = "") -> None:
        """ "opened", "lost" or "back"."""
        ...

    def mark(self, t: float, mark: str) -> None:
        """A mark that comes with the source (replay only)."""
        ...


class Source(ABC):
    """A place readings come from."""

    name: str
    finished = False
    """True once a source that ends (a replay) has given everything."""

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
        was_open = False
        told = False
        wait = FIRST_WAIT_S
        while not stop.is_set():
            try:
                with self.opened() as read:
                    sink.link(clock.now(), "back" if told else "opened")
                    was_open, told, wait = True, True, FIRST_WAIT_S
                    while not stop.is_set():
                        data = read()
                        if data:
                            sink.chunk(clock.now(), data)
                    return
            except LinkLostError as e:
                if was_open or not told:
                    sink.link(clock.now(), "lost", str(e))
                was_open, told = False, True
            except SourceError:
                if not told:
                    raise
            stop.wait(wait)
            wait = min(LONGEST_WAIT_S, wait * 1.6)

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
