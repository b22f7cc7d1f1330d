"""``shimwright listen``."""

from __future__ import annotations

import json
import logging
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from analysis.readings import Reading
from capture.clock import Clock, StepWatch, utc_text
from capture.decoders import Frame
from capture.errors import CaptureError, SourceError, SourceTextError
from capture.rawstream import StreamWriter, new_folder, repair_folder
from capture.silence import Silence
from capture.sources import open_source
from web.cli.logs import start_log
from web.cli.usage import profile_of

CHECK_S = 0.05

_log = logging.getLogger("shimwright.listen")


class _Printer:
    """Writes the raw stream first, then prints."""

    def __init__(self, profile: Any, own_times: bool) -> None:
        self._decoder = profile.decoder()
        self._own_times = own_times
        self._lock = threading.RLock()
        self._clock: Clock | None = None
        self.writer: StreamWriter | None = None
        self.silence = Silence(profile.period_s)

    def chunk(self, t: float, data: bytes) -> None:
        with self._lock:
            if self.writer is not None:
                self.writer.rx(t, data)
            for item in self._decoder.feed(data):
                if isinstance(item, Frame):
                    if not self._own_times and self.silence.heard(t):
                        self._link(t, "back")
                    r = Reading(t, item.counts, item.scale)
                    self._print({"t": round(t, 6), "value_mm": r.mm, "counts": r.counts, "unit": r.scale.unit})
                elif not item.first_after_open:
                    self._print({"t": round(t, 6), "damaged": item.why})

    def link(self, t: float, state: str, why: str = "") -> None:
        with self._lock:
            if state in ("opened", "lost"):
                self._decoder.reset()
            if state == "lost":
                self.silence.lost()
            elif not self._own_times:
                self.silence.opened(t)
            self._link(t, state, why)

    def _link(self, t: float, state: str, why: str = "") -> None:
        if self.writer is not None:
            self.writer.link(t, state, why)
        self._print({"t": round(t, 6), "link": state} | ({"why": why} if why else {}))

    def mark(self, t: float, mark: str) -> None:
        with self._lock:
            if self.writer is not None:
                self.writer.mark(t, mark)
            self._print({"t": round(t, 6), "mark": mark})

    def look(self, clock: Clock, steps: StepWatch) -> None:
        """Say when readings stop coming, note when the computer's clock is set."""
        step = steps.step()
        with self._lock:
            now = clock.now()
            if step is not None and self.writer is not None:
                self.writer.wall_clock(now, utc_text(clock.wall()), step)
            if self.silence.told(now) is not None:
                self._link(now, "stale")

    def recording(self, t: float, why: str | None) -> None:
        """Say that lines are not safe on the disk, or are again."""
        try:
            with self._lock:
                self._print({"t": round(t, 6), "recording": why or "safe again"})
        except OSError:
            pass  # nobody reads; whoever gives readings notices

    def _print(self, record: dict[str, Any]) -> None:
        sys.stdout.write(json.dumps(record, ensure_ascii=False) + "\n")
        sys.stdout.flush()


def listen_command(source_text: str, table: dict[str, object], record: Path | None) -> int:
    """Exit code; runs until interrupted or until a source that ends has ended."""
    start_log("off")
    profile = profile_of(table)
    if source_text == "push":
        raise SourceTextError("listen has no page to push readings to; use serve push")
    source = open_source(source_text, profile)
    clock = Clock()
    printer = _Printer(profile, source.own_times)
    if record is not None:
        name = clock.started_text.replace("-", "").replace(":", "")
        printer.writer = StreamWriter(
            new_folder(record, name) / "stream.jsonl",
            source.name,
            profile.table,
            clock.started_text,
            on_trouble=lambda why: printer.recording(clock.now(), why),
        )
        threading.Thread(target=_repair, args=(record,), name="repair", daemon=True).start()
    stop = threading.Event()
    failure: list[CaptureError] = []

    def read() -> None:
        try:
            source.run(printer, clock, stop)
        except CaptureError as e:
            failure.append(e)
        except BrokenPipeError:
            pass
        except Exception as e:
            _log.exception("the source has failed")
            failure.append(
                SourceError(
                    f"Listening has ended by a fault of this program ({type(e).__name__}: {e}). "
                    "What was received until now is recorded, if it was to be."
                )
            )
        finally:
            stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    thread = threading.Thread(target=read, name="source", daemon=True)
    thread.start()
    steps = StepWatch(clock)
    try:
        while not stop.wait(_until_due(printer.silence.due, clock)):
            printer.look(clock, steps)
    finally:
        stop.set()
        # A source that waits on a terminal cannot be interrupted; the stream is safe without it.
        thread.join(1.0)
        if printer.writer is not None:
            printer.writer.close()
    if failure:
        raise failure[0]
    if printer.writer is not None and printer.writer.failure is not None:
        raise CaptureError(f"The recording is not whole: {printer.writer.failure}")
    return 0


def _until_due(due: float | None, clock: Clock) -> float:
    return CHECK_S if due is None else max(0.001, min(CHECK_S, due - clock.now()))


def _repair(folder: Path) -> None:
    try:
        for said in repair_folder(folder):
            _log.warning("%s", said)
    except Exception:
        _log.exception("older recordings could not be looked through")
