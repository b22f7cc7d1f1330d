"""Jobs on the disk: one job, one folder.

``job.jsonl`` holds the entries and only grows; ``streams/`` the raw streams; ``photos/`` the photos.  To give a job away, copy its folder.
"""

from __future__ import annotations

from capture.jobs.errors import EntryRefusedError, JobFileError
from capture.jobs.folder import JobFile, JobFolder
from capture.jobs.journal import FORMAT

__all__ = ["FORMAT", "EntryRefusedError", "JobFile", "JobFileError", "JobFolder"]
