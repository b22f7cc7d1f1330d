"""One job and its folder, and the folder of all jobs of a shop."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.job.admission import admit
from analysis.job.derive import setup_for
from analysis.job.entries import Entry, JobEntryError, Problem, check_entry, check_who_when, shown
from analysis.job.fields import FieldError, path_in_streams
from analysis.job.fold import fold
from analysis.job.records import Stack
from analysis.job.response import prediction
from analysis.job.state import Job
from analysis.job.stock import free_in_shop, shop_stock
from analysis.setup import Setup, SetupError
from capture.errors import CaptureError
from capture.jobs.checking import Finding, check_job
from capture.jobs.errors import EntryRefusedError, JobFileError
from capture.jobs.journal import FORMAT, NAME, Journal, append, held, line_of, read_journal
from capture.jobs.streams import inside_of, result_of, sum_of_file, sum_of_stream, take_in

_JOB = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$")

_NAMES = "cannot be a job's name: letters, figures, dot, dash and underscore, at most 80, beginning with a letter or a figure"

Row = tuple[str, Mapping[str, object], int | None]
"""Kind, data, and the number of the entry it corrects."""


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
            _sync(path)
            _sync(path.parent)
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
        jobs = {name: fold(f.journal().entries) for name, f in beside(self.path).items()}
        jobs[self.name] = fold(self.journal().entries)
        return jobs

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
            entries = list(journal.entries)
            fresh: list[Entry] = []
            for number, (kind, data, corrects) in enumerate(rows, start=1):
                try:
                    fresh += self._prepare(entries + fresh, kind, data, by, moment, corrects)
                except EntryRefusedError as e:
                    if len(rows) == 1:
                        raise
                    raise EntryRefusedError(
                        [Problem(f"entry {number}, {p.field}", *p[1:]) for p in e.problems]
                    ) from None
            if fresh:
                append(self._file, journal, fresh)
            self._read = None
        return fresh

    def _prepare(
        self, entries: list[Entry], kind: str, data: Mapping[str, object], by: str, at: str, corrects: int | None
    ) -> list[Entry]:
        job = fold(entries)
        first = corrects
        if corrects is not None:
            first, data = _merged(job, entries, kind, data, corrects)
        given = dict(data)
        if kind == "set" and "stream" in given and corrects is None:
            given |= self._stream(job, given)
        if kind == "fit":
            given.pop("predicted", None)
        try:
            clean = check_entry(kind, given)
        except JobEntryError as e:
            raise EntryRefusedError(e.problems) from None
        problems = admit(job, kind, clean, by)
        if problems:
            raise EntryRefusedError(problems)
        clean |= self._photos(kind, clean)
        fresh: list[Entry] = []
        if kind in ("fit", "reserve") and not clean.get("release"):
            fresh = self._from_shop(job, clean, by, at, len(entries))
            if fresh:
                job = fold([*entries, *fresh])
        if kind == "fit" and clean["place"] == "depth" and corrects is None:
            stack = _would_be(job, clean, by, at)
            told = None if stack is None else prediction(job, stack)
            if told is not None:
                clean["predicted"] = told
        return [*fresh, Entry(len(entries) + len(fresh) + 1, at, by, kind, clean, first)]

    def _stream(self, job: Job, given: Mapping[str, object]) -> dict[str, object]:
        for key in ("result", "sha256"):
            if key in given:
                raise EntryRefusedError(
                    [Problem(f"set.{key}", shown(given[key]), "left out: it is worked out from the stream")]
                )
        relative = given["stream"]
        try:
            path = inside_of(self.path, path_in_streams(relative))
            return {"sha256": sum_of_stream(path), "result": result_of(path, setup_then(job))}
        except (FieldError, CaptureError) as e:
            raise EntryRefusedError([Problem("set.stream", shown(relative), str(e))]) from None

    def attach(self, stream: Path) -> str:
        """Copy a recorded stream into the job's folder; its path from there, for a set entry."""
        return take_in(self.path, stream)

    def _photos(self, kind: str, clean: Mapping[str, object]) -> dict[str, object]:
        named = [clean["file"]] if kind == "photo" else clean.get("photos", []) if kind == "pattern" else []
        assert isinstance(named, list)
        missing = [n for n in named if not (self.path / "photos" / str(n)).is_file()]
        if missing:
            where = f"a file in {self.path / 'photos'}; copy it there first"
            raise EntryRefusedError(
                [Problem(f"{kind}.{'file' if kind == 'photo' else 'photos'}", shown(missing[0]), where)]
            )
        return {"sha256": sum_of_file(self.path / "photos" / str(clean["file"]))} if kind == "photo" else {}

    def _from_shop(self, job: Job, clean: Mapping[str, object], by: str, at: str, count: int) -> list[Entry]:
        """Entries that bring shims of other jobs into this one; refused where another job has them."""
        wanted = clean.get("pieces", [clean["piece"]] if "piece" in clean else [])
        assert isinstance(wanted, list)
        if not wanted:
            return []
        others = {k: v for k, v in self._others().items() if k != self.name}
        rows = {r["id"]: r for r in shop_stock(others)}
        key = "fit.pieces" if "pieces" in clean else "reserve.piece"
        out: list[Entry] = []
        for name in map(str, wanted):
            row = rows.get(name)
            if row is not None and row["state"] in ("fitted", "reserved", "discarded"):
                raise EntryRefusedError(
                    [Problem(key, shown(name), f"a shim that is free; job {row['state_in']} has it {row['state']}")]
                )
            if name in job.pieces:
                continue
            if row is None:
                if "stack" in clean:
                    continue
                known = ", ".join(sorted({*job.pieces, *rows})) or "none is measured yet"
                raise EntryRefusedError([Problem(key, shown(name), f"a shim that was measured (piece): {known}")])
            data = {**others[row["job"]].pieces[name].data, "from_job": row["job"]}
            out.append(Entry(count + len(out) + 1, at, by, "piece", data))
        return out

    def check(self) -> list[Finding]:
        """Read everything again: lines, streams, results, photos."""
        self._read = None
        return check_job(self.path, self.journal())


def setup_then(job: Job) -> Setup | None:
    """Set-up for reading a stream now; None where what is written down makes none."""
    try:
        return setup_for(job, None, shims=False)
    except SetupError:
        return None


def _would_be(job: Job, clean: Mapping[str, object], by: str, at: str) -> Stack | None:
    trial = fold([*job.entries, Entry(len(job.entries) + 1, at, by, "fit", dict(clean))])
    stack = trial.stacks.get("depth")
    return stack if stack is not None and stack.entry == len(job.entries) + 1 else None


def _merged(
    job: Job, entries: Sequence[Entry], kind: str, data: Mapping[str, object], corrects: int
) -> tuple[int, dict[str, object]]:
    first = next((root for root, later in job.corrections.items() if corrects in later), corrects)
    old = next((e for e in job.effective if e.n == first), None)
    if old is None:
        raise EntryRefusedError(
            [Problem("corrects", str(corrects), f"the number of an entry that stands, 1 to {len(entries)}")]
        )
    if old.kind != kind:
        raise EntryRefusedError([Problem("kind", kind, f"{old.kind}, as the entry it corrects is")])
    if kind == "set" and "stream" in old.data and data.keys() & {"stream", "sha256", "result", "seatings"}:
        raise EntryRefusedError(
            [Problem("corrects", str(corrects), "a new set for another stream: what was measured is not corrected")]
        )
    return first, {k: v for k, v in {**old.data, **data}.items() if v is not None}


def _sync(folder: Path) -> None:
    if os.name != "posix":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


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
        if not _JOB.fullmatch(name) or not (self.root / name / NAME).is_file():
            known = ", ".join(self.names()) or "none yet"
            raise JobFileError(f"no job {name!r}; there are: {known}")
        return JobFile(self.root / name)

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
