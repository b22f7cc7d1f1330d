"""One source being listened to, for as long as it is wanted."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from capture.clock import Clock
from capture.errors import CaptureError
from capture.sources.contract import Sink, Source

_log = logging.getLogger("shimwright.station")


class Listening:
    """Runs a source in a thread of its own, and hands on what it gives until it is left.

    Parameters
    ----------
    source : Source
    sink : Sink
        Called in the source's thread.
    clock : Clock
    ended : callable
        Told in the source's thread that the source has finished or failed by itself.
    """

    def __init__(self, source: Source, sink: Sink, clock: Clock, ended: Callable[[Listening], None]) -> None:
        self.source = source
        self.failure: str | None = None
        self._sink, self._clock, self._ended = sink, clock, ended
        self._left = False
        self._along: tuple[Sink, ...] = ()
        self.stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start reading."""
        self._thread = threading.Thread(target=self.run, name="source", daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """False once the source has ended or failed."""
        return self._thread is not None and self._thread.is_alive()

    def end(self, wait_s: float) -> bool:
        """Stop reading; True once the source has let go, what it still gave included."""
        self.stop.set()
        if self._thread is not None:
            self._thread.join(wait_s)
        return not self.running

    def leave(self) -> None:
        """Take nothing more of the source, which did not end when it was told to."""
        self._left = True

    def run(self) -> None:
        """Read until told to stop, or until the source ends."""
        try:
            self.source.run(self, self._clock, self.stop)
        except CaptureError as e:
            self.failure = str(e)
        except Exception as e:
            _log.exception("the source has failed")
            self.failure = (
                f"Listening has ended by a fault of this program ({type(e).__name__}: {e}). "
                "What was received until now is recorded. Start it again."
            )
        if not self._left and (self.failure is not None or self.source.finished):
            self._ended(self)

    @contextmanager
    def along(self, taker: Sink) -> Iterator[None]:
        """Have somebody else given the same bytes and changes of the link, after the sink; from any thread."""
        self._along = (*self._along, taker)
        try:
            yield
        finally:
            self._along = tuple(x for x in self._along if x is not taker)

    # sink: from the source

    def chunk(self, t: float, data: bytes) -> None:
        """Bytes."""
        if not self._left:
            self._sink.chunk(t, data)
            for taker in self._along:
                with _looked_on():
                    taker.chunk(t, data)

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link."""
        if not self._left:
            self._sink.link(t, state, why)
            for taker in self._along:
                with _looked_on():
                    taker.link(t, state, why)

    def mark(self, t: float, mark: str) -> None:
        """A mark."""
        if not self._left:
            self._sink.mark(t, mark)


@contextmanager
def _looked_on() -> Iterator[None]:
    """Who merely looks on must not end the listening."""
    try:
        yield
    except Exception:
        _log.exception("somebody who looked on has failed")
