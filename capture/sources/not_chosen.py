"""No indicator yet: what is listened to until one is chosen on the page."""

from __future__ import annotations

import threading

from capture.clock import Clock
from capture.sources.contract import Sink, Source

NOT_CHOSEN = "none"
"""Its name; the pages know it by that."""


class NotChosenSource(Source):
    """Gives nothing and says why."""

    name = NOT_CHOSEN

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Wait until another one is listened to."""
        sink.link(clock.now(), "lost", "no indicator is chosen yet")
        stop.wait()
