"""Jobs, and the job at the bench.  Keys may be added; none is renamed."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from web.api_doc.refusals import Problem


class Step(BaseModel):
    """What to do next, and why; `again` is the kind of reading that `say` asks for again, null where it asks for none."""

    name: str
    say: str
    why: str
    kind: str | None
    again: str | None


class Entry(BaseModel):
    """One line of a job's journal."""

    n: int
    at: str
    by: str
    kind: str
    data: dict[str, Any]
    corrects: int | None = None


class EntryTaken(BaseModel):
    """An entry that is on the disk, what is odd about it, and what comes next."""

    entry: Entry
    remarks: list[Any]
    next: Step | None


class SetTaken(EntryTaken):
    """The same, with the recording it came from."""

    recording: str


class JobLine(BaseModel):
    """A job in the list; one that cannot be read has `error` alone."""

    job: str
    unit: str | None = None
    closed: bool | None = None
    next: Step | None = None
    error: str | None = None


class Jobs(BaseModel):
    """All jobs of the shop."""

    jobs: list[JobLine]


class StepRow(BaseModel):
    """How a step of the order stands: what it still misses, and whether that is also asked of the state of the build."""

    step: str
    missing: str | None
    asks_state: bool
    skipped: str | None


class JobState(BaseModel):
    """A job as it stands; the main parts are named here, all of them are what ``shimwright job show --json`` prints."""

    job: str
    state: dict[str, Any]
    readings: list[dict[str, Any]]
    void: list[dict[str, Any]]
    redo: list[dict[str, Any]]
    steps: list[StepRow]
    next: Step | None
    caution: str


class JobName(BaseModel):
    """A job that was begun."""

    job: str


class Entries(BaseModel):
    """All entries of a job, corrected ones too."""

    job: str
    entries: list[Entry]


class Next(BaseModel):
    """What comes next in a job; null where nothing does."""

    job: str
    next: Step | None


class Void(BaseModel):
    """Readings that are not used, why, and what to measure again."""

    job: str
    void: list[dict[str, Any]]
    redo: list[dict[str, Any]]


class Checked(BaseModel):
    """Whether everything in a job is what it was."""

    job: str
    same: bool
    findings: list[dict[str, Any]]


class Size(BaseModel):
    """Bytes of a job's file."""

    size: int


class Mark(BaseModel):
    """An etched mark in sentences."""

    say: list[str]
    warning: str | None
    problems: list[Problem]


class PhotoTaken(BaseModel):
    """A picture that is in the job's folder."""

    entry: Entry


class Kinds(BaseModel):
    """The kinds of entries and their fields."""

    kinds: list[dict[str, Any]]


class Forms(Kinds):
    """The same with the layout of the job pages."""

    steps: list[Any]
    units: dict[str, Any]


class Stock(BaseModel):
    """Every shim of the shop, and who has it."""

    stock: list[dict[str, Any]]


class Bench(BaseModel):
    """The job at the bench and the set that runs for it."""

    job: str | None
    unit: str | None
    current: bool
    say: str
    set: int
    readings: int
    recording: str | None


class SoFar(BaseModel):
    """What the running recording gives for an entry."""

    readings: int
    bad_frames: int
    unit: str
    say: str
