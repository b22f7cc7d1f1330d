"""A unit that gives, entry by entry through the job's folder: asked twice, then predicted with what it showed, and no alarm any more."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analysis.job import job_as_dict
from capture.jobs import JobFile, JobFolder
from tests.analysis import job_scenarios as s

GIVES = 0.88
BY = "AB"


def build(job: JobFile, stack: float, first: bool = False) -> int:
    """A build with this stack on a unit of which 0.88 of a change reaches the pinion; gives the number of its set."""
    minimum = 1.700 + GIVES * (stack - 1.000)
    lines = [f"{minimum + d:.4f} {minimum + d:.4f} {minimum + d:.4f}" for d in (-0.0005, 0.0, 0.0005)]
    rows: list[s.Row] = [("fit", {"place": "depth", "stack": f"{stack:.3f} mm"})]
    rows += [("state", s.BUILT if first else {"nut": "torqued", "turns": 20})]
    rows += s.measured("trial", s.seated("mm", *lines), s.ONE_ZERO, "0.000 mm")
    return next(e.n for e in [job.add(kind, data, BY) for kind, data in rows] if e.kind == "set")


def now(job: JobFile) -> dict[str, Any]:
    return job_as_dict(job.job())


def test_the_third_change_is_predicted_with_what_two_have_shown(tmp_path: Path) -> None:
    job = JobFolder(tmp_path / "shop").new("springy")
    for kind, data in s.ONE_START:
        job.add(kind, data, BY)
    build(job, 1.000, first=True)
    for stack in (0.900, 1.020):
        n = build(job, stack)
        assert "misses the prediction" in now(job)["alarm"]
        job.add("confirm", {"entry": n, "what": "response", "reason": "all measured again, nothing found"}, BY)
        assert now(job)["alarm"] is None
    build(job, 0.820)
    v = now(job)
    assert v["alarm"] is None, "what the unit does again is no alarm any more"
    assert v["predictions"][-1]["closure"]["agrees"]
    assert v["skips"] == {}
    assert all(f.same for f in job.check())
