"""Photos of a job: files in its own folder, kept as they came."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from capture.jobs.errors import JobFileError
from capture.rawstream.disk import DISK

LARGEST_PHOTO = 40 << 20
"""Bytes; more than a telephone's camera makes of one picture."""

_KINDS: tuple[tuple[str, bytes, int, str], ...] = (
    (".jpg", b"\xff\xd8\xff", 0, "image/jpeg"),
    (".png", b"\x89PNG\r\n\x1a\n", 0, "image/png"),
    (".webp", b"WEBP", 8, "image/webp"),
)
_UNFIT = re.compile(r"[^\w.-]+", re.UNICODE)


def media_type(data: bytes) -> tuple[str, str] | None:
    """Ending and media type of a picture by its first bytes; None for anything else."""
    for ending, magic, at, media in _KINDS:
        if data[at : at + len(magic)] == magic:
            return ending, media
    return None


def checked_picture(data: bytes) -> str:
    """The ending of a picture that can be kept.

    Raises
    ------
    JobFileError
        If it is none that a page can show, or too large.
    """
    found = media_type(data)
    if found is None:
        raise JobFileError("This is no picture that can be kept here; allowed: JPEG, PNG or WebP.")
    if len(data) > LARGEST_PHOTO:
        raise JobFileError(f"The picture has {len(data)} bytes; allowed: {LARGEST_PHOTO}. Take it with fewer pixels.")
    return found[0]


def read_picture(path: Path) -> bytes:
    """A picture from anywhere on this machine.

    Raises
    ------
    JobFileError
        If it cannot be read, or cannot be kept.
    """
    try:
        with open(path, "rb") as file:
            data = file.read(LARGEST_PHOTO + 1)
        checked_picture(data)
    except OSError as e:
        raise JobFileError(f"{path} cannot be read: {e.strerror or e}") from None
    except JobFileError as e:
        raise JobFileError(f"{path}: {e}") from None
    return data


def keep_photo(job: Path, name: str, data: bytes) -> str:
    """Put a picture into a job's folder; it is on the disk when this returns.

    Parameters
    ----------
    job : Path
        The job's folder.
    name : str
        What the file was called; its ending is set by what it is.
    data : bytes

    Returns
    -------
    str
        The name it has now.  Nothing is written over: a second picture of that name gets a number.

    Raises
    ------
    JobFileError
        If it is no picture a page can show, too large, or cannot be written.
    """
    ending = checked_picture(data)
    stem = _UNFIT.sub("-", Path(name.replace("\\", "/")).stem).strip(".-")[:60] or "photo"
    folder = job / "photos"
    part = folder / f".{stem}.{os.getpid()}.part"
    try:
        folder.mkdir(exist_ok=True)
        with open(part, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        return _placed(part, folder, stem, ending, data)
    except OSError as e:
        raise JobFileError(f"The picture could not be put on the disk: {e.strerror or e}.") from None
    finally:
        with suppress(OSError):
            part.unlink()


def _placed(part: Path, folder: Path, stem: str, ending: str, data: bytes) -> str:
    number = 1
    while True:
        path = folder / (f"{stem}{ending}" if number == 1 else f"{stem}-{number}{ending}")
        try:
            # A link is refused where the name is taken, in one step; two tabs cannot write over each other.
            os.link(part, path)
        except FileExistsError:
            if path.read_bytes() == data:
                return path.name
            number += 1
            continue
        except OSError:
            if path.exists():
                number += 1
                continue
            part.rename(path)  # a file system without links
        DISK.sync_folder(folder)
        return path.name


def read_photo(job: Path, name: str) -> tuple[bytes, str]:
    """A picture of the job, and its media type; a link that leads out of the job's folder is none.

    Raises
    ------
    JobFileError
        If there is none of that name.
    """
    path = job / "photos" / name
    try:
        if path.parent != job / "photos" or name.startswith(".") or not path.resolve().is_relative_to(job.resolve()):
            raise OSError
        data = path.read_bytes()
    except (OSError, ValueError):
        raise JobFileError(f"no picture {name!r} in this job") from None
    found = media_type(data)
    if found is None:
        raise JobFileError(f"{name!r} is no picture that can be shown")
    return data, found[1]
