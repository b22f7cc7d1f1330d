"""The file of a job's entries: one JSON object a line, appended and synced, never rewritten.

First line: ``{"format":"shimwright-job/1","job":…,"created":…}``.  Then ``{"n":1,"at":…,"by":…,"kind":…,"data":{…},"prev":…}``, where
``prev`` is the SHA-256 of the line before, so that a line changed afterwards shows.  A line is acknowledged once it is on the disk.
A line cut off by a stopped machine stays where it is; the next entry begins a new line and says so (``"after_torn":true``).
Entries written together bear the number of the ``last`` of them: unless that one is there too, none of them is an entry.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.job.entries import Entry
from capture.jobs.errors import JobFileError

FORMAT = "shimwright-job/1"
NAME = "job.jsonl"
LARGEST = 256 * 1024 * 1024

_KNOWN = {"n", "at", "by", "kind", "data", "corrects", "prev", "after_torn", "last"}


@dataclass
class Journal:
    """What a job's file holds.

    Attributes
    ----------
    header : dict
    entries : list of Entry
    altered : list of int
        Entries whose ``prev`` does not fit the line before them.
    torn : list of str
        Lines that were cut off; never acknowledged.
    ends_whole : bool
        The file ends with a line's end.
    tail_torn : bool
        What was cut off is the last there is.
    last_sum : str
        SHA-256 of the last whole line.
    """

    header: dict[str, Any]
    entries: list[Entry] = field(default_factory=list)
    altered: list[int] = field(default_factory=list)
    torn: list[str] = field(default_factory=list)
    ends_whole: bool = True
    tail_torn: bool = False
    last_sum: str = ""


def line_of(record: dict[str, Any]) -> bytes:
    """A record as its line, without the end."""
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8")


def sum_of(line: bytes) -> str:
    """SHA-256 of a line."""
    return hashlib.sha256(line).hexdigest()


def read_journal(path: Path) -> Journal:
    """All entries of a job's file.

    Raises
    ------
    JobFileError
        If the file is no job, of a version this program does not know, or damaged in the middle.
    """
    try:
        if path.stat().st_size > LARGEST:
            raise JobFileError(f"{path}: larger than {LARGEST} bytes; that is no job's file")
        raw = path.read_bytes()
    except FileNotFoundError:
        raise JobFileError(
            f"{path.parent} holds no job: there is no {NAME} in it. Begin one with: shimwright job new"
        ) from None
    except OSError as e:
        raise JobFileError(f"{path} cannot be read: {e.strerror or e}") from None
    whole = raw.endswith(b"\n")
    lines = raw.split(b"\n")
    if whole:
        lines.pop()
    journal = Journal(_header(path, lines[0] if lines else b""), ends_whole=whole)
    journal.last_sum = sum_of(lines[0])
    waiting: list[tuple[int, bytes]] = []
    together: list[tuple[int, bytes, dict[str, Any]]] = []
    for number, line in enumerate(lines[1:], start=2):
        record = _record(line)
        if record is None:
            waiting.append((number, line))
            continue
        if waiting or together:
            if record.get("after_torn"):
                waiting = [*((n, text) for n, text, _ in together), *waiting]
                together = []
            elif waiting:
                raise _damaged(path, *waiting[0])
        journal.torn += [text.decode("utf-8", "replace") for _, text in waiting if text]
        waiting = []
        together.append((number, line, record))
        if not _more_to_come(record):
            for n, text, r in together:
                _take(path, n, journal, r, text)
            together = []
    waiting = [*((n, text) for n, text, _ in together), *waiting]
    journal.torn += [text.decode("utf-8", "replace") for _, text in waiting if text]
    journal.tail_torn = bool(waiting)
    return journal


def _more_to_come(record: dict[str, Any]) -> bool:
    last, n = record.get("last"), record.get("n")
    return isinstance(last, int) and isinstance(n, int) and n < last


def _damaged(path: Path, number: int, line: bytes) -> JobFileError:
    return JobFileError(
        f"{path}, line {number}: not an entry: {line[:60]!r}. Take another copy of the job's folder; nothing was changed."
    )


def _header(path: Path, line: bytes) -> dict[str, Any]:
    try:
        head = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        head = None
    if not isinstance(head, dict) or "format" not in head:
        raise JobFileError(f'{path}, line 1: not a job; the first line must be an object with "format":"{FORMAT}"')
    if head["format"] != FORMAT:
        raise JobFileError(
            f"{path}, line 1: format is {head['format']!r}; this version reads {FORMAT!r}. Use the version that wrote it, or a newer one."
        )
    return head


def _record(line: bytes) -> dict[str, Any] | None:
    try:
        d = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    return d if isinstance(d, dict) else None


def _take(path: Path, number: int, journal: Journal, d: dict[str, Any], line: bytes) -> None:
    n, data, corrects = d.get("n"), d.get("data"), d.get("corrects")
    texts = [d.get(k) for k in ("at", "by", "kind")]
    if (
        not isinstance(n, int)
        or not isinstance(data, dict)
        or not all(isinstance(x, str) for x in texts)
        or not (corrects is None or isinstance(corrects, int))
    ):
        raise JobFileError(f"{path}, line {number}: an entry needs n, at, by, kind and data: {line[:60]!r}")
    if n != len(journal.entries) + 1:
        raise JobFileError(
            f"{path}, line {number}: entry {n} where entry {len(journal.entries) + 1} should be; a line is missing or doubled"
        )
    if d.get("prev") != journal.last_sum:
        journal.altered.append(n)
    journal.last_sum = sum_of(line)
    extra = {k: v for k, v in d.items() if k not in _KNOWN}
    journal.entries.append(Entry(n, str(texts[0]), str(texts[1]), str(texts[2]), data, corrects, extra))


def append(path: Path, journal: Journal, entries: Sequence[Entry]) -> None:
    """Write entries to the end of the file and put them on the disk; `journal` must be what the file holds now.

    Raises
    ------
    JobFileError
        If the disk does not take them; whatever part of them got there is no entry.
    """
    out = b"" if journal.ends_whole else b"\n"
    torn = journal.tail_torn
    last = journal.last_sum
    for e in entries:
        record: dict[str, Any] = {"n": e.n, "at": e.at, "by": e.by, "kind": e.kind, "data": e.data}
        if e.corrects is not None:
            record["corrects"] = e.corrects
        record |= e.extra | {"prev": last}
        if len(entries) > 1:
            record["last"] = entries[-1].n
        if torn:
            record["after_torn"] = True
            torn = False
        line = line_of(record)
        last = sum_of(line)
        out += line + b"\n"
    try:
        fd = os.open(path, os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0))
        try:
            view = memoryview(out)
            while view:
                view = view[os.write(fd, view) :]
            os.fsync(fd)
        finally:
            os.close(fd)
    except OSError as e:
        raise JobFileError(
            f"{path}: the entry could not be put on the disk: {e.strerror or e}. Make room, then write it again."
        ) from None


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Keep other programs from writing jobs in a folder meanwhile, where the system can."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    try:
        fd = os.open(folder, os.O_RDONLY)
    except OSError as e:
        raise JobFileError(f"{folder} cannot be opened: {e.strerror or e}") from None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        yield
    finally:
        os.close(fd)
