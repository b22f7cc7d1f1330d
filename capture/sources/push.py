"""Readings that are sent here: a micro-controller posts them over HTTP."""

from __future__ import annotations

import queue
import threading

from capture.clock import Clock
from capture.sources.contract import Sink, Source

MOST_WAITING = 256
"""Posts that may wait to be taken; further ones are refused rather than held without bound."""

LOOK_S = 0.05


class _Post:
    """Bytes that were posted, and whether they have been taken."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.taken = threading.Event()


class PushSource(Source):
    """Takes what `push` is given, in order."""

    name = "push"

    def __init__(self) -> None:
        self._posts: queue.Queue[_Post] = queue.Queue(MOST_WAITING)
        self._open = threading.Event()

    def push(self, data: bytes, wait_s: float) -> bool:
        """Hand over bytes; a line end is added if there is none.

        Parameters
        ----------
        data : bytes
        wait_s : float
            How long to wait until they are taken, in seconds.

        Returns
        -------
        bool
            True once the bytes are in the raw stream; False if they were not taken and will not be.
        """
        if not self._open.is_set():
            return False
        post = _Post(data if data.endswith((b"\n", b"\r")) else data + b"\n")
        try:
            self._posts.put_nowait(post)
        except queue.Full:
            return False
        if post.taken.wait(wait_s):
            return True
        with self._posts.mutex:
            if post in self._posts.queue:
                self._posts.queue.remove(post)
                return False
        # It is being taken at this moment.
        return post.taken.wait(wait_s)

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Hand on every post until told to stop."""
        sink.link(clock.now(), "opened")
        # After a line end the first line is known to have its start.
        sink.chunk(clock.now(), b"\n")
        self._open.set()
        try:
            while not stop.is_set():
                try:
                    post = self._posts.get(timeout=LOOK_S)
                except queue.Empty:
                    continue
                sink.chunk(clock.now(), post.data)
                post.taken.set()
        finally:
            self._open.clear()
