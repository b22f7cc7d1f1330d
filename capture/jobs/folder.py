"""One job and its folder, and the folder of all jobs of a shop."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.job.entries import Entry, JobEntryError, Problem, check_who_when
from analysis.job.fold import fold
from analysis.job.state import Job
from analysis.job.stock import free_in_shop, shop_stock
from capture.jobs.checking import Finding, check_job
from capture.jobs.errors import EntryRefusedError, JobFileError
from capture.jobs.journal import FORMAT, NAME, Journal, append, held, line_of, read_journal
from capture.jobs.preparing import Preparing, Row, check_before_recording
from capture.jobs.streams import take_in
from capture.rawstream.disk import DISK

_JOB = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$")

_NAMES = "cannot be a job's name: letters, figures, dot, dash and underscore, at most 80, beginning with a letter or a figure"


def now() -> str:
    """This moment, UTC."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class JobFile:
    """One job.

    Parameters
    ----------
    path : Path
        Its folder.

    Raises
    ------
    JobFileError
        If there is none.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = path / NAME
        self._read: tuple[int, Journal] | None = None
        self.journal()

    @classmethod
    def new(cls, path: Path) -> JobFile:
        """A job that holds nothing yet.

        Raises
        ------
        JobFileError
            If one is there already, or the folder cannot be made.
        """
        if not _JOB.fullmatch(path.name):
            raise JobFileError(f"{path.name!r} {_NAMES}")
        try:
            path.mkdir(parents=True, exist_ok=True)
            for name in ("streams", "photos"):
                (path / name).mkdir(exist_ok=True)
            head = line_of({"format": FORMAT, "job": path.name, "created": now()}) + b"\n"
            with open(path / NAME, "xb") as file:
                file.write(head)
                file.flush()
                os.fsync(file.fileno())
            DISK.sync_folder(path)
            DISK.sync_folder(path.parent)
        except FileExistsError:
            raise JobFileError(f"{path} holds a job already; choose another name") from None
        except OSError as e:
            raise JobFileError(f"{path} cannot be made: {e.strerror or e}. Choose a folder you may write to.") from None
        return cls(path)

    @property
    def name(self) -> str:
        """The job's name: that of its folder."""
        return self.path.name

    def journal(self) -> Journal:
        """What the file holds now."""
        try:
            size = self._file.stat().st_size
        except OSError:
            size = -1
        if self._read is None or self._read[0] != size:
            self._read = (size, read_journal(self._file))
        return self._read[1]

    def job(self, *, with_shop: bool = True) -> Job:
        """The job as it stands, with the shims free in the other jobs beside it."""
        entries = self.journal().entries
        return fold(entries, free_in_shop(self._others(), self.name) if with_shop else ())

    def _others(self) -> dict[str, Job]:
        return {**self._beside(), self.name: fold(self.journal().entries)}

    def _beside(self) -> dict[str, Job]:
        return {name: fold(f.journal().entries) for name, f in beside(self.path).items()}

    def add(
        self, kind: str, data: Mapping[str, object], by: str, *, at: str | None = None, corrects: int | None = None
    ) -> Entry:
        """Write one entry down; it is on the disk when this returns.

        Parameters
        ----------
        corrects : int, optional
            Entry it puts right: the fields given replace that one's, None takes a field out, the rest stays.

        Raises
        ------
        EntryRefusedError
            With every problem; nothing was written.
        JobFileError
        """
        return self.add_all([(kind, data, corrects)], by, at=at)[-1]

    def add_all(self, rows: Sequence[Row], by: str, *, at: str | None = None) -> list[Entry]:
        """Write several entries down; if one is refused, none is written."""
        moment = at if at is not None else now()
        try:
            check_who_when(by, moment)
        except JobEntryError as e:
            raise EntryRefusedError(e.problems) from None
        with held(self.path.parent):
            self._read = None
            journal = self.journal()
            work = Preparing(self.path, journal.entries, self._beside)
            for number, (kind, data, corrects) in enumerate(rows, start=1):
                try:
                    work.row(kind, data, by, moment, corrects)
                except EntryRefusedError as e:
                    if len(rows) == 1:
                        raise
                    raise EntryRefusedError(
                        [Problem(f"entry {number}, {p.field}", *p[1:]) for p in e.problems]
                    ) from None
            if work.fresh:
                append(self._file, journal, work.fresh)
            self._read = None
        return work.fresh

    def check_before_recording(self, kind: str, data: Mapping[str, object], by: str) -> None:
        """Check everything of a set but its recording, before that is ended or copied.

        Raises
        ------
        EntryRefusedError
        """
        check_before_recording(self.job(with_shop=False), kind, data, by, now())

    def attach(self, stream: Path) -> str:
        """Copy a recorded stream into the job's folder; its path from there, for a set entry."""
        return take_in(self.path, stream)

    def check(self) -> list[Finding]:
        """Read everything again: lines, streams, results, photos."""
        self._read = None
        return check_job(self.path, self.journal())


def beside(path: Path) -> dict[str, JobFile]:
    """The other jobs in the folder a job lies in; one that cannot be read is passed over."""
    out: dict[str, JobFile] = {}
    for other in _folders(path.resolve().parent):
        if other.name != path.name:
            try:
                out[other.name] = JobFile(other)
            except JobFileError:
                continue
    return out


def _folders(root: Path) -> Iterable[Path]:
    try:
        found = sorted(p for p in root.iterdir() if (p / NAME).is_file())
    except OSError as e:
        raise JobFileError(f"{root} cannot be read: {e.strerror or e}") from None
    return found


class JobFolder:
    """All jobs of a shop: one folder with a folder for each job.

    Parameters
    ----------
    root : Path
        Made if it is not there.

    Raises
    ------
    JobFileError
        If it can be neither read nor made.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        try:
            root.mkdir(parents=True, exist_ok=True)
        except OSError as e:
            raise JobFileError(f"{root} cannot be made: {e.strerror or e}") from None

    def names(self) -> list[str]:
        """Names of the jobs."""
        return [p.name for p in _folders(self.root)]

    def get(self, name: str) -> JobFile:
        """A job by its name.

        Raises
        ------
        JobFileError
            If there is none.
        """
        return JobFile(self.file(name).parent)

    def file(self, name: str) -> Path:
        """A job's file by the job's name, without reading it.

        Raises
        ------
        JobFileError
            If there is none.
        """
        path = self.root / name / NAME
        if not _JOB.fullmatch(name) or not path.is_file():
            known = ", ".join(self.names()) or "none yet"
            raise JobFileError(f"no job {name[:80]!r}; there are: {known}")
        return path

    def new(self, name: str) -> JobFile:
        """A new job.

        Raises
        ------
        JobFileError
            If the name cannot be one, or is taken.
        """
        if not _JOB.fullmatch(name):
            raise JobFileError(f"{name!r} {_NAMES}")
        return JobFile.new(self.root / name)

    def stock(self) -> list[dict[str, Any]]:
        """Every shim of the shop, and who has it."""
        return shop_stock({n: fold(self.get(n).journal().entries) for n in self.names()})
