"""A recorded stream as if it came in now."""

from __future__ import annotations

import threading
from pathlib import Path

from capture.clock import Clock
from capture.rawstream import hand_over, read_header, read_records
from capture.sources.contract import Sink, Source


class ReplaySource(Source):
    """Replays a raw stream.

    Parameters
    ----------
    path : Path
    speed : float
        1 is real time; 0 is as fast as possible.
    """

    own_times = True

    def __init__(self, path: Path, speed: float = 1.0) -> None:
        self.name = f"replay:{path}"
        self.path = path
        self.speed = speed
        read_header(path)

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Give every record at its own time."""
        begin = clock.now()
        for record in read_records(self.path):
            if self.speed > 0:
                due = begin + record.t / self.speed
                if stop.wait(max(0.0, due - clock.now())):
                    return
            elif stop.is_set():
                return
            hand_over(record, sink)
        self.finished = True
