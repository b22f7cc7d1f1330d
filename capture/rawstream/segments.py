"""Names of a stream's files: segments, sums, folders."""

from __future__ import annotations

import gzip
import hashlib
import time
import zlib
from pathlib import Path
from typing import IO, Literal, cast

from capture.errors import CaptureError, StreamFormatError

_MAGIC = b"\x1f\x8b"
_BLOCK = 1 << 20


def segment_path(first: Path, number: int) -> Path:
    """Segment 2, 3, … of the stream whose first file is `first`: ``stream.0002.jsonl``."""
    name, dot, kind = first.name.partition(".jsonl")
    return first.with_name(f"{name}.{number:04d}{dot}{kind}")


def segment_on_disk(first: Path, number: int) -> Path | None:
    """The segment as it lies there, compressed or not; None if it does not."""
    plain = segment_path(first.with_name(first.name.removesuffix(".gz")), number)
    for path in (plain, plain.with_name(plain.name + ".gz")):
        if path.is_file():
            return path
    return None


def sum_path(path: Path) -> Path:
    """File that holds the SHA-256 of a closed stream file, as checksum programs read it."""
    return path.with_name(path.name + ".sha256")


def sum_line(digest: str, path: Path) -> bytes:
    """Content of that file."""
    return f"{digest}  {path.name}\n".encode("utf-8", "surrogateescape")


def open_stream(path: Path) -> IO[bytes]:
    """A stream file for reading, unpacked if it is compressed.

    Raises
    ------
    StreamFormatError
    """
    try:
        file = open(path, "rb")  # noqa: SIM115 - given to the caller
    except FileNotFoundError:
        raise StreamFormatError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise StreamFormatError(
            f"{path} is a folder; give the stream file in it, for example {path}/stream.jsonl"
        ) from None
    except (OSError, ValueError) as e:
        raise StreamFormatError(f"{path} cannot be read: {getattr(e, 'strerror', None) or e}") from None
    if file.peek(2)[:2] != _MAGIC:
        return file
    file.close()
    return cast(IO[bytes], gzip.open(path, "rb"))


def damaged(path: Path, e: Exception) -> StreamFormatError:
    """What to say of a file that ends before its time or cannot be unpacked."""
    return StreamFormatError(
        f"{path}: cut short or damaged ({e}). Take another copy of it; if there is none, what can be unpacked of it can be read."
    )


def verify(path: Path, until: float | None = None) -> Literal["same", "differs", "no sum", "no time"]:
    """Whether a closed stream file still is what it was when it was closed.

    Parameters
    ----------
    path : Path
    until : float, optional
        When to give up, on the steady clock; summing a large file takes its time.

    Raises
    ------
    StreamFormatError
        If it cannot be read, or is an archive that is not whole.
    """
    plain = path.with_name(path.name.removesuffix(".gz"))
    try:
        stated = sum_path(plain).read_text("utf-8", "replace").split()
    except OSError:
        return "no sum"
    digest = hashlib.sha256()
    with open_stream(path) as file:
        try:
            while block := file.read(_BLOCK):
                digest.update(block)
                if until is not None and time.monotonic() > until:
                    return "no time"
        except (EOFError, zlib.error, OSError) as e:
            raise damaged(path, e) from None
    return "same" if stated[:1] == [digest.hexdigest()] else "differs"


def new_folder(root: Path, name: str) -> Path:
    """A folder nobody else has: `name`, or `name` with the next free number.

    Raises
    ------
    CaptureError
        If it cannot be made.
    """
    n = 1
    while True:
        path = root / (name if n == 1 else f"{name}-{n}")
        try:
            root.mkdir(parents=True, exist_ok=True)
            path.mkdir()
        except FileExistsError:
            if not root.is_dir():
                raise CaptureError(f"{root} is no folder. Choose a folder you may write to.") from None
            n += 1
            continue
        except OSError as e:
            raise CaptureError(f"{path} cannot be made: {e.strerror}. Choose a folder you may write to.") from None
        return path
