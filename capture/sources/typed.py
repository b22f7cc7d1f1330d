"""Readings typed or pasted, one a line, on standard input."""

from __future__ import annotations

import sys
import threading
from typing import TextIO

from capture.clock import Clock
from capture.sources.contract import Sink, Source


class TypedSource(Source):
    """Lines from a terminal, a pipe or a keyboard-wedge cable."""

    name = "typed"

    def __init__(self, file: TextIO | None = None) -> None:
        self._file = file if file is not None else sys.stdin

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Give every line as it is finished."""
        sink.link(clock.now(), "opened")
        for line in self._file:
            if stop.is_set():
                return
            sink.chunk(clock.now(), line.encode("latin-1", "replace"))
        self.finished = True
