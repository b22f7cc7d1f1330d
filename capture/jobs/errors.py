"""What can go wrong with a job on the disk."""

from __future__ import annotations

from analysis.job.entries import Problem
from capture.errors import CaptureError


class JobFileError(CaptureError):
    """A job that cannot be read or written."""


class EntryRefusedError(CaptureError):
    """An entry that was not written down; `problems` says why, field by field."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems
