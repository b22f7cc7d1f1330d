"""Rows from a raw stream: what rebuild, repair and catching up all use, so that they give the same rows."""

from __future__ import annotations

import os
import time
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from analysis.readings import Reading
from analysis.session import Session
from capture.decoders import Damaged
from capture.errors import StreamFormatError
from capture.pipeline import Pipeline
from capture.profiles import load_profile
from capture.rawstream import Link, Mark, Rx, StreamHeader, read_header, read_records, repair_stream
from capture.rawstream.disk import hold
from capture.rawstream.repair import REPAIRED, TURN
from capture.rawstream.segments import open_stream, segment_on_disk, sum_path
from capture.store.rows import Row, link_row, mark_row, reading_row, stream_id

if TYPE_CHECKING:
    from analysis.setup import Setup

State = Literal["open", "closed", "interrupted"]

GROUP = 4000
"""Readings in one transaction: some hundredths of a second."""

RECENT_S = 60.0
_TAIL = 64 * 1024


@dataclass
class Rows:
    """Rows of a stretch of the stream."""

    readings: list[Row] = field(default_factory=list)
    marks: list[Row] = field(default_factory=list)
    links: list[Row] = field(default_factory=list)


class Loading:
    """One stream's rows, in constant memory.

    Parameters
    ----------
    path : Path
        First file of the stream.
    setup : Setup, optional
        With it, the result has a depth.

    Attributes
    ----------
    readings, marks, links : int
        Rows given so far.
    bad_frames : int
        Frames so far that could not be read.
    note : str
        Why the stream could not be read to its end; empty if it was.

    Raises
    ------
    CaptureError
        If the stream or its profile cannot be used at all.
    """

    def __init__(self, path: Path, setup: Setup | None = None) -> None:
        self.path = path
        self.header: StreamHeader = read_header(path)
        self.id = stream_id(path, self.header)
        self._profile = load_profile(self.header.profile, f"{path}, line 1, profile")
        self._session = Session(setup)
        self.readings = self.marks = self.links = self.bad_frames = 0
        self.note = ""

    def groups(self, size: int = GROUP) -> Iterator[Rows]:
        """The rows in order; afterwards `result` is that of the whole stream."""
        rows = Rows()

        def heard(r: Reading, _: str) -> None:
            self.readings += 1
            rows.readings.append(reading_row(self.id, self.readings, r))

        def damaged(_: float, __: Damaged) -> None:
            self.bad_frames += 1

        pipe = Pipeline(self._profile, self._session, heard, damaged)
        try:
            for record in read_records(self.path):
                if isinstance(record, Rx):
                    pipe.chunk(record.t, record.data)
                elif isinstance(record, Mark):
                    self.marks += 1
                    rows.marks.append(mark_row(self.id, self.marks, record.t, record.mark))
                    pipe.mark(record.t, record.mark)
                elif isinstance(record, Link):
                    self.links += 1
                    rows.links.append(link_row(self.id, self.links, record.t, record.state, record.why))
                    pipe.link(record.t, record.state, record.why)
                if len(rows.readings) + len(rows.marks) + len(rows.links) >= size:
                    yield rows
                    rows = Rows()
        except StreamFormatError as e:
            self.note = str(e).replace(str(self.path), self.path.name)
        except Exception as e:  # a fault of a decoder must not keep the rows before it out
            self.note = f"reading the bytes failed: {type(e).__name__}: {e}"
        yield rows
        self._session.close()

    def result(self) -> dict[str, Any] | None:
        """Result of what was read; None, and a note, if it could not be judged."""
        try:
            return self._session.result()
        except Exception as e:
            self.note = self.note or f"judging the set failed: {type(e).__name__}: {e}"
            return None


def files_of(path: Path) -> list[Path]:
    """Files of a stream in order, its later segments included."""
    files, number = [path], 2
    while True:
        found = segment_on_disk(path, number)
        if found is not None:
            files.append(found)
        elif segment_on_disk(path, number + 1) is None:
            return files
        number += 1


def sums_of(path: Path) -> list[list[str]]:
    """File name and SHA-256 of each file of a closed stream; empty if one lacks its sum."""
    sums: list[list[str]] = []
    for file in files_of(path):
        name = file.name.removesuffix(".gz")
        try:
            stated = sum_path(file.with_name(name)).read_text("utf-8", "replace").split()
        except OSError:
            return []
        if not stated:
            return []
        sums.append([name, stated[0]])
    return sums


def state_of(path: Path) -> State:
    """What the files of a stream say of its end."""
    last = files_of(path)[-1]
    if _tail(last).startswith(REPAIRED):
        return "interrupted"
    if last.suffix == ".gz" or sum_path(last).exists():
        return "closed"
    return "open" if _held(last) else "interrupted"


def _tail(file: Path) -> bytes:
    """Last line of a stream file."""
    if file.suffix == ".gz":
        line = b""
        with open_stream(file) as packed, suppress(EOFError, OSError, zlib.error):
            for line in packed:  # noqa: B007 - the last one counts
                pass
        return line
    with open(file, "rb") as plain:
        size = plain.seek(0, os.SEEK_END)
        plain.seek(max(0, size - _TAIL))
        return plain.read().rstrip(b"\n").rpartition(b"\n")[2]


def _held(file: Path) -> bool:
    """Whether some program still writes a file."""
    if not hasattr(os, "fork"):
        # Without locks of that kind: what was written to a moment ago.
        return time.time() - file.stat().st_mtime < RECENT_S
    with TURN:
        fd = os.open(file, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        try:
            return not hold(fd)
        finally:
            os.close(fd)


def end_interrupted(path: Path) -> None:
    """Have a stream say itself that its writer was stopped, and give it its sum.

    Nothing is done to a stream that is closed or that some program writes.

    Raises
    ------
    OSError, StreamFormatError
    """
    last = files_of(path)[-1]
    if last.suffix == ".gz" or sum_path(last).exists():
        return
    repair_stream(last)
