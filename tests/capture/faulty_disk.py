"""A disk that fails on demand, and remembers what a power cut would leave."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from capture.rawstream.disk import Disk


class _File:
    """One file: what is in it, what of it is on the platter, and what a failed sync has lost for good."""

    def __init__(self) -> None:
        self.content = bytearray()
        self.durable = 0
        self.lost: list[tuple[int, int]] = []

    def after_power_cut(self) -> bytes:
        kept = bytearray(self.content[: self.durable])
        for a, b in self.lost:
            kept[a:b] = bytes(max(0, min(b, len(kept)) - a))
        return bytes(kept)


class FaultyDisk(Disk):
    """Fails operations from number `first` on, `count` of them, counted over all kinds or over one.

    Parameters
    ----------
    first : int
        Number of the first operation that fails, from 0.
    count : int
        How many fail.
    how : {"full", "error", "half"}
        No space left; input/output error; half of a write goes through, then no space is left.
    only : str
        Kind of operation that is counted and fails; "" for every kind.
    """

    def __init__(self, first: int = 1 << 60, count: int = 1, how: str = "error", only: str = "") -> None:
        self.first, self.count, self.how, self.only = first, count, how, only
        self.done = 0
        self._open: dict[int, _File] = {}
        self._names: dict[Path, _File] = {}
        self._durable_names: dict[Path, _File] = {}

    @property
    def failed(self) -> bool:
        """Whether any operation has failed."""
        return self.done > self.first

    def _step(self, kind: str) -> bool:
        """Whether this operation fails."""
        if self.only and kind != self.only:
            return False
        at, self.done = self.done, self.done + 1
        return self.first <= at < self.first + self.count

    def _fail(self) -> OSError:
        code = errno.EIO if self.how == "error" else errno.ENOSPC
        return OSError(code, os.strerror(code))

    def make(self, path: Path) -> int:
        if self._step("make"):
            raise self._fail()
        fd = super().make(path)
        self._open[fd] = self._names[path] = _File()
        return fd

    def write(self, fd: int, data: bytes | memoryview) -> int:
        if self._step("write"):
            if self.how == "half" and len(data) > 1:
                # The rest of it meets the next failure, if there is one.
                half = super().write(fd, data[: len(data) // 2])
                self._open[fd].content += data[:half]
                if self._step("write"):
                    raise self._fail()
                return half
            raise self._fail()
        n = super().write(fd, data)
        self._open[fd].content += data[:n]
        return n

    def sync(self, fd: int) -> None:
        f = self._open[fd]
        if self._step("sync"):
            # The system has dropped what it held: a later sync that succeeds does not bring it back.
            f.lost.append((f.durable, len(f.content)))
            raise self._fail()
        f.durable = len(f.content)

    def truncate(self, fd: int, size: int) -> None:
        if self._step("truncate"):
            raise self._fail()
        super().truncate(fd, size)
        f = self._open[fd]
        del f.content[size:]
        f.durable = min(f.durable, size)

    def rename(self, old: Path, new: Path) -> None:
        if self._step("rename"):
            raise self._fail()
        super().rename(old, new)
        self._names[new] = self._names.pop(old)

    def sync_folder(self, folder: Path) -> None:
        if self._step("sync_folder"):
            raise self._fail()
        for path in list(self._durable_names):
            if path not in self._names:
                del self._durable_names[path]
        self._durable_names.update(self._names)

    def remove(self, path: Path) -> None:
        if self._step("remove"):
            raise self._fail()
        super().remove(path)
        self._names.pop(path, None)

    def power_cut(self, into: Path) -> Path:
        """What a machine finds that was cut off now, in a folder of its own."""
        into.mkdir(parents=True)
        for path, file in self._durable_names.items():
            (into / path.name).write_bytes(file.after_power_cut())
        return into

    def adopt(self, path: Path, fd: int) -> None:
        """Take in a file that was there before."""
        f = _File()
        f.content += path.read_bytes()
        f.durable = len(f.content)
        self._open[fd] = self._names[path] = self._durable_names[path] = f
