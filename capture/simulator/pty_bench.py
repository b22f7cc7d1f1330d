"""The simulated bench behind a real pseudo-terminal that can be pulled out and put back."""

from __future__ import annotations

import fcntl
import os
import select
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from capture.simulator.bench import Event

STALL_S = 0.005
"""How late an event is through no doing of the hand's."""
UNREAD_S = 0.5
"""How long a reader is waited for that is merely busy."""
FULL_S = 1.0
"""How long bytes are held for a terminal that is full because nobody reads."""


class PtyBench:
    """Writes events to a pseudo-terminal in real time.

    Parameters
    ----------
    link : Path
        Symbolic link to make; it points at the terminal while that is plugged in, so its name stays while the terminal's changes.
    speed : float
        1 is real time.  A moment in which the machine gave this thread or the reader no time is not caught up in a burst: the
        hand waits as long, so that a busy machine shows as a halting hand and not as a bad sweep.
    on_event : callable, optional
        Told of events that are not bytes ("reseat", "unplug", …) as they happen.
    """

    def __init__(self, link: Path, *, speed: float = 1.0, on_event: Callable[[Event], None] | None = None) -> None:
        self.link = link
        self._speed = speed
        self._tell = on_event
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()
        self._master: int | None = None
        self._slave: int | None = None
        self.sent: list[bytes] = []
        self.keep_sent = False
        self.lost = 0
        self.finished = threading.Event()
        self._unread = False
        self.replug()

    def replug(self, other_than: str | None = None) -> None:
        """Make a new terminal and point the link at it.

        Parameters
        ----------
        other_than
            A name the new terminal must not bear, as when a port comes back under another one.
        """
        with self._lock:
            if self._master is not None:
                return
            master, slave = os.openpty()
            if os.ttyname(slave) == other_than:
                # Held until the next one is open: the system cannot give the same name twice.
                same = (master, slave)
                master, slave = os.openpty()
                for end in same:
                    os.close(end)
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._master, self._slave = master, slave
            fresh = self.link.with_name(self.link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(os.ttyname(slave))
            fresh.replace(self.link)

    def unplug(self) -> None:
        """Take the terminal away."""
        with self._lock:
            if self._master is None or self._slave is None:
                return
            self.link.unlink(missing_ok=True)
            os.close(self._slave)
            os.close(self._master)
            self._master = self._slave = None

    def write(self, data: bytes) -> bool:
        """Send bytes; False if the terminal is out or, full, is read by nobody for a second."""
        until = time.monotonic() + FULL_S
        left = data
        while left:
            with self._lock:
                master = self._master
                if master is None:
                    self.lost += 1
                    return False
                with suppress(BlockingIOError):
                    left = left[os.write(master, left) :]
                    continue
            if time.monotonic() > until:
                self.lost += 1
                return False
            # It may be pulled out by another thread meanwhile.
            with suppress(OSError, ValueError):
                select.select([], [master], [], 0.05)
        if self.keep_sent:
            self.sent.append(data)
        return True

    def start(self, events: Iterable[Event]) -> None:
        """Play events in a thread."""
        self._thread = threading.Thread(target=self._play, args=(events,), name="bench", daemon=True)
        self._thread.start()

    def _play(self, events: Iterable[Event]) -> None:
        begin = time.monotonic()
        for event in events:
            wait = begin + event.t / self._speed - time.monotonic()
            if wait > 0 and self._stop.wait(wait):
                return
            if self._stop.is_set():
                return
            if event.kind == "data":
                self.write(event.data)
                self._wait_for_reader()
            else:
                if event.kind == "unplug":
                    self.unplug()
                elif event.kind == "replug":
                    self.replug()
                if self._tell is not None:
                    self._tell(event)
            late = time.monotonic() - (begin + event.t / self._speed)
            if late > STALL_S:
                begin += late
        self.finished.set()

    def _wait_for_reader(self) -> None:
        """Return once what was sent has been read; a reader that reads nothing is not waited for again until it does."""
        until = time.monotonic() + (0.0 if self._unread else UNREAD_S)
        while self._waiting() > 0:
            self._unread = time.monotonic() >= until
            if self._unread or self._stop.wait(0.001):
                return
        self._unread = False

    def _waiting(self) -> int:
        """Bytes nobody has read yet."""
        with self._lock:
            if self._slave is None:
                return 0
            return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)

    def stop(self) -> None:
        """End the thread and take the terminal away."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(3.0)
        self.unplug()
