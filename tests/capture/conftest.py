"""Nothing a test opens may outlive it; and a terminal to read from."""

from __future__ import annotations

import gc
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.simulator import pty_bench
from capture.simulator.pty_bench import PtyBench
from tests.capture.live import LONG_S

_DESCRIPTORS = Path("/proc/self/fd")


def _open_descriptors() -> set[str]:
    held = set()
    for number in os.listdir(_DESCRIPTORS):
        try:
            held.add(f"{number} {os.readlink(_DESCRIPTORS / number)}")
        except OSError:
            continue  # the one this listing itself used
    return held


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Threads and descriptors after the test are those from before it."""
    threads = set(threading.enumerate())
    descriptors = _open_descriptors() if _DESCRIPTORS.exists() else set()
    yield
    # A judge that is at work when its station is closed ends when it is done; a busy machine takes its time for that.
    until = time.monotonic() + LONG_S
    while True:
        left = [t.name for t in threading.enumerate() if t not in threads]
        more = _open_descriptors() - descriptors if _DESCRIPTORS.exists() else set()
        if not left and not more:
            return
        if time.monotonic() > until:
            pytest.fail(f"left behind: threads {left}, descriptors {sorted(more)}")
        time.sleep(0.02)
        gc.collect()


@pytest.fixture
def slow_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal that is full waits for its reader as long as a test has patience: no byte is lost to a busy machine."""
    monkeypatch.setattr(pty_bench, "FULL_S", LONG_S)


@pytest.fixture
def bench(tmp_path: Path, slow_reader: None) -> Iterator[PtyBench]:
    """A pseudo-terminal behind the link ``indicator``."""
    made = PtyBench(tmp_path / "indicator")
    try:
        yield made
    finally:
        made.stop()
