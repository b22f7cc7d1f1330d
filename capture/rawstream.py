"""The raw stream: every byte as it came, in a file that only grows.

One JSON object a line (``shimwright-stream/1``): a header, then received chunks, marks and link events in order of time.
A line is in the file before anyone else sees its bytes; it is on the disk at the latest `SYNC_S` seconds or `SYNC_BYTES` bytes
later, and `StreamWriter.synced_lines` says how far that is.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture.errors import CaptureError, StreamFormatError

FORMAT = "shimwright-stream/1"
SYNC_S = 1.0
SYNC_BYTES = 64 * 1024
LONGEST_LINE = 4 * 1024 * 1024
LATEST_S = 1e10
"""Three centuries: a later time, or one that is no number, is damage."""


@dataclass(frozen=True, slots=True)
class StreamHeader:
    """First line of a stream.

    `profile` is the profile table as recorded; `extra` holds keys this version does not know.
    """

    started: str
    source: str
    profile: dict[str, Any]
    extra: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rx:
    """Bytes received in one piece."""

    t: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark made by the user."""

    t: float
    mark: str


@dataclass(frozen=True, slots=True)
class Link:
    """A change of the link."""

    t: float
    state: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Torn:
    """A last line that was cut off: the writer was stopped while writing it."""

    t: float
    text: str


Record = Rx | Mark | Link | Torn


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

    Raises
    ------
    CaptureError
        If the file exists or cannot be made.
    """

    def __init__(self, path: Path, source: str, profile: dict[str, Any], started: str) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._size = 0
        self._unsynced = 0
        self._last_sync = time.monotonic()
        self.lines = 0
        self.synced_lines = 0
        self.failure: str | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = open(path, "xb", buffering=0)  # noqa: SIM115 - closed in close()
        except FileExistsError:
            raise CaptureError(
                f"{path} exists already; a raw stream is never overwritten. Choose another name."
            ) from None
        except OSError as e:
            raise CaptureError(f"{path} cannot be made: {e.strerror}. Choose a folder you may write to.") from None
        self._append({"format": FORMAT, "started": started, "source": source, "profile": profile})
        self.sync()

    def rx(self, t: float, data: bytes) -> None:
        """Append received bytes."""
        self._append({"t": round(t, 6), "rx": data.decode("latin-1")})

    def mark(self, t: float, mark: str) -> None:
        """Append a mark and put it on the disk at once."""
        self._append({"t": round(t, 6), "mark": mark})
        self.sync()

    def link(self, t: float, state: str, why: str = "") -> None:
        """Append a change of the link."""
        self._append({"t": round(t, 6), "link": state} | ({"why": why} if why else {}))

    def _append(self, record: dict[str, Any]) -> None:
        line = json.dumps(record, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        with self._lock:
            if self._file.closed:
                return
            try:
                view = memoryview(line)
                while view:
                    view = view[self._file.write(view) :]
            except OSError as e:
                self.failure = f"recording stopped: {e.strerror} ({self.path})"
                # Half a line would damage the next one, should the disk have room again.
                with suppress(OSError):
                    self._file.truncate(self._size)
                    self._file.seek(self._size)
                return
            self._size += len(line)
            self.lines += 1
            self._unsynced += len(line)
            due = self._unsynced >= SYNC_BYTES or time.monotonic() - self._last_sync >= SYNC_S
        if due:
            self.sync()

    def sync(self) -> None:
        """Put everything appended so far on the disk."""
        with self._lock:
            if self._file.closed:
                return
            upto = self.lines
            try:
                os.fdatasync(self._file.fileno()) if hasattr(os, "fdatasync") else os.fsync(self._file.fileno())
            except OSError as e:
                self.failure = f"recording is not safe on disk: {e.strerror} ({self.path})"
                return
            self.synced_lines = upto
            self._unsynced = 0
            self._last_sync = time.monotonic()

    def close(self) -> None:
        """Put everything on the disk and close the file."""
        self.sync()
        with self._lock:
            if not self._file.closed:
                self._file.close()


def read_header(path: Path) -> StreamHeader:
    """Header of a stream.

    Raises
    ------
    StreamFormatError
        If the file cannot be read, is no raw stream, or has a version this program does not know.
    """
    with _open(path) as file:
        return _header(path, file.readline(LONGEST_LINE))


def _open(path: Path) -> Any:
    try:
        return open(path, "rb")
    except FileNotFoundError:
        raise StreamFormatError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise StreamFormatError(
            f"{path} is a folder; give the stream file in it, for example {path}/stream.jsonl"
        ) from None
    except OSError as e:
        raise StreamFormatError(f"{path} cannot be read: {e.strerror}") from None


def _header(path: Path, line: bytes) -> StreamHeader:
    try:
        head = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        head = None
    if not isinstance(head, dict) or "format" not in head:
        raise StreamFormatError(
            f'{path}, line 1: not a raw stream; the first line must be an object with "format":"{FORMAT}"'
        )
    if head["format"] != FORMAT:
        raise StreamFormatError(
            f"{path}, line 1: format is {head['format']!r}; this version reads {FORMAT!r}. Use the version that recorded it, or a newer one."
        )
    profile = head.get("profile")
    if not isinstance(profile, dict):
        raise StreamFormatError(
            f'{path}, line 1: "profile" is {profile!r}; it must be an object such as {{"use":"text-line"}}'
        )
    known = {"format", "started", "source", "profile"}
    extra = {k: v for k, v in head.items() if k not in known}
    return StreamHeader(str(head.get("started", "")), str(head.get("source", "")), profile, extra)


def read_records(path: Path) -> Iterator[Record]:
    """Records of a stream in order, in constant memory.

    A last line without its end is given as `Torn`.  Lines of a kind this version does not know are passed over.

    Raises
    ------
    StreamFormatError
        On a line in the middle that is not an object, with its number.
    """
    with _open(path) as file:
        _header(path, file.readline(LONGEST_LINE))
        number = 1
        last = 0.0
        while True:
            line = file.readline(LONGEST_LINE)
            if not line:
                return
            number += 1
            whole = line.endswith(b"\n")
            record = _record(line)
            if record is None:
                if not whole and len(line) < LONGEST_LINE:
                    yield Torn(last, line.decode("utf-8", "replace"))
                    return
                if line.strip():
                    raise StreamFormatError(f"{path}, line {number}: not a JSON object with a time: {line[:60]!r}")
                continue
            if isinstance(record, tuple):
                continue
            last = record.t
            yield record


_DECODE = json.JSONDecoder().decode


def _record(line: bytes) -> Rx | Mark | Link | tuple[()] | None:
    try:
        d = _DECODE(line.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    if not isinstance(d, dict):
        return None
    t = d.get("t")
    if isinstance(t, bool) or not isinstance(t, int | float):
        return None if any(k in d for k in ("rx", "mark", "link")) else ()
    if not abs(t) <= LATEST_S:
        return None
    if isinstance(d.get("rx"), str):
        return Rx(float(t), d["rx"].encode("latin-1", "replace"))
    if isinstance(d.get("mark"), str):
        return Mark(float(t), d["mark"])
    if isinstance(d.get("link"), str):
        return Link(float(t), d["link"], str(d.get("why", "")))
    return ()
