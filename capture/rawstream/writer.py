"""Appending to a raw stream, through full and failing disks.

A line that cannot be written is held in memory and written when it can be; nothing is acknowledged meanwhile.  After a sync that
failed the system may have dropped what it held for that file, so the file is trusted up to the last good sync only: the rest is
written again to a new segment, which says so.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from capture.errors import CaptureError
from capture.rawstream.disk import DISK, Disk
from capture.rawstream.records import FORMAT, line_of
from capture.rawstream.segment_file import make_segment
from capture.rawstream.segments import segment_path
from capture.rawstream.syncer import Syncer
from capture.rawstream.troubles import FULL, Troubles
from capture.received import damaged_places

SYNC_S = 1.0
SYNC_BYTES = 64 * 1024
SEGMENT_BYTES = 64 * 1024 * 1024
MOST_HELD = 8 * 1024 * 1024
"""Bytes kept in memory while the disk takes none: three quarters of an hour at 100 readings a second."""

RETRY_S = 0.25


class StreamWriter:
    """Appends to a new raw stream; safe to use from several threads.

    Parameters
    ----------
    path : Path
        File to make; it must not exist.
    source : str
        SOURCE text the bytes come from.
    profile : dict
        Profile table, as it is to be used again on replay.
    started : str
        UTC time of the start.
    on_trouble : callable, optional
        Told at once, in whichever thread finds out, why lines are not safe on the disk; told None once they all are.
    disk : Disk, optional
    segment_bytes : int, optional
        Size from which the stream goes on in a new segment.

    Attributes
    ----------
    lines, synced_lines : int
        Lines taken, the header included, and how many of them are acknowledged: safe on the disk.
    lost_lines : int
        Lines given up because memory for held lines ran out, or at the end; each such stretch is told in the stream.

    Raises
    ------
    CaptureError
        If the file exists or cannot be made.
    """

    def __init__(
        self,
        path: Path,
        source: str,
        profile: dict[str, Any],
        started: str,
        *,
        on_trouble: Callable[[str | None], None] | None = None,
        disk: Disk = DISK,
        segment_bytes: int = SEGMENT_BYTES,
    ) -> None:
        self.path = path
        self._head = {"format": FORMAT, "started": started, "source": source, "profile": profile}
        self._troubles = Troubles(on_trouble)
        self._disk = disk
        self._segment_bytes = segment_bytes
        self._lock = threading.Lock()
        self._syncing = threading.RLock()
        self._held: deque[bytes] = deque()
        self._tail: deque[bytes] = deque()
        self._waiting = 0
        self._retired: list[int] = []
        self._broken = False
        self._retry_at = 0.0
        self._lost_since: float | None = None
        self._closed = False
        self.lines = self.synced_lines = 1
        self.lost_lines = 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.exists():
                raise FileExistsError
            self._segment = make_segment(disk, path, 1, [line_of(self._head)])
        except FileExistsError:
            raise CaptureError(
                f"{path} exists already; a raw stream is never overwritten. Choose another name."
            ) from None
        except OSError as e:
            raise CaptureError(f"{path} cannot be made: {e.strerror}. Choose a folder you may write to.") from None
        # Segment and bytes that are known to be on the disk.
        self._safe = (1, self._segment.size)
        self._syncer = Syncer(self._synced, lambda: SYNC_S / 2)

    @property
    def failure(self) -> str | None:
        """Why some lines are not on the disk now."""
        return self._troubles.failure

    @property
    def troubles(self) -> int:
        """How often that has happened."""
        return self._troubles.count

    # what is appended

    def rx(self, t: float, data: bytes) -> None:
        """Append received bytes, and which of them were damaged on the line."""
        bad = damaged_places(data)
        self._append({"t": round(t, 6), "rx": data.decode("latin-1")} | ({"bad": bad} if bad else {}))

    def mark(self, t: float, mark: str) -> None:
        """Append a mark."""
        self._append({"t": round(t, 6), "mark": mark})

    def link(self, t: float, state: str, why: str = "") -> None:
        """Append a change of the link."""
        self._append({"t": round(t, 6), "link": state} | ({"why": why} if why else {}))

    def wall_clock(self, t: float, now: str, step_s: float) -> None:
        """Append a step of the computer's clock; the stream's own times do not take part in it."""
        self._append({"t": round(t, 6), "wall": now, "step_s": round(step_s, 3)})

    def _append(self, record: dict[str, Any]) -> None:
        line = line_of(record)
        with self._lock:
            if self._closed:
                return
            if self._lost_since is not None and self._waiting < MOST_HELD // 2:
                self._take(line_of({"t": record["t"], "gap": {"since": self._lost_since}, "why": "not recorded"}))
                self._lost_since = None
            if self._waiting + len(line) > MOST_HELD or self._lost_since is not None:
                self.lost_lines += 1
                if self._lost_since is None:
                    self._lost_since = record["t"]
            else:
                self._take(line)
            self._write_held()
            self._syncer.news(self._waiting >= SYNC_BYTES)
        self._troubles.tell_news()

    def _take(self, line: bytes) -> None:
        self._held.append(line)
        self._waiting += len(line)
        self.lines += 1

    # onto the disk; the lock is held in all of these

    def _write_held(self) -> None:
        while self._held:
            if self._broken and not self._begin_segment("the file before it could not be trusted any more"):
                return
            if not self._held:
                return
            s, line = self._segment, self._held[0]
            try:
                s.append(line)
            except OSError as e:
                self._trouble("recording has stopped", e)
                # Half a line would damage the next one, should the disk have room again.
                try:
                    self._disk.truncate(s.fd, s.size)
                except OSError:
                    self._break()
                if e.errno not in FULL:
                    self._break()
                return
            self._held.popleft()
            self._tail.append(line)

    def _break(self) -> None:
        """Trust this file only as far as it was synced; the rest is to be written again."""
        if not self._broken:
            self._broken = True
            self._held.extendleft(reversed(self._tail))
            self._tail.clear()

    def _begin_segment(self, why: str) -> bool:
        if time.monotonic() < self._retry_at:
            return False
        self._retry_at = time.monotonic() + RETRY_S
        number = self._segment.number + 1
        # One that got its name and nothing more certain was given up.
        while segment_path(self.path, number).exists():
            number += 1
        safe, size = self._safe
        follows = {"segment": safe, "bytes": size, "why": why, "suspect": self._broken}
        head = line_of(self._head | {"segment": number, "follows": follows})
        try:
            made = make_segment(self._disk, segment_path(self.path, number), number, [head, *self._held])
        except OSError as e:
            if self._broken:
                self._trouble("recording has stopped", e)
            return False
        self._retired.append(self._segment.fd)
        self._segment = made
        # All that was held has been synced with the new file's name.
        self.synced_lines += len(self._held)
        self._held.clear()
        self._waiting = 0
        self._safe = (made.number, made.size)
        self._broken = False
        self._retry_at = 0.0
        return True

    def _trouble(self, what: str, e: OSError) -> None:
        self._troubles.begin(what, e, self._segment.path)

    def _settled(self) -> None:
        if not self._held and not self._tail and not self._broken:
            self._troubles.over()

    # syncing

    def _synced(self) -> bool:
        self.sync()
        return self.failure is None

    def sync(self) -> None:
        """Put everything appended so far on the disk; how far that went is in `synced_lines`."""
        with self._syncing:
            self._sync()
        self._troubles.tell_news()

    def _sync(self) -> None:
        with self._lock:
            if self._closed:
                return
            self._write_held()
            s, count = self._segment, len(self._tail)
            size = s.size
            if self._broken:
                return
        if count:
            # Outside the lock: appending goes on while the disk is busy.
            try:
                self._disk.sync(s.fd)
            except OSError as e:
                with self._lock:
                    self._trouble("recording is not safe on the disk", e)
                    if s.number == self._segment.number:
                        self._break()
                    self._write_held()
                    self._settled()
                self._retire()
                return
        with self._lock:
            if s.number == self._segment.number and not self._broken:
                for _ in range(count):
                    self._waiting -= len(self._tail.popleft())
                self.synced_lines += count
                self._safe = (s.number, size)
                more = self._held or self._tail
                if s.size >= self._segment_bytes and not more and self._begin_segment("size"):
                    s.close()
                    self._retired.remove(s.fd)
            self._settled()
        self._retire()

    def _retire(self) -> None:
        for fd in self._retired:
            with suppress(OSError):
                self._disk.close(fd)
        self._retired.clear()

    def close(self) -> None:
        """Put everything on the disk, write the sum, close the file.

        What could not be written is told by `failure` and `lost_lines`.
        """
        self._syncer.end()
        with self._syncing:
            self._retry_at = 0.0
            self._sync()
            if self._held or self._tail or self._broken:
                self._retry_at = 0.0
                self._sync()
            with self._lock:
                if self._closed:
                    return
                self._closed = True
                unsafe = len(self._held) + len(self._tail)
                if unsafe or self._broken:
                    self.lost_lines += unsafe
                    self._troubles.final(f"{unsafe} lines could not be put on the disk. {self.failure or ''}".strip())
                    with suppress(OSError):
                        self._disk.close(self._segment.fd)
                else:
                    self._segment.close()
            self._retire()
        self._troubles.tell_news()
