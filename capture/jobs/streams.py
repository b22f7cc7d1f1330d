"""Raw streams and photos of a job: copied in whole, and known by their SHA-256."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from analysis.job.derive import setup_for
from analysis.job.state import Job
from analysis.setup import Setup, SetupError
from capture.analyse import analyse_stream
from capture.errors import StreamFormatError
from capture.jobs.errors import JobFileError
from capture.jobs.ring_streams import indicator_mpe_mm, pushed_and_pulled, rocked, turned
from capture.rawstream import read_header
from capture.rawstream.segments import open_stream, segment_on_disk, sum_path

_BLOCK = 1 << 20
KEPT = ("readings", "bad_frames", "gaps", "sweeps", "set", "play")
"""Parts of a stream's result that a set keeps; distance, ruling and shim are worked out from the job."""


def files_of(first: Path) -> Iterator[Path]:
    """Files of a stream in order: the one given and its later segments."""
    yield first
    number = 2
    while True:
        found = segment_on_disk(first, number)
        if found is None:
            found = segment_on_disk(first, number + 1)
            if found is None:
                return
            number += 1
        yield found
        number += 1


def sum_of_stream(first: Path) -> str:
    """SHA-256 of a stream's bytes, segments one after the other, unpacked.

    Raises
    ------
    StreamFormatError
    """
    digest = hashlib.sha256()
    for path in files_of(first):
        with open_stream(path) as file:
            while block := file.read(_BLOCK):
                digest.update(block)
    return digest.hexdigest()


def sum_of_file(path: Path) -> str:
    """SHA-256 of a file.

    Raises
    ------
    JobFileError
    """
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as e:
        raise JobFileError(f"{path} cannot be read: {e.strerror or e}") from None


def derived_from(kind: str, first: Path, job: Job, data: Mapping[str, object]) -> dict[str, Any]:
    """All that a stream gives an entry: its sum, what was worked out, and the readings that follow from it.

    Parameters
    ----------
    kind : str
        "set", "backlash", "run-out" or "end-play".
    first : Path
    job : Job
        As it was known when the stream was attached.
    data : mapping
        What else the entry says.

    Raises
    ------
    JobFileError, StreamFormatError
        If the stream cannot be read, or gives nothing that can be used.
    """
    return {"sha256": sum_of_stream(first), **result_of(kind, first, job, data)}


def result_of(kind: str, first: Path, job: Job, data: Mapping[str, object]) -> dict[str, Any]:
    """What an entry keeps of a stream's analysis.

    Raises
    ------
    JobFileError
        If the stream cannot be read.
    """
    if kind == "run-out":
        turns, teeth = data.get("turns"), data.get("teeth_under")
        if not isinstance(turns, int | str) or not str(turns).isascii() or not str(turns).isdigit():
            raise JobFileError("run-out.turns is needed with a stream: how many whole turns were made, 2 or more")
        return turned(first, int(turns), int(str(teeth)) if str(teeth).isdigit() else None)
    if kind == "end-play":
        return pushed_and_pulled(first, indicator_mpe_mm(job, data.get("indicator")))
    if kind == "backlash":
        return rocked(first, indicator_mpe_mm(job, data.get("indicator")))
    result = analyse_stream(first, setup_then(job))
    if "error" in result:
        raise JobFileError(str(result["error"]))
    return {"result": {k: result[k] for k in KEPT}}


def setup_then(job: Job) -> Setup | None:
    """Set-up for reading a stream now; None where what is written down makes none."""
    try:
        return setup_for(job, None, shims=False)
    except SetupError:
        return None


def take_in(job: Path, stream: Path) -> str:
    """Copy a stream into the job's folder, unless it is there already; its path from there.

    Raises
    ------
    StreamFormatError, JobFileError
    """
    read_header(stream)
    try:
        inside = stream.resolve().relative_to(job.resolve())
    except ValueError:
        inside = None
    if inside is not None and inside.parts[0] == "streams":
        return inside.as_posix()
    name = (
        stream.parent.name
        if stream.name.startswith("stream.jsonl") and stream.parent.name
        else stream.name.partition(".jsonl")[0]
    )
    base = job / "streams"
    try:
        base.mkdir(exist_ok=True)
        number = 1
        while True:
            target = base / (name if number == 1 else f"{name}-{number}")
            try:
                target.mkdir()
                break
            except FileExistsError:
                if (target / stream.name).is_file() and sum_of_stream(target / stream.name) == sum_of_stream(stream):
                    return (target / stream.name).relative_to(job).as_posix()
                number += 1
        for path in files_of(stream):
            _copy(path, target / path.name)
            if sum_path(path).is_file():
                _copy(sum_path(path), target / sum_path(path).name)
    except OSError as e:
        raise JobFileError(f"{stream} could not be copied into {base}: {e.strerror or e}") from None
    return (target / stream.name).relative_to(job).as_posix()


def _copy(source: Path, target: Path) -> None:
    part = target.with_name(target.name + ".part")
    with open(source, "rb") as a, open(part, "xb") as b:
        shutil.copyfileobj(a, b)
        b.flush()
        os.fsync(b.fileno())
    part.replace(target)


def inside_of(job: Path, relative: str) -> Path:
    """A stream of the job by its path; links that lead out of the folder are refused.

    Raises
    ------
    JobFileError
    """
    path = (job / relative).resolve()
    if not path.is_relative_to(job.resolve() / "streams"):
        raise JobFileError(f"{relative} leads out of the job's folder")
    if not path.is_file():
        raise JobFileError(f"{job / relative}: no such stream. Copy it into {job / 'streams'} first.")
    return path


__all__ = [
    "KEPT",
    "StreamFormatError",
    "derived_from",
    "files_of",
    "inside_of",
    "result_of",
    "setup_then",
    "sum_of_file",
    "sum_of_stream",
    "take_in",
]
