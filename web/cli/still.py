"""``shimwright still``: the indicator's own repeatability, from a stretch in which nothing moves."""

from __future__ import annotations

import json
import math
import sys
import threading
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.readings import Reading
from analysis.still import NotStillError, StillStudy, study
from capture.clock import Clock
from capture.decoders import Frame
from capture.errors import CaptureError, SourceTextError, WrongUsageError
from capture.profiles import Profile, load_profile
from capture.rawstream import Rx, read_header, read_records
from capture.sources import open_source
from web.cli.logs import start_log
from web.cli.usage import profile_of

NOTHING_S = 15.0
"""Silence of a source after which it is given up."""

MM_PER_INCH = 25.4


def still_command(
    source: str, table: dict[str, object], seconds: float, begin: float | None, end: float | None, json_out: bool
) -> int:
    """Exit code.

    Raises
    ------
    CaptureError
        If nothing can be read, or the surface was not still; the text says why and what to do.
    """
    path = Path(source.removeprefix("replay:"))
    if source.startswith("replay:") or path.exists():
        taken = _recorded(path)
    else:
        if begin is not None or end is not None:
            raise WrongUsageError(
                "--from and --to choose a part of a recorded stream; a source is listened to from now on"
            )
        taken = _heard(source, profile_of(table), seconds)
    taken = [r for r in taken if (begin is None or r.t >= begin) and (end is None or r.t <= end)]
    found = _studied(source, taken)
    if json_out:
        sys.stdout.write(json.dumps(as_json(source, found, taken[0].scale.unit), ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(_text(found, taken[0].scale.unit))
    return 0


def _recorded(path: Path) -> list[Reading]:
    """Readings of a raw stream."""
    decoder = load_profile(read_header(path).profile, f"{path}, line 1, profile").decoder()
    return [
        Reading(record.t, item.counts, item.scale)
        for record in read_records(path)
        if isinstance(record, Rx)
        for item in decoder.feed(record.data)
        if isinstance(item, Frame)
    ]


class _Collector:
    """Takes a source's readings until the stretch is long enough."""

    def __init__(self, profile: Profile, seconds: float, stop: threading.Event) -> None:
        self._decoder = profile.decoder()
        self._seconds, self._stop = seconds, stop
        self.readings: list[Reading] = []
        self.lost = ""

    def chunk(self, t: float, data: bytes) -> None:
        for item in self._decoder.feed(data):
            if isinstance(item, Frame):
                self.readings.append(Reading(t, item.counts, item.scale))
        if self.readings and t - self.readings[0].t >= self._seconds:
            self._stop.set()

    def link(self, t: float, state: str, why: str = "") -> None:
        del t
        if state in ("opened", "lost"):
            self._decoder.reset()
        if state == "lost":
            self.lost = why or "the link was lost"
            if self.readings:
                self._stop.set()

    def mark(self, t: float, mark: str) -> None:
        del t, mark


def _heard(text: str, profile: Profile, seconds: float) -> list[Reading]:
    """Readings of a source over `seconds`, from the first on."""
    start_log("off")
    if text in ("push", "typed"):
        raise WrongUsageError(f"{text} gives no readings by itself: record a stream first, and give its name")
    try:
        source = open_source(text, profile)
    except SourceTextError as e:
        raise SourceTextError(f"{e}; nor is there a raw stream of that name") from None
    stop = threading.Event()
    taken = _Collector(profile, seconds, stop)
    failure: list[CaptureError] = []

    def read() -> None:
        try:
            source.run(taken, Clock(), stop)
        except CaptureError as e:
            failure.append(e)
        finally:
            stop.set()

    sys.stderr.write(f"Listening for {seconds:g} s. Leave the indicator, the stand and the bench alone.\n")
    thread = threading.Thread(target=read, name="source", daemon=True)
    thread.start()
    count, since = 0, time.monotonic()
    while not stop.wait(0.1):
        if len(taken.readings) != count:
            count, since = len(taken.readings), time.monotonic()
        if time.monotonic() - since > NOTHING_S:
            break
    stop.set()
    thread.join(2.0)
    if failure:
        raise failure[0]
    if taken.lost and (not taken.readings or taken.readings[-1].t - taken.readings[0].t < seconds):
        raise CaptureError(f"{text}: the link broke off ({taken.lost}). Look at the cable, and repeat.")
    return taken.readings


def _studied(source: str, taken: list[Reading]) -> StillStudy:
    if not taken:
        raise CaptureError(
            f"{source}: not one reading. Look whether the indicator sends, and with `shimwright identify` what its bytes are."
        )
    scales = {r.scale for r in taken}
    if len(scales) > 1:
        shown = " and ".join(sorted(f"{s.step} {s.unit}" for s in scales))
        raise CaptureError(
            f"{source}: the display changed its step or unit ({shown}). Leave its keys alone, and repeat."
        )
    try:
        return study([r.t for r in taken], [r.counts for r in taken], float(taken[0].scale.step_mm))
    except NotStillError as e:
        raise CaptureError(f"{source}: not still. {e}") from None


def to_type(mm: float, unit: str) -> str:
    """A standard deviation as it is typed in the set-up file: two digits, rounded up, in `unit`."""
    value = mm / (MM_PER_INCH if unit == "in" else 1.0)
    places = 1 - math.floor(math.log10(value))
    # a value that is two digits already is not lifted by the last bit of its float
    return f"{math.ceil(round(value * 10**places, 6)) / 10**places:.{max(places, 0)}f}"


def as_json(source: str, s: StillStudy, unit: str) -> dict[str, Any]:
    """The study for programs; unlimited degrees of freedom are null."""
    return {
        "source": source,
        **asdict(s),
        "dof": s.dof if math.isfinite(s.dof) else None,
        "unit": unit,
        "setup": {"mm": to_type(s.repeatability_mm, "mm"), "in": to_type(s.repeatability_mm, "in")},
    }


def _text(s: StillStudy, unit: str) -> str:
    inch = to_type(s.repeatability_mm, "in")
    return "\n".join(
        [
            f"{s.readings} readings over {s.seconds:.0f} s, display step {s.step_mm:.4g} mm.",
            s.say,
            "",
            "Type in the set-up file:",
            "",
            "[indicator]",
            f"repeatability = {to_type(s.repeatability_mm, 'mm')}",
            "",
            f'In a file with units = "in": repeatability = {inch}'
            + (" (the display shows inches)." if unit == "in" else "."),
            "",
        ]
    )
