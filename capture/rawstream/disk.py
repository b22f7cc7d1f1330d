"""What a raw stream asks of the disk, in one place so that tests can let any of it fail."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


class Disk:
    """The operating system's files.  Every method raises OSError when it fails."""

    def make(self, path: Path) -> int:
        """Descriptor of a new file, held for this program alone; it must not exist."""
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o644)
        hold(fd)
        return fd

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """Bytes written, which may be fewer than given."""
        return os.write(fd, data)

    def sync(self, fd: int) -> None:
        """Put what was written on the disk."""
        os.fdatasync(fd) if hasattr(os, "fdatasync") else os.fsync(fd)

    def truncate(self, fd: int, size: int) -> None:
        """Cut the file."""
        os.ftruncate(fd, size)

    def close(self, fd: int) -> None:
        """Close the file."""
        os.close(fd)

    def rename(self, old: Path, new: Path) -> None:
        """Give a file its name; one that is there already is replaced."""
        os.replace(old, new)

    def sync_folder(self, folder: Path) -> None:
        """Put the folder's names on the disk, where the system can."""
        if os.name != "posix":
            return
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def remove(self, path: Path) -> None:
        """Remove a file."""
        os.unlink(path)


def hold(fd: int) -> bool:
    """Claim an open file until it is closed; False if another program holds it or that cannot be known."""
    try:
        import fcntl

        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (ImportError, OSError):
        return False
    return True


def write_small(disk: Disk, path: Path, data: bytes) -> None:
    """A small file, there whole or not at all.

    Raises
    ------
    OSError
    """
    new = path.with_name(path.name + ".new")
    with suppress(FileNotFoundError):
        disk.remove(new)
    fd = disk.make(new)
    try:
        write_all(disk, fd, data)
        disk.sync(fd)
    finally:
        disk.close(fd)
    disk.rename(new, path)
    disk.sync_folder(path.parent)


def write_all(disk: Disk, fd: int, data: bytes) -> None:
    """All bytes, however many pieces it takes.

    Raises
    ------
    OSError
    """
    view = memoryview(data)
    while view:
        view = view[disk.write(fd, view) :]


DISK = Disk()
