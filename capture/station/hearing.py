"""What is done with everything a source gives: recorded first, then decoded, counted and handed on."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections import deque

from analysis.readings import Reading
from capture.clock import Clock, StepWatch, utc_text
from capture.counters import Counters
from capture.decoders import Damaged
from capture.feeding import Feeding
from capture.hub import Event
from capture.pipeline import NEW_SET
from capture.running_set import RunningSet
from capture.silence import Silence

TRACE = 900
"""Readings a page that just arrived is given."""


class Hearing(ABC):
    """The sink of a source, set after set.

    `chunk`, `link` and `mark` are called in the source's thread, with the source's times.

    Parameters
    ----------
    clock : Clock
    feeding : Feeding
        Handed everything that is recorded.
    period_s : float
        Expected time between readings, until enough have come to see it.
    """

    _set: RunningSet
    """The set that runs; changed under the lock."""

    def __init__(self, clock: Clock, feeding: Feeding, period_s: float) -> None:
        self._clock, self._feeding = clock, feeding
        self._lock = threading.RLock()
        self._steps = StepWatch(clock)
        self._link: Event = {"event": "link", "t": 0.0, "state": "waiting", "why": ""}
        self._last: Event | None = None
        self._trace: deque[tuple[float, float]] = deque(maxlen=TRACE)
        self._latest = 0.0
        self._silence = Silence(period_s)
        self.counters = Counters()

    @property
    @abstractmethod
    def _own_times(self) -> bool:
        """Whether the source's times and silences come with it."""

    @abstractmethod
    def _tell(self, event: Event) -> None:
        """Tell those who watch; from any thread."""

    @abstractmethod
    def _changed(self) -> None:
        """There is something new to judge; from any thread."""

    @abstractmethod
    def _fail(self, why: str) -> None:
        """Say what went wrong in this set; from any thread."""

    # from the source

    def chunk(self, t: float, data: bytes) -> None:
        """Record, decode, hand on."""
        with self._lock:
            t = self._in_set(t)
            s = self._set
            self.counters.bytes += len(data)
            if s.writer is not None:
                s.writer.rx(t, data)
            before = s.session.version
            if not s.spoilt:
                try:
                    s.pipe.chunk(t, data)
                except Exception as e:  # the bytes are recorded, and go on being recorded
                    s.spoilt = True
                    self._fail(
                        f"reading the bytes failed: {type(e).__name__}: {e}. They are recorded; begin a new set."
                    )
            changed = s.session.version != before
        if changed:
            self._changed()

    def link(self, t: float, state: str, why: str = "") -> None:
        """Record and hand on a change of the link."""
        with self._lock:
            self._change(self._in_set(t), state, why)

    def _change(self, t: float, state: str, why: str) -> None:
        s = self._set
        if s.writer is not None:
            s.writer.link(t, state, why)
        self._feeding.link(t, state, why)
        before = s.session.version
        s.pipe.link(t, state, why)
        self.counters.link(state)
        if not self._own_times:
            if state == "lost":
                self._silence.lost()
            elif state != "stale" and self._link["state"] != "stale":
                self._silence.opened(t)
        self._link = {"event": "link", "t": t, "state": state, "why": why}
        self._tell(self._link)
        if s.session.version != before:
            self._changed()

    def mark(self, t: float, mark: str) -> None:
        """Record and hand on a mark."""
        with self._lock:
            self._mark(self._in_set(t), mark)

    def _mark(self, t: float, mark: str) -> None:
        s = self._set
        if s.writer is not None:
            s.writer.mark(t, mark)
        self._feeding.mark(t, mark)
        s.pipe.mark(t, mark)
        self._tell({"event": "mark", "t": t, "mark": mark})
        self._changed()

    def _in_set(self, t: float) -> float:
        """A source's time in the set that runs: what was stamped just before a set began comes first in it.

        It has the digits that the raw stream has, so that a replay gives the very same numbers.
        """
        self._latest = max(self._latest, t)
        return round(max(0.0, t - self._set.zero), 6)

    def _heard(self, r: Reading, shown: str) -> None:
        value = r.mm
        self._feeding.reading(r)
        self.counters.readings += 1
        self._set.heard += 1
        if not self._own_times and self._silence.heard(r.t):
            self._change(r.t, "back", "readings again")
        self._last = {
            "event": "reading",
            "t": r.t,
            "value_mm": value,
            "counts": r.counts,
            "unit": r.scale.unit,
            "step": float(r.scale.step),
            "shown": shown,
        }
        self._trace.append((r.t, value))
        self._tell(self._last)

    def _damaged(self, t: float, item: Damaged) -> None:
        self._feeding.damaged(t, item.why)
        self.counters.damaged += 1

    def now(self) -> float:
        """Seconds since the set began, with the digits of the raw stream."""
        return round(self._clock.now() - self._set.clock_zero, 6)

    def _look(self) -> None:
        """Say when readings have stopped, and when the computer's clock was set."""
        step = self._steps.step()
        with self._lock:
            now = self.now()
            if step is not None:
                self.counters.clock_steps += 1
                if self._set.writer is not None:
                    self._set.writer.wall_clock(now, utc_text(self._clock.wall()), step)
                self._tell({"event": "clock", "t": now, "step_s": round(step, 3)})
            why = self._silence.told(now)
            if why is not None:
                self._change(now, "stale", why)

    # from set to set; under the lock

    def _go_on_in(self, fresh: RunningSet, old: RunningSet) -> None:
        """What the source gives from now on belongs to a new set, which has begun."""
        self._silence.moved(fresh.zero - old.zero)
        if self._link["state"] in ("opened", "back", "stale"):
            # The new stream must say by itself that the link stands, and whether it may begin in the middle of a frame.
            state = "back" if old.pipe.between_frames else "opened"
            if fresh.writer is not None:
                fresh.writer.link(0.0, state, NEW_SET)
            self._feeding.link(0.0, state, NEW_SET)
            fresh.pipe.link(0.0, state, NEW_SET)
            self._link = {"event": "link", "t": 0.0, "state": state, "why": NEW_SET}

    def _begin_with(self, period_s: float) -> None:
        """What comes from now on is another source's."""
        self._latest = 0.0
        self._silence = Silence(period_s)
        self.counters = Counters()
        self._link = {"event": "link", "t": 0.0, "state": "waiting", "why": ""}

    def _zero(self, fresh: RunningSet, sources: float) -> None:
        """A set is about to begin: now, or at this time of a source that brings its own."""
        fresh.clock_zero = self._clock.now()
        fresh.zero = sources if self._own_times else fresh.clock_zero
        self._trace.clear()
        self._last = None
