"""``shimwright listen``."""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from analysis.readings import Reading
from capture.clock import Clock
from capture.decoders import Frame
from capture.errors import CaptureError
from capture.profiles import load_profile
from capture.rawstream import StreamWriter
from capture.sources import open_source

STALE_PERIODS = 2.0
LEAST_STALE_S = 0.15


class _Printer:
    """Writes the raw stream first, then prints."""

    def __init__(self, profile: Any, writer: StreamWriter | None) -> None:
        self._decoder = profile.decoder()
        self._writer = writer
        self._lock = threading.Lock()
        self.last: float | None = None
        self.stale = False
        self.period = profile.period_s

    def chunk(self, t: float, data: bytes) -> None:
        with self._lock:
            if self._writer is not None:
                self._writer.rx(t, data)
            for item in self._decoder.feed(data):
                if isinstance(item, Frame):
                    if self.stale:
                        self.stale = False
                        self._print({"t": round(t, 6), "link": "back"})
                    self.last = t
                    r = Reading(t, item.counts, item.scale)
                    self._print({"t": round(t, 6), "value_mm": r.mm, "counts": r.counts, "unit": r.scale.unit})
                elif not item.first_after_open:
                    self._print({"t": round(t, 6), "damaged": item.why})

    def link(self, t: float, state: str, why: str = "") -> None:
        with self._lock:
            if self._writer is not None:
                self._writer.link(t, state, why)
            if state in ("opened", "back", "lost"):
                self._decoder.reset()
                self.last, self.stale = None, False
            self._print({"t": round(t, 6), "link": state} | ({"why": why} if why else {}))

    def mark(self, t: float, mark: str) -> None:
        with self._lock:
            if self._writer is not None:
                self._writer.mark(t, mark)
            self._print({"t": round(t, 6), "mark": mark})

    def check_age(self, now: float) -> None:
        with self._lock:
            late = self.last is not None and now - self.last > max(STALE_PERIODS * self.period, LEAST_STALE_S)
            if late and not self.stale:
                self.stale = True
                if self._writer is not None:
                    self._writer.link(now, "stale")
                self._print({"t": round(now, 6), "link": "stale"})

    def _print(self, record: dict[str, Any]) -> None:
        sys.stdout.write(json.dumps(record, ensure_ascii=False) + "\n")
        sys.stdout.flush()


def listen_command(source_text: str, table: dict[str, object], record: Path | None) -> int:
    """Exit code; runs until interrupted or until a source that ends has ended."""
    profile = load_profile(table, "command line")
    source = open_source(source_text, profile)
    clock = Clock()
    writer = None
    if record is not None:
        name = clock.started.strftime("%Y%m%dT%H%M%SZ")
        writer = StreamWriter(record / name / "stream.jsonl", source.name, profile.table, clock.started_text)
    printer = _Printer(profile, writer)
    stop = threading.Event()
    failure: list[CaptureError] = []

    def read() -> None:
        try:
            source.run(printer, clock, stop)
        except CaptureError as e:
            failure.append(e)
        except BrokenPipeError:
            pass
        finally:
            stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    thread = threading.Thread(target=read, name="source", daemon=True)
    thread.start()
    while not stop.wait(0.05):
        printer.check_age(clock.now())
    # A source that waits on a terminal cannot be interrupted; the stream is safe without it.
    thread.join(1.0)
    if writer is not None:
        writer.close()
    if failure:
        raise failure[0]
    return 0
