"""The set that was being swept when the program last stopped."""

from __future__ import annotations

import itertools
import time
from pathlib import Path
from typing import Any

from capture.clock import Clock
from capture.errors import CaptureError
from capture.rawstream import Record
from capture.rawstream.segments import sum_path
from capture.replaying import replay
from capture.running_set import SETUP_FILE

RECENT_S = 12 * 3600.0
"""A set older than a working day is none that anybody still stands at (common practice, no source)."""

LARGEST_BYTES = 64 << 20
"""A longer stream is no set of sweeps, and reading it again would take minutes."""


def interrupted_set(folder: Path, own: Path | None, clock: Clock) -> dict[str, Any] | None:
    """What is left of the last set, if it was broken off; waits for the disk.

    Parameters
    ----------
    folder : Path
        Where raw streams go, repaired.
    own : Path or None
        The stream of the set that runs now.
    clock : Clock
        For the time of day.

    Returns
    -------
    dict or None
        ``{"recording", "started", "accepted", "seats"}``; None if the last set had its end, no sweep counted in it, it is old, another
        program records it, or it cannot be read.
    """
    found = [p for p in folder.glob("*/stream.jsonl") if own is None or p.parent != own.parent]
    if not found:
        return None
    last = max(found, key=lambda p: p.parent.name)
    try:
        parts = list(last.parent.glob("stream*.jsonl"))
        # A stream without its sum is being written: the others were repaired and got theirs.
        if not all(sum_path(p).exists() for p in parts) or sum(p.stat().st_size for p in parts) > LARGEST_BYTES:
            return None
        if abs(clock.wall() - max(p.stat().st_mtime for p in parts)) > RECENT_S:
            return None
        return _left_of(last)
    except (OSError, CaptureError):
        return None


def _left_of(path: Path) -> dict[str, Any] | None:
    from analysis.session import Session
    from capture.setup_file import load_setup

    beside = path.with_name(SETUP_FILE)
    session = Session(load_setup(beside) if beside.is_file() else None)
    count = itertools.count(1)

    def give_way(_: Record) -> None:
        if next(count) % 200 == 0:
            # Whoever reads the indicator comes first.
            time.sleep(0.001)

    header = replay(path, session, each=give_way)
    statistics = session.statistics
    if session.ended or not statistics.accepted:
        return None
    return {
        "recording": str(path),
        "started": header.started,
        "accepted": statistics.accepted,
        "seats": statistics.seats,
    }
