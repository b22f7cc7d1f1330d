"""``shimwright listen``."""

from __future__ import annotations

import json
import logging
import signal
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from analysis.readings import Reading
from capture.clock import Clock, StepWatch, utc_text
from capture.errors import CaptureError, SourceError, SourceTextError
from capture.pipeline import Pipeline
from capture.profiles import Profile
from capture.rawstream import StreamWriter, new_folder, repair_folder
from capture.silence import Silence
from capture.sources import Source, open_source
from web.cli.logs import start_log
from web.cli.usage import profile_of

CHECK_S = 0.05

_log = logging.getLogger("shimwright.listen")


class _Output:
    """Standard output, a line at a time, whoever prints."""

    def __init__(self) -> None:
        self._lock = threading.Lock()

    def line(self, record: dict[str, Any]) -> None:
        with self._lock:
            sys.stdout.write(json.dumps(record, ensure_ascii=False) + "\n")
            sys.stdout.flush()


class _Listener:
    """Listens to one source: writes its raw stream first, then prints.

    Parameters
    ----------
    source : Source
    profile : Profile
    output : _Output
    label : dict
        Added to whatever is printed.
    """

    def __init__(self, source: Source, profile: Profile, output: _Output, label: dict[str, Any]) -> None:
        self._source, self._output, self._label = source, output, label
        self._pipe = Pipeline(profile, _Readings(self))
        self._lock = threading.RLock()
        self._writer: StreamWriter | None = None
        self._silence = Silence(profile.period_s)
        self._clock = Clock()
        self._steps = StepWatch(self._clock)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="source", daemon=True)
        self._profile = profile
        self.failure: CaptureError | None = None

    # life

    def record_to(self, folder: Path) -> None:
        """Make the raw stream."""
        started = self._clock.started_text
        path = new_folder(folder, started.replace("-", "").replace(":", "")) / "stream.jsonl"
        self._writer = StreamWriter(
            path, self._source.name, self._profile.table, started, on_trouble=self._recording_trouble
        )

    def start(self) -> None:
        """Start reading."""
        self._thread.start()

    @property
    def running(self) -> bool:
        """False once the source has ended or failed."""
        return self._thread.is_alive()

    def end(self) -> None:
        """Stop reading and close the raw stream."""
        self._stop.set()
        # A source that waits on a terminal cannot be interrupted; the stream is safe without it.
        if self._thread.ident is not None:
            self._thread.join(1.0)
        if self._writer is not None:
            self._writer.close()
            if self.failure is None and self._writer.failure is not None:
                self.failure = CaptureError(f"The recording is not whole: {self._writer.failure}")

    def _run(self) -> None:
        try:
            self._source.run(self, self._clock, self._stop)
        except CaptureError as e:
            self.failure = e
        except BrokenPipeError:
            pass
        except Exception as e:  # the thread must not die silently
            _log.exception("the source has failed")
            self.failure = SourceError(
                f"Listening has ended by a fault of this program ({type(e).__name__}: {e}). "
                "What was received until now is recorded, if it was to be."
            )

    def due_in(self) -> float:
        """How long nothing has to be looked after."""
        due = self._silence.due
        return CHECK_S if due is None else max(0.001, min(CHECK_S, due - self._clock.now()))

    def look(self) -> None:
        """Say when readings stop coming, note when the computer's clock is set."""
        step = self._steps.step()
        with self._lock:
            now = self._clock.now()
            if step is not None and self._writer is not None:
                self._writer.wall_clock(now, utc_text(self._clock.wall()), step)
            if self._silence.told(now) is not None:
                self._link(now, "stale")

    # sink

    def chunk(self, t: float, data: bytes) -> None:
        """Record, decode, print."""
        with self._lock:
            if self._writer is not None:
                self._writer.rx(t, data)
            self._pipe.chunk(t, data)

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link."""
        with self._lock:
            self._pipe.link(t, state, why)
            if state == "lost":
                self._silence.lost()
            elif not self._source.own_times:
                self._silence.opened(t)
            self._link(t, state, why)

    def mark(self, t: float, mark: str) -> None:
        """A mark."""
        with self._lock:
            if self._writer is not None:
                self._writer.mark(t, mark)
            self._print({"t": round(t, 6), "mark": mark})

    # what is printed

    def reading(self, r: Reading) -> None:
        """A reading, made of the bytes that came last."""
        if not self._source.own_times and self._silence.heard(r.t):
            self._link(r.t, "back")
        self._print({"t": round(r.t, 6), "value_mm": r.mm, "counts": r.counts, "unit": r.scale.unit})

    def damaged(self, t: float, why: str) -> None:
        """Bytes that made no reading."""
        self._print({"t": round(t, 6), "damaged": why})

    def _link(self, t: float, state: str, why: str = "") -> None:
        if self._writer is not None:
            self._writer.link(t, state, why)
        self._print({"t": round(t, 6), "link": state} | ({"why": why} if why else {}))

    def _recording_trouble(self, why: str | None) -> None:
        # If nobody reads what is printed, whoever prints the next reading notices.
        with suppress(OSError):
            self._print({"t": round(self._clock.now(), 6), "recording": why or "safe again"})

    def _print(self, record: dict[str, Any]) -> None:
        self._output.line(record | self._label)


class _Readings:
    """What a pipeline hands its readings to; marks and links take another way."""

    def __init__(self, listener: _Listener) -> None:
        self.reading, self.damaged = listener.reading, listener.damaged

    def mark(self, t: float, mark: str) -> None:
        """Printed by the sink."""

    def link(self, t: float, state: str, why: str = "") -> None:
        """Printed by the sink."""


def listen_command(sources: Sequence[tuple[str, dict[str, object]]], record: Path | None) -> int:
    """Exit code; runs until interrupted or until all sources have ended.

    Parameters
    ----------
    sources : sequence of (str, dict)
        SOURCE texts, each with its profile table.
    record : Path or None
        Folder for raw streams, one each.
    """
    start_log("off")
    output, several = _Output(), len(sources) > 1
    listeners = []
    for text, table in sources:
        profile = profile_of(table)
        if text == "push":
            raise SourceTextError("listen has no page to push readings to; use serve push")
        source = open_source(text, profile)
        listeners.append(_Listener(source, profile, output, {"source": source.name} if several else {}))
    texts = [text for text, _ in sources]
    if twice := {x for x in texts if texts.count(x) > 1}:
        raise SourceTextError(f"{', '.join(sorted(twice))} is named twice; allowed: each source once")
    stop = threading.Event()
    try:
        if record is not None:
            for one in listeners:
                one.record_to(record)
            threading.Thread(target=_repair, args=(record,), name="repair", daemon=True).start()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        for one in listeners:
            one.start()
        told: set[int] = set()
        while any(one.running for one in listeners) and not stop.wait(min(one.due_in() for one in listeners)):
            for n, one in enumerate(listeners):
                if one.running:
                    one.look()
                elif several and one.failure is not None and n not in told:
                    # The others go on.
                    told.add(n)
                    sys.stderr.write(f"shimwright: {texts[n]}: {one.failure}\n")
    finally:
        for one in listeners:
            one.end()
    failures = [one.failure for one in listeners if one.failure is not None]
    if failures:
        raise failures[0]
    return 0


def _repair(folder: Path) -> None:
    try:
        for said in repair_folder(folder):
            _log.warning("%s", said)
    except Exception:  # whatever is wrong with an older recording, the new one begins
        _log.exception("older recordings could not be looked through")
