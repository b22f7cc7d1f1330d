"""Entries put right after the fact: what was typed wrong can be corrected wherever it stands.  Figures invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.jobs import EntryRefusedError, JobFile, JobFolder
from tests.analysis import job_scenarios as s


@pytest.fixture
def job(tmp_path: Path) -> JobFile:
    """A trial set on a zero that seems to have moved."""
    file = JobFolder(tmp_path).new("j")
    rows: list[s.Row] = [
        *s.ONE_START,
        ("fit", {"place": "depth", "stack": "0.920 mm"}),
        ("state", s.BUILT),
        *s.measured("trial", s.seated("mm", "1.634 1.633", "1.631 1.630", "1.633 1.634"), s.ONE_ZERO, "0.012 mm"),
    ]
    for kind, data in rows:
        file.add(kind, data, "AB")
    return file


def test_a_reading_on_the_master_typed_wrong_is_put_right(job: JobFile) -> None:
    n = len(job.journal().entries)
    assert job.job().readings[-1].status == "void"
    job.add("zeroing", {"reading": "0.0012 mm"}, "AB", corrects=n)
    assert job.job().readings[-1].status == "valid"
    # And a correction of the correction, by its own number.
    job.add("zeroing", {"reading": "0.006 mm"}, "AB", corrects=n + 1)
    assert job.job().readings[-1].status == "void"


def test_what_was_withdrawn_says_how_it_comes_back(job: JobFile) -> None:
    n = len(job.journal().entries)
    job.add("withdraw", {"entry": n, "reason": "other bench"}, "AB")
    for about in (n, n + 1):
        with pytest.raises(EntryRefusedError, match="what was withdrawn is written down anew"):
            job.add("withdraw", {"entry": about, "reason": "it was right"}, "AB")
    assert job.job().readings[-1].status == "provisional"
    job.add("zeroing", {"when": "after", "reading": "0.001 mm"}, "AB")
    assert job.job().readings[-1].status == "valid"
