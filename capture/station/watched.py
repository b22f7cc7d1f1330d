"""What those who watch are told of the set that runs, and the whole picture for one who has just come."""

from __future__ import annotations

import asyncio
import logging
import sys
from typing import TYPE_CHECKING, Any

from capture.clock import Clock
from capture.feeding import Feeding
from capture.hub import Event, Hub, Subscription
from capture.profiles import Profile
from capture.sources.contract import Source
from capture.station.hearing import Hearing
from capture.station.judge import Judge
from capture.station.listening import Listening

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.setup import Setup
    from analysis.tracing import Trace

_log = logging.getLogger("shimwright.station")


class Watched(Hearing):
    """Tells the event loop, once it runs, of what was heard and judged.

    Parameters
    ----------
    clock : Clock
    feeding : Feeding
        Told every result.
    profile : Profile
    setup : Setup, optional
    """

    _listening: Listening
    """The source in its thread; changed under the lock."""

    def __init__(self, clock: Clock, feeding: Feeding, profile: Profile, setup: Setup | None) -> None:
        super().__init__(clock, feeding, profile.period_s)
        self.profile = profile
        self.setup = setup
        self._hub = Hub()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._judge = Judge(self._post, lambda: self._set.session, self._show, self._fail)
        self._result: dict[str, Any] | None = None
        self._step: dict[str, object] | None = None
        self.number = 0
        self.sets = 1
        self._interrupted: dict[str, Any] | None = None
        self._told = 0
        self._set_failure: str | None = None

    @property
    def _source(self) -> Source:
        return self._listening.source

    @property
    def _own_times(self) -> bool:
        return self._source.own_times

    @property
    def running(self) -> bool:
        """False once the source has ended or failed."""
        return self._listening.running

    @property
    def failure(self) -> str | None:
        """What keeps this station from its work now, or None; recording comes before the store."""
        return self.capture_failure or self._feeding.failure

    @property
    def capture_failure(self) -> str | None:
        """What keeps this station from reading, judging or recording now, or None."""
        writer = self._set.writer
        recording = writer.failure if writer is not None else None
        return self._listening.failure or recording or self._set_failure

    @property
    def recording(self) -> Path | None:
        """The raw stream of the set that runs."""
        writer = self._set.writer
        return None if writer is None else writer.path

    @property
    def heard(self) -> int:
        """Readings of the set that runs."""
        return self._set.heard

    @property
    def result(self) -> dict[str, Any] | None:
        """The set that runs as it was last judged; `number` counts these."""
        return self._result

    @property
    def period_s(self) -> float:
        """Expected time between readings: as seen, or as the profile says."""
        return self._set.session.period_s or self.profile.period_s

    def trace(self, n: int) -> Trace | None:
        """Readings and curve of sweep `n` of the set that runs, as it was last judged; from any thread."""
        return self._set.session.trace(n)

    def state(self) -> dict[str, Any]:
        """All a page that just arrived needs."""
        with self._lock:
            trace = list(self._trace)
            last, link = self._last, self._link
            writer = self._set.writer
        setup = self.setup
        return {
            "source": self._source.name,
            "profile": self.profile.name,
            "set": self.sets,
            "now": self.now(),
            "period_s": self.period_s,
            "link": {k: v for k, v in link.items() if k != "event"},
            "last": None if last is None else {k: v for k, v in last.items() if k != "event"},
            "trace": trace,
            "result": self._result,
            "number": self.number,
            "step": self._step,
            "interrupted": self._interrupted,
            "failure": self.failure,
            "counters": self.counters.as_dict(),
            "store": self._feeding.state(),
            "recording": str(writer.path) if writer is not None else None,
            "recorded": None if writer is None else {"lines": writer.lines, "safe_lines": writer.synced_lines},
            "setup": None
            if setup is None
            else {
                "units": setup.units,
                "tolerance_mm": setup.tolerance_mm,
                "aim_mm": setup.aim_mm,
                "reading_sense": setup.reading_sense,
            },
        }

    # those who watch

    def subscribe(self) -> Subscription:
        """Events from now on."""
        return self._hub.subscribe()

    def end_subscriptions(self) -> None:
        """End all subscriptions; safe in a signal handler on the loop's thread."""
        self._post(self._hub.close)

    def _post(self, call: Any, *args: Any) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(call, *args)

    def _publish(self, event: Event) -> None:
        self._hub.publish(event)

    def _tell(self, event: Event) -> None:
        self._post(self._publish, event)

    def _fail(self, why: str) -> None:
        _log.error("%s", why, exc_info=sys.exc_info()[0] is not None)
        self._set_failure = why
        self._tell({"event": "failure", "why": why})

    def _recording_trouble(self, why: str | None) -> None:
        if why is not None:
            _log.warning("%s", why)
        # An empty reason takes the last one off the page; one of another kind stays.
        self._post(self._publish_failure, why)

    def _publish_failure(self, why: str | None) -> None:
        self._publish({"event": "failure", "why": why or self.failure or ""})

    # what is judged

    def _changed(self) -> None:
        self._post(self._judge.look)

    def _show(self, result: dict[str, Any], step: dict[str, object], version: int) -> None:
        self._result, self._step = result, step
        self.number += 1
        self._feeding.result(result)
        sweeps = result["sweeps"]
        for sweep in sweeps[self._told :]:
            self._publish({"event": "sweep", **sweep})
        self._told = len(sweeps)
        self._publish({"event": "result", "number": self.number, "step": step, **result})
        if step["do"] in ("read-answer", "called-off") and result["enough"] is not None:
            self._end_set(version)

    def _judged_afresh(self) -> None:
        """A set has begun, and nothing of it is judged; under the lock."""
        self._told = 0
        self._result = self._step = self._set_failure = self._interrupted = None

    def _end_set(self, version: int) -> None:
        """The set has what it needs: what is swept from here on does not count, in this run or when the stream is read again."""
        with self._lock:
            session = self._set.session
            # Judged on all that was found, or it is judged once more first; and a user who goes on has the last word.
            if session.version == version and not session.ended and not session.went_on:
                self._mark(round(self._latest - self._set.zero, 6) if self._source.own_times else self.now(), "set-end")
