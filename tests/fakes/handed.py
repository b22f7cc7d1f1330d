"""A source that is handed what it gives, with the times it is to bear."""

from __future__ import annotations

import queue
import threading

from capture.clock import Clock
from capture.sources.contract import Sink, Source


class HandedSource(Source):
    """Gives chunks as they are handed to it, as fast as they are taken."""

    name = "replay:handed"
    own_times = True

    def __init__(self) -> None:
        self._waiting: queue.Queue[tuple[float, bytes]] = queue.Queue()
        self._last = 0.0

    def hand(self, chunks: list[tuple[float, bytes]]) -> None:
        """Give these chunks; their times go on from those before."""
        start = self._last
        for t, data in chunks:
            self._last = start + t
            self._waiting.put((self._last, data))

    @property
    def empty(self) -> bool:
        """Whether all that was handed over has been taken."""
        return self._waiting.unfinished_tasks == 0

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Open, and give what comes."""
        sink.link(0.0, "opened")
        while not stop.is_set():
            try:
                t, data = self._waiting.get(timeout=0.02)
            except queue.Empty:
                continue
            sink.chunk(t, data)
            self._waiting.task_done()
