"""One file of a raw stream while it is written."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture.rawstream.disk import Disk, write_all, write_small
from capture.rawstream.segments import sum_line, sum_path


@dataclass
class SegmentFile:
    """An open file of a stream, what is in it, and its sum so far."""

    disk: Disk
    number: int
    path: Path
    fd: int
    size: int = 0
    digest: Any = field(default_factory=hashlib.sha256)

    def append(self, line: bytes) -> None:
        """Write a line.

        Raises
        ------
        OSError
            If it is not, or not whole, in the file.
        """
        write_all(self.disk, self.fd, line)
        self.size += len(line)
        self.digest.update(line)

    def close(self) -> None:
        """Put the file's sum beside it and close it; what fails of that is missed by nothing but the sum."""
        # In this order: a file that nobody holds and that has no sum is taken for one whose writer was stopped.
        with suppress(OSError):
            write_small(self.disk, sum_path(self.path), sum_line(self.digest.hexdigest(), self.path))
        with suppress(OSError):
            self.disk.close(self.fd)


def make_segment(disk: Disk, path: Path, number: int, lines: Iterable[bytes]) -> SegmentFile:
    """A stream file with its first lines on the disk, there whole or not at all.

    Raises
    ------
    OSError
    """
    new = path.with_name(path.name + ".new")
    if number > 1:
        with suppress(OSError):
            disk.remove(new)
    fd = disk.make(new)
    named = False
    try:
        if path.exists():
            raise FileExistsError(errno.EEXIST, "File exists")
        s = SegmentFile(disk, number, path, fd)
        for line in lines:
            s.append(line)
        disk.sync(fd)
        disk.rename(new, path)
        named = True
        disk.sync_folder(path.parent)
    except OSError:
        with suppress(OSError):
            disk.close(fd)
        with suppress(OSError):
            disk.remove(path if named and number == 1 else new)
        raise
    return s
