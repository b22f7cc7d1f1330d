"""The live whole: source, recorder, pipeline, and events to those who watch.

The source's thread writes each chunk to the raw stream, then decodes it and hands it to the session.  The event loop only
hears of it afterwards, so a stalled loop or page can neither lose nor re-time a reading; and whatever goes wrong in decoding
or judging, or with the evidence store, the recording goes on.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import threading
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from analysis.session import Session
from capture.clock import Clock, StepWatch, utc_text
from capture.counters import Counters
from capture.decoders import Damaged
from capture.errors import CaptureError
from capture.feeding import Feeding
from capture.hub import Event, Hub, Subscription
from capture.judge import Judge
from capture.pipeline import Pipeline
from capture.profiles import Profile
from capture.rawstream import StreamHeader, StreamWriter, new_folder, repair_folder
from capture.rawstream.disk import DISK, write_small
from capture.silence import Silence
from capture.sources import open_source
from capture.sources.contract import Source

if TYPE_CHECKING:
    from analysis.setup import Setup
    from capture.store.feed import StoreFeed

TRACE = 900
"""Readings a page that just arrived is given."""

CHECK_S = 0.05

_log = logging.getLogger("shimwright.station")

SETUP_FILE = "setup.toml"
"""Name of the set-up that is kept beside each raw stream."""

MARKS = ("reseat", "zero", "master", "pinion-turned", "push-pull")


@dataclass
class _Set:
    """One set: its recording and what is made of it."""

    session: Session
    pipe: Pipeline
    writer: StreamWriter | None
    header: StreamHeader
    zero: float = 0.0
    clock_zero: float = 0.0
    spoilt: bool = False


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
    clock : Clock, optional
    setup_file : bytes, optional
        Content of the set-up file, kept as it is beside each raw stream.
    feed : StoreFeed, optional
        Given everything that is in a raw stream.  Whoever made it closes it, after the station.

    Raises
    ------
    CaptureError
        If no raw stream can be made.
    """

    def __init__(
        self,
        source: str | Source,
        *,
        profile: Profile,
        setup: Setup | None = None,
        record_to: Path | None = None,
        clock: Clock | None = None,
        setup_file: bytes | None = None,
        feed: StoreFeed | None = None,
    ) -> None:
        self._source = open_source(source, profile) if isinstance(source, str) else source
        self.profile = profile
        self.setup = setup
        self._folder = record_to
        self._setup_file = setup_file
        self._feeding = Feeding(feed)
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._hub = Hub()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._judge = Judge(self._post, lambda: self._set.session, self._show, self._fail)
        self._link: Event = {"event": "link", "t": 0.0, "state": "waiting", "why": ""}
        self._last: Event | None = None
        self._trace: deque[tuple[float, float]] = deque(maxlen=TRACE)
        self._result: dict[str, Any] | None = None
        self._told = 0
        self._latest = 0.0
        self._source_failure: str | None = None
        self._set_failure: str | None = None
        self._clock = Clock() if clock is None else clock
        self._steps = StepWatch(self._clock)
        self._silence = Silence(profile.period_s)
        self.counters = Counters()
        self.sets = 1
        self._set = self._new_set(1)
        self._begin_feeding(self._set)

    # life

    async def start(self) -> None:
        """Start reading."""
        self._loop = asyncio.get_running_loop()
        self._thread = threading.Thread(target=self._run, name="source", daemon=True)
        self._thread.start()
        if self._folder is not None:
            threading.Thread(target=self._repair, args=(self._folder,), name="repair", daemon=True).start()
        self._watch = asyncio.create_task(self._keep_watch())

    async def stop(self) -> None:
        """Stop reading, put everything on the disk, end all subscriptions."""
        self._hub.close()
        self._stop.set()
        self._watch.cancel()
        if self._thread is not None:
            await asyncio.to_thread(self._thread.join, 5.0)
        await asyncio.to_thread(self.close)

    def close(self) -> None:
        """Put everything on the disk and close the recording; for a station that is not, or no longer, started."""
        self._stop.set()
        with self._lock:
            s = self._set
            s.session.close()
        if s.writer is not None:
            s.writer.close()
        self._feeding.closed()
        self._judge.end()

    @property
    def running(self) -> bool:
        """False once the source has ended or failed."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def failure(self) -> str | None:
        """What keeps this station from its work now, or None; recording comes before the store."""
        return self.capture_failure or self._feeding.failure

    @property
    def capture_failure(self) -> str | None:
        """What keeps this station from reading, judging or recording now, or None."""
        writer = self._set.writer
        recording = writer.failure if writer is not None else None
        return self._source_failure or recording or self._set_failure

    def _run(self) -> None:
        try:
            self._source.run(self, self._clock, self._stop)
            if self._source.finished:
                with self._lock:
                    self._set.session.close()
                self._post(self._judge.look)
                self._post(self._publish, {"event": "end"})
        except CaptureError as e:
            self._source_failure = str(e)
        except Exception as e:
            _log.exception("the source has failed")
            self._source_failure = (
                f"Listening has ended by a fault of this program ({type(e).__name__}: {e}). "
                "What was received until now is recorded. Start it again."
            )
        if self._source_failure is not None:
            self._post(self._publish, {"event": "failure", "why": self._source_failure})

    @staticmethod
    def _repair(folder: Path) -> None:
        try:
            for said in repair_folder(folder):
                _log.warning("%s", said)
        except Exception:
            _log.exception("older recordings could not be looked through")

    # sink: called in the source's thread, with the source's times

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
            self._post(self._judge.look)

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
        if not self._source.own_times:
            if state == "lost":
                self._silence.lost()
            elif state != "stale" and self._link["state"] != "stale":
                self._silence.opened(t)
        self._link = {"event": "link", "t": t, "state": state, "why": why}
        self._post(self._publish, self._link)
        if s.session.version != before:
            self._post(self._judge.look)

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
        self._post(self._publish, {"event": "mark", "t": t, "mark": mark})
        self._post(self._judge.look)

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
        if not self._source.own_times and self._silence.heard(r.t):
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
        self._post(self._publish, self._last)

    def _damaged(self, t: float, item: Damaged) -> None:
        self._feeding.damaged(t, item.why)
        self.counters.damaged += 1

    # commands: called in the event loop

    def now(self) -> float:
        """Seconds since the set began, with the digits of the raw stream."""
        return round(self._clock.now() - self._set.clock_zero, 6)

    def mark_now(self, mark: str) -> None:
        """Make a mark at this moment.

        Raises
        ------
        ValueError
            If the mark is not one of `MARKS` or a note.
        """
        if mark not in MARKS and not (mark.startswith("note:") and len(mark) <= 505):
            raise ValueError(f"mark is {mark!r}; allowed: {', '.join(MARKS)}, or note: and up to 500 characters")
        with self._lock:
            self._mark(self.now(), mark)

    def new_set(self) -> None:
        """End this set and begin the next, with a raw stream of its own.

        Raises
        ------
        CaptureError
            If no new raw stream can be made; the set that runs goes on, and the failure is told.
        """
        try:
            fresh = self._new_set(self.sets + 1)
        except CaptureError as e:
            self._fail(f"no new set could be begun, the old one goes on: {e}")
            raise
        with self._lock:
            old, state = self._set, self._link["state"]
            fresh.clock_zero = self._clock.now()
            fresh.zero = self._latest if self._source.own_times else fresh.clock_zero
            between = old.pipe.between_frames
            self._set, self.sets = fresh, self.sets + 1
            self._told = 0
            self._trace.clear()
            self._last = self._result = self._set_failure = None
            self._begin_feeding(fresh)
            if state in ("opened", "back", "stale"):
                # The new stream must say by itself that the link stands, and whether it may begin in the middle of a frame.
                state = "back" if between else "opened"
                if fresh.writer is not None:
                    fresh.writer.link(0.0, state, "new set")
                self._feeding.link(0.0, state, "new set")
                fresh.pipe.link(0.0, state, "new set")
                self._link = {"event": "link", "t": 0.0, "state": state, "why": "new set"}
            self._silence.moved(fresh.zero - old.zero)
        # Whoever reads is not kept waiting for the old set's disk.
        old.session.close()
        if old.writer is not None:
            old.writer.close()
            if old.writer.failure is not None:
                self._fail(f"the last set is not recorded whole: {old.writer.failure}")
        self._feeding.closed()
        self._publish({"event": "set", "n": self.sets})
        self._judge.look()

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
            writer = self._set.writer
        setup = self.setup
        return {
            "source": self._source.name,
            "set": self.sets,
            "now": self.now(),
            "period_s": self.period_s,
            "link": {k: v for k, v in link.items() if k != "event"},
            "last": None if last is None else {k: v for k, v in last.items() if k != "event"},
            "trace": trace,
            "result": self._result,
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

    @property
    def period_s(self) -> float:
        """Expected time between readings: as seen, or as the profile says."""
        return self._set.session.period_s or self.profile.period_s

    # within

    def _new_set(self, number: int) -> _Set:
        session = Session(self.setup)
        pipe = Pipeline(self.profile, session, self._heard, self._damaged)
        header = StreamHeader(utc_text(self._clock.wall()), self._source.name, self.profile.table)
        writer = None
        if self._folder is not None:
            name = f"{header.started.replace('-', '').replace(':', '')}-{number:03d}"
            path = new_folder(self._folder, name) / "stream.jsonl"
            # First, so that no recording ever lies there without it.
            self._keep_setup(path.with_name(SETUP_FILE))
            writer = StreamWriter(
                path, header.source, header.profile, header.started, on_trouble=self._recording_trouble
            )
        return _Set(session, pipe, writer, header)

    def _keep_setup(self, file: Path) -> None:
        if self._setup_file is None:
            return
        try:
            write_small(DISK, file, self._setup_file)
        except OSError as e:
            raise CaptureError(f"{file} cannot be written: {e.strerror or e}. Look after this disk.") from None

    def _begin_feeding(self, s: _Set) -> None:
        if s.writer is not None:
            self._feeding.begin(s.writer.path, s.header, self.setup)

    def _recording_trouble(self, why: str | None) -> None:
        if why is not None:
            _log.warning("%s", why)
        # An empty reason takes the last one off the page; one of another kind stays.
        self._post(self._publish_failure, why)

    def _publish_failure(self, why: str | None) -> None:
        self._publish({"event": "failure", "why": why or self.failure or ""})

    def _fail(self, why: str) -> None:
        _log.error("%s", why, exc_info=sys.exc_info()[0] is not None)
        self._set_failure = why
        self._post(self._publish, {"event": "failure", "why": why})

    def _post(self, call: Any, *args: Any) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(call, *args)

    def _publish(self, event: Event) -> None:
        self._hub.publish(event)

    def _show(self, result: dict[str, Any]) -> None:
        self._result = result
        self._feeding.result(result)
        sweeps = result["sweeps"]
        for sweep in sweeps[self._told :]:
            self._publish({"event": "sweep", **sweep})
        self._told = len(sweeps)
        self._publish({"event": "result", **result})

    async def _keep_watch(self) -> None:
        while True:
            due = self._silence.due
            ahead = CHECK_S if due is None else min(CHECK_S, due - self.now())
            await asyncio.sleep(max(ahead, 0.001))
            self.look()

    def look(self) -> None:
        """Say when readings have stopped, and when the computer's clock was set; to be called again and again."""
        step = self._steps.step()
        with self._lock:
            now = self.now()
            if step is not None:
                self.counters.clock_steps += 1
                if self._set.writer is not None:
                    self._set.writer.wall_clock(now, utc_text(self._clock.wall()), step)
                self._post(self._publish, {"event": "clock", "t": now, "step_s": round(step, 3)})
            why = self._silence.told(now)
            if why is not None:
                self._change(now, "stale", why)
        if self._feeding.changed():
            # Told as it stands now: a recording that is in trouble matters more.
            self._post(self._publish_failure, None)
