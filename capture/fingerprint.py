"""What a raw stream is known by: the SHA-256 of each of its files."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import NamedTuple

from capture.rawstream.segments import open_stream, segment_on_disk

_BLOCK = 1 << 20


class Fingerprint(NamedTuple):
    """One file of a stream: its name, its length and its SHA-256 (of the unpacked bytes, if it is compressed)."""

    name: str
    size: int
    sha256: str


def fingerprints(path: Path) -> list[Fingerprint]:
    """Fingerprints of a stream, its later segments included.

    Raises
    ------
    StreamFormatError
        If a file cannot be read.
    """
    files = [path]
    number, missing = 2, 0
    while missing < 2:  # a segment that was given up may have left its number free
        found = segment_on_disk(path, number)
        missing = 0 if found else missing + 1
        if found is not None and found != path:
            files.append(found)
        number += 1
    return [_of(f) for f in files]


def _of(path: Path) -> Fingerprint:
    digest, size = hashlib.sha256(), 0
    with open_stream(path) as file:
        while block := file.read(_BLOCK):
            digest.update(block)
            size += len(block)
    return Fingerprint(path.name, size, digest.hexdigest())
