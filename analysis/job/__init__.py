"""The whole set-up job, from as-found to the last check: an append-only list of entries, and what follows from them.

A job is what was written down, in order; its present state is folded from that every time.  Nothing here reads a file or a clock.
"""

from __future__ import annotations

from analysis.job.entries import Entry, JobEntryError, Problem, check_entry
from analysis.job.fold import fold
from analysis.job.state import Job
from analysis.job.steps import next_step
from analysis.job.view import job_as_dict

__all__ = ["Entry", "Job", "JobEntryError", "Problem", "check_entry", "fold", "job_as_dict", "next_step"]
