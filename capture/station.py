"""The live whole: source, recorder, pipeline, and events to those who watch.

The source's thread writes each chunk to the raw stream, then decodes it and hands it to the session.  The event loop only
hears of it afterwards, so a stalled loop or page can neither lose nor re-time a reading.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from analysis.session import Session
from capture.clock import Clock
from capture.errors import CaptureError
from capture.hub import Event, Hub, Subscription
from capture.pipeline import Pipeline
from capture.profiles import Profile
from capture.rawstream import StreamWriter
from capture.sources import open_source
from capture.sources.contract import Source

if TYPE_CHECKING:
    from analysis.setup import Setup

TRACE = 900
"""Readings a page that just arrived is given."""

STALE_PERIODS = 2.0
LEAST_STALE_S = 0.15
CHECK_S = 0.05

MARKS = ("reseat", "zero", "master", "pinion-turned", "push-pull")


class Station:
    """One indicator, listened to.

    Parameters
    ----------
    source : str or Source
        SOURCE text, or a source made already.
    profile : Profile
    setup : Setup, optional
    record_to : Path, optional
        Folder for raw streams, one file a set; nothing is recorded without it.
    """

    def __init__(
        self,
        source: str | Source,
        *,
        profile: Profile,
        setup: Setup | None = None,
        record_to: Path | None = None,
    ) -> None:
        self._source = open_source(source, profile) if isinstance(source, str) else source
        self.profile = profile
        self.setup = setup
        self._folder = record_to
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._hub = Hub()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="judge")
        self._judging = False
        self._link: Event = {"event": "link", "t": 0.0, "state": "waiting", "why": ""}
        self._stale = False
        self._last: Event | None = None
        self._trace: deque[tuple[float, float]] = deque(maxlen=TRACE)
        self._result: dict[str, Any] | None = None
        self._told = 0
        self.failure: str | None = None
        self.sets = 0
        self._begin_set()

    # life

    async def start(self) -> None:
        """Start reading."""
        self._loop = asyncio.get_running_loop()
        self._thread = threading.Thread(target=self._run, name="source", daemon=True)
        self._thread.start()
        self._watch = asyncio.create_task(self._watch_age())

    async def stop(self) -> None:
        """Stop reading, put everything on the disk, end all subscriptions."""
        self._hub.close()
        self._stop.set()
        self._watch.cancel()
        if self._thread is not None:
            await asyncio.to_thread(self._thread.join, 5.0)
        with self._lock:
            self._session.close()
            if self._writer is not None:
                self._writer.close()
        self._worker.shutdown(wait=False, cancel_futures=True)

    @property
    def running(self) -> bool:
        """False once the source has ended or failed."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._source.run(self, self._clock_view, self._stop)
            if self._source.finished:
                with self._lock:
                    self._session.close()
                self._post(self._after_change)
                self._post(self._publish, {"event": "end"})
        except CaptureError as e:
            self.failure = str(e)
            self._post(self._publish, {"event": "failure", "why": str(e)})

    # sink: called in the source's thread

    def chunk(self, t: float, data: bytes) -> None:
        """Record, decode, hand on."""
        with self._lock:
            if self._writer is not None:
                self._writer.rx(t, data)
            if self._stale:
                self._stale = False
                self.link(t, "back", "readings again")
            before = self._session.version
            self._pipe.chunk(t, data)
            changed = self._session.version != before
        if changed:
            self._post(self._after_change)

    def link(self, t: float, state: str, why: str = "") -> None:
        """Record and hand on a change of the link."""
        with self._lock:
            if self._writer is not None:
                self._writer.link(t, state, why)
            before = self._session.version
            self._pipe.link(t, state, why)
            changed = self._session.version != before
            if state == "lost":
                self._stale = False
            self._link = {"event": "link", "t": t, "state": state, "why": why}
        self._post(self._publish, self._link)
        if changed:
            self._post(self._after_change)

    def mark(self, t: float, mark: str) -> None:
        """Record and hand on a mark."""
        with self._lock:
            if self._writer is not None:
                self._writer.mark(t, mark)
            self._pipe.mark(t, mark)
        self._post(self._publish, {"event": "mark", "t": t, "mark": mark})
        self._post(self._after_change)

    def _heard(self, r: Reading, shown: str) -> None:
        value = r.mm
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
        self._post(self._publish, self._last)

    # commands: called in the event loop

    def now(self) -> float:
        """Seconds since the set began."""
        return self._clock.now()

    def mark_now(self, mark: str) -> None:
        """Make a mark at this moment.

        Raises
        ------
        ValueError
            If the mark is not one of `MARKS` or a note.
        """
        if mark not in MARKS and not (mark.startswith("note:") and len(mark) <= 505):
            raise ValueError(f"mark is {mark!r}; allowed: {', '.join(MARKS)}, or note: and up to 500 characters")
        self.mark(self._clock.now(), mark)

    def new_set(self) -> None:
        """End this set and begin the next, with a raw stream of its own."""
        with self._lock:
            self._session.close()
            if self._writer is not None:
                self._writer.close()
            self._begin_set()
            if self._link["state"] in ("opened", "back", "stale"):
                # The new stream must say by itself that the link stands, and begins in the middle of a line perhaps.
                if self._writer is not None:
                    self._writer.link(0.0, "opened")
                self._pipe.link(0.0, "opened")
                self._link = {"event": "link", "t": 0.0, "state": "opened", "why": ""}
        self._publish({"event": "set", "n": self.sets})
        self._after_change()

    def subscribe(self) -> Subscription:
        """Events from now on."""
        return self._hub.subscribe()

    def end_subscriptions(self) -> None:
        """End all subscriptions; safe in a signal handler on the loop's thread."""
        self._post(self._hub.close)

    def state(self) -> dict[str, Any]:
        """All a page that just arrived needs."""
        with self._lock:
            trace = list(self._trace)
            last, link = self._last, self._link
        setup = self.setup
        return {
            "source": self._source.name,
            "set": self.sets,
            "now": self._clock.now(),
            "period_s": self.period_s,
            "link": {k: v for k, v in link.items() if k != "event"},
            "last": None if last is None else {k: v for k, v in last.items() if k != "event"},
            "trace": trace,
            "result": self._result,
            "failure": self.failure or self._recording_failure(),
            "recording": str(self._writer.path) if self._writer is not None else None,
            "setup": None
            if setup is None
            else {
                "units": setup.units,
                "tolerance_mm": setup.tolerance_mm,
                "aim_mm": setup.aim_mm,
                "reading_sense": setup.reading_sense,
            },
        }

    @property
    def period_s(self) -> float:
        """Expected time between readings: as seen, or as the profile says."""
        return self._session.period_s or self.profile.period_s

    # within

    def _begin_set(self) -> None:
        self.sets += 1
        self._clock = Clock()
        self._clock_view = _Now(self)
        self._session = Session(self.setup)
        self._pipe = Pipeline(self.profile, self._session, self._heard)
        self._told = 0
        self._trace.clear()
        self._last = None
        self._result = None
        self._writer: StreamWriter | None = None
        if self._folder is not None:
            stamp = self._clock.started.strftime("%Y%m%dT%H%M%SZ")
            path = self._folder / f"{stamp}-{self.sets:03d}" / "stream.jsonl"
            n = 1
            while path.exists():
                n += 1
                path = self._folder / f"{stamp}-{self.sets:03d}-{n}" / "stream.jsonl"
            self._writer = StreamWriter(path, self._source.name, self.profile.table, self._clock.started_text)

    def _recording_failure(self) -> str | None:
        return self._writer.failure if self._writer is not None else None

    def _post(self, call: Any, *args: Any) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(call, *args)

    def _publish(self, event: Event) -> None:
        self._hub.publish(event)

    def _after_change(self) -> None:
        """Have the set judged again, off the loop, once at a time."""
        if self._judging or self._stop.is_set():
            return
        self._judging = True
        session, number = self._session, self.sets
        version = session.version

        def judge() -> dict[str, Any]:
            return session.result()

        def done(result: dict[str, Any] | None) -> None:
            self._judging = False
            if self.sets == number and result is not None:
                self._show(result)
            if self._session is not session or session.version != version:
                self._after_change()

        def work() -> None:
            try:
                out: dict[str, Any] | None = judge()
            except Exception as e:  # the judge must not die silently: say so on the page
                self.failure = f"judging the set failed: {type(e).__name__}: {e}"
                self._post(self._publish, {"event": "failure", "why": self.failure})
                out = None
            self._post(done, out)

        self._worker.submit(work)

    def _show(self, result: dict[str, Any]) -> None:
        self._result = result
        sweeps = result["sweeps"]
        for sweep in sweeps[self._told :]:
            self._publish({"event": "sweep", **sweep})
        self._told = len(sweeps)
        self._publish({"event": "result", **result})

    async def _watch_age(self) -> None:
        """Say when readings stop coming."""
        while True:
            await asyncio.sleep(CHECK_S)
            if not self.running:
                continue
            with self._lock:
                last, state = self._last, self._link["state"]
                if last is None or state not in ("opened", "back"):
                    continue
                age = self._clock.now() - last["t"]
                if age > max(STALE_PERIODS * self.period_s, LEAST_STALE_S):
                    self.link(self._clock.now(), "stale", f"no reading for {age:.1f} s")
                    self._stale = True


class _Now(Clock):
    """The clock of the set that is running: a source keeps one clock over many sets."""

    def __init__(self, station: Station) -> None:
        super().__init__()
        self._station = station

    def now(self) -> float:
        """Seconds since the running set began."""
        return self._station.now()
