"""The kinds of entries a job is made of: their fields, and what must hold between the fields of one entry."""

from __future__ import annotations

from analysis.job.kinds.build import BUILD
from analysis.job.kinds.instruments import INSTRUMENTS
from analysis.job.kinds.keeping import KEEPING
from analysis.job.kinds.kind import Kind
from analysis.job.kinds.measured import MEASURED
from analysis.job.kinds.papers import PAPERS

__all__ = ["KINDS", "Kind"]

KINDS: dict[str, Kind] = {**PAPERS, **INSTRUMENTS, **BUILD, **MEASURED, **KEEPING}
"""Every kind of entry by name."""
