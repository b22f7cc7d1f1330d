"""Everything a job's sheet states, from the job's folder alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from analysis.job import Entry, Job, fold, job_as_dict
from capture.errors import CaptureError
from capture.fingerprint import Fingerprint, fingerprints
from capture.jobs.checking import STREAMED, Finding, check_job
from capture.jobs.journal import NAME, Journal, read_journal, sum_of
from capture.jobs.streams import inside_of
from capture.stamp import Stamp
from web.report.gather import drawing_library

JOB_FORMAT = "shimwright-job-sheet/1"


@dataclass(frozen=True, slots=True)
class JobStream:
    """A raw stream of the job: the set it gave, where it lies in the folder, its files; why there are none."""

    entry: int
    path: str
    files: tuple[Fingerprint, ...]
    missing: str = ""


@dataclass(frozen=True, slots=True)
class JobMatter:
    """All a job's sheet is made from.

    Attributes
    ----------
    shown : str
        How the sheet calls the job's folder.
    data : dict
        The job as plain data, every entry with it.
    findings : tuple of Finding
        The journal and its streams, read and worked out again.
    written, version, by, program : str and Stamp
        What the clock and people say; it cannot be worked out again.
    """

    shown: str
    name: str
    journal: Journal
    job: Job
    data: dict[str, Any]
    streams: tuple[JobStream, ...]
    findings: tuple[Finding, ...]
    written: str
    version: str
    by: str | None
    program: Stamp | None = None

    def record(self) -> dict[str, object]:
        """What checking the sheet needs, as plain data."""
        return {
            "format": JOB_FORMAT,
            "version": self.version,
            "written": self.written,
            "by": self.by,
            **({} if self.program is None else {"program": self.program.as_dict()}),
            "drawn_with": drawing_library(),
            "job": {"path": self.shown, "entries": len(self.journal.entries), "sha256": self.journal.last_sum},
            "streams": [
                {
                    "entry": s.entry,
                    "path": s.path,
                    "files": [{"name": f.name, "bytes": f.size, "sha256": f.sha256} for f in s.files],
                }
                for s in self.streams
            ],
        }


def is_job(path: Path) -> bool:
    """A folder that holds a job."""
    return (path / NAME).is_file()


def gather_job(
    path: Path,
    shown: str,
    *,
    written: str,
    version: str,
    by: str | None = None,
    entries: int | None = None,
    program: Stamp | None = None,
) -> JobMatter:
    """Read a job and work its streams out again.

    Parameters
    ----------
    path : Path
        The job's folder.
    shown : str
        How the sheet calls it.
    entries : int, optional
        Only the first so many entries, as they were when a sheet was written.
    program : Stamp, optional
        What wrote the sheet.

    Raises
    ------
    CaptureError
        If the job cannot be read.
    """
    journal = _first(path / NAME, read_journal(path / NAME), entries)
    job = fold(journal.entries)
    data = job_as_dict(job)
    streams = tuple(_stream(path, e) for e in journal.entries if _streamed(e))
    findings = tuple(check_job(path, journal))
    name = str(journal.header.get("job", path.resolve().name))
    return JobMatter(shown, name, journal, job, data, streams, findings, written, version, by, program)


def _streamed(e: Entry) -> bool:
    return e.kind in STREAMED and "stream" in e.data and e.corrects is None


def _first(file: Path, journal: Journal, entries: int | None) -> Journal:
    """The journal as it stood after so many entries."""
    if entries is None or entries >= len(journal.entries):
        return journal
    line = next((s for n, s in _numbered(file) if n == entries), journal.last_sum)
    altered = [n for n in journal.altered if n <= entries]
    return replace(journal, entries=journal.entries[:entries], altered=altered, torn=[], last_sum=line)


def _numbered(file: Path) -> list[tuple[int, str]]:
    """SHA-256 of each whole line, the header as number 0."""
    import json

    out = []
    for line in file.read_bytes().split(b"\n"):
        try:
            record = json.loads(line.decode("utf-8"))
        except (ValueError, RecursionError):
            continue
        if isinstance(record, dict):
            out.append((int(record.get("n", 0)), sum_of(line)))
    return out


def _stream(path: Path, e: Entry) -> JobStream:
    name = str(e.data["stream"])
    try:
        return JobStream(e.n, name, tuple(fingerprints(inside_of(path, name))))
    except CaptureError as why:
        return JobStream(e.n, name, (), str(why))
