"""Streams whose writer was stopped in the middle: their torn last line is set aside, and they get their sum."""

from __future__ import annotations

import hashlib
import os
import threading
from contextlib import suppress
from pathlib import Path

from capture.errors import StreamFormatError
from capture.rawstream.disk import DISK, Disk, hold, write_all, write_small
from capture.rawstream.reader import LONGEST_LINE
from capture.rawstream.records import line_of, parse_header, parse_record
from capture.rawstream.segments import segment_on_disk, sum_line, sum_path

_BLOCK = 1 << 20

REPAIRED = b'{"repair":'
"""Begins the line that a repair adds."""

STOPPED = "its writer was stopped before it closed the stream"

TURN = threading.Lock()
"""A file is held while it is repaired, and while somebody asks whether it is held; taking turns, neither mistakes the other in this
program for whoever records it."""


def repair_folder(folder: Path) -> list[str]:
    """Repair every stream in a recordings folder that nobody is writing; what was done, one sentence each."""
    done: list[str] = []
    for path in sorted(folder.glob("*/*.jsonl")):
        if not sum_path(path).exists():
            with suppress(OSError, StreamFormatError):
                done += repair_stream(path)
    return done


def repair_stream(path: Path, disk: Disk = DISK) -> list[str]:
    """Repair one stream file; no byte of it is thrown away.

    A torn last line goes to ``….torn`` beside it, and a line that says so takes its place; a file that ends with a whole line
    gets a line that says its writer was stopped.  A file that another program writes, that a later segment has replaced in part,
    or that is no stream is left alone.

    Raises
    ------
    OSError
        If the disk fails; the file is as it was, or repaired.
    StreamFormatError
        If it is no stream.
    """
    with TURN:
        return _repaired(path, disk)


def _repaired(path: Path, disk: Disk) -> list[str]:
    fd = os.open(path, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0))
    try:
        if not hold(fd) or _followed(path):
            return []
        with open(os.dup(fd), "rb") as file:
            line = file.readline(LONGEST_LINE)
            if not line.endswith(b"\n"):
                return []
            parse_header(path, line)
            size = os.fstat(fd).st_size
            file.seek(max(len(line) - 1, size - LONGEST_LINE))
            end = file.read()
        whole, newline, torn = end.rpartition(b"\n")
        if not newline:
            return []
        done: list[str] = []
        side = path.with_name(path.name + ".torn")
        if torn and parse_record(torn) is not None:
            write_all(disk, fd, b"\n")
            whole, torn = torn, b""
        elif torn:
            _set_aside(disk, side, torn)
            disk.truncate(fd, size - len(torn))
        # A repair that was itself stopped has set the bytes aside and not said so.
        if torn or (side.exists() and REPAIRED not in end):
            write_all(
                disk, fd, line_of({"repair": f"its writer was stopped in the middle of a line, now in {side.name}"})
            )
            done.append(f"{path}: its writer was stopped in the middle of a line; those bytes are in {side}")
        elif not whole.rpartition(b"\n")[2].startswith(REPAIRED):
            write_all(disk, fd, line_of({"repair": STOPPED}))
            done.append(f"{path}: {STOPPED}")
        disk.sync(fd)
        digest = hashlib.sha256()
        with open(os.dup(fd), "rb") as file:
            file.seek(0)
            while block := file.read(_BLOCK):
                digest.update(block)
        write_small(disk, sum_path(path), sum_line(digest.hexdigest(), path))
        return done
    finally:
        os.close(fd)


def _set_aside(disk: Disk, side: Path, torn: bytes) -> None:
    held = side.read_bytes() if side.exists() else b""
    if not held.endswith(torn):
        write_small(disk, side, held + torn)


def _followed(path: Path) -> bool:
    """Whether a later segment says how much of this one counts."""
    name, _, number = path.name.removesuffix(".jsonl").rpartition(".")
    first, n = (path.with_name(f"{name}.jsonl"), int(number)) if number.isdigit() and name else (path, 1)
    return segment_on_disk(first, n + 1) is not None or segment_on_disk(first, n + 2) is not None
