"""Time to read, fold and show a job of 50 sets, to write its sheet and to verify it: ``python tests/bench/job_speed.py``.

One set in five comes from a recorded stream (simulated, with all its sweeps kept), the others are typed.  Invented figures.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from analysis.job import fold, job_as_dict, next_step
from capture.jobs import JobFile, JobFolder
from tests.analysis import job_scenarios as s
from tests.capture.test_analyse import record
from tests.capture.test_jobs import STREAM_START
from web.report.job_checking import check_job_sheet, job_sheet
from web.report.job_gather import gather_job
from web.report.job_view import job_view
from web.report.page import render_page

SETS = 50


def build(root: Path) -> JobFile:
    """A job of 50 sets, each between two readings of the master, the shim changed every tenth time."""
    job = JobFolder(root).new("speed")
    rows: list[tuple[str, dict[str, object], None]] = [(k, d, None) for k, d in [*s.ONE_START[:1], *STREAM_START[:-1]]]
    job.add_all(rows, "AB")
    streams = [job.attach(record(root / f"set-{n}.jsonl", n, 10)) for n in range(1, SETS // 5 + 1)]
    seatings = s.seated("mm", "1.55 1.551 1.549", "1.552 1.55 1.551", "1.551 1.549 1.55")
    for n in range(SETS):
        if n and n % 10 == 0:
            job.add("fit", {"place": "depth", "stack": f"{1.120 + n / 1000:.3f} mm"}, "AB")
            job.add("state", {"nut": "torqued", "turns": 20}, "AB")
        job.add(*STREAM_START[-1], "AB")
        what = {"stream": streams[n // 5]} if n % 5 == 0 else {"seatings": seatings}
        job.add("set", {"phase": "trial", **what}, "AB")
        job.add("zeroing", {"when": "after", "reading": "0.001 mm"}, "AB")
    return job


def median_ms(work: Callable[[], object], times: int = 9) -> float:
    """Median time of a call, ms."""
    took = []
    for _ in range(times):
        t = time.perf_counter()
        work()
        took.append((time.perf_counter() - t) * 1e3)
    return statistics.median(took)


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        t = time.perf_counter()
        job = build(Path(folder))
        built = time.perf_counter() - t
        entries = job.journal().entries
        size = (job.path / "job.jsonl").stat().st_size
        print(f"{SETS} sets, {len(entries)} entries, {size / 1e3:.0f} kB; written in {built:.1f} s")
        print(f"read the file          {median_ms(lambda: JobFile(job.path)):8.1f} ms")
        print(f"fold                   {median_ms(lambda: fold(entries)):8.1f} ms")
        print(f"read, fold, next step  {median_ms(lambda: next_step(JobFile(job.path).job())):8.1f} ms")
        print(f"read, fold, whole state{median_ms(lambda: job_as_dict(JobFile(job.path).job())):8.1f} ms")
        print(f"one more entry         {median_ms(lambda: job.add('note', {'text': 'x'}, 'AB')):8.1f} ms")
        print(f"check everything again {median_ms(job.check, 3):8.1f} ms")
        sheet = job.path / "sheet.html"

        def write() -> None:
            matter = gather_job(job.path, ".", written="2026-03-02T10:00:00Z", version="0", by="AB")
            sheet.write_text(render_page(job_view(matter)), "utf-8")

        def verify() -> None:
            stated = job_sheet(sheet)
            assert stated is not None
            assert check_job_sheet(sheet, stated, [job.path]).findings

        print(f"write its sheet        {median_ms(write, 3):8.1f} ms")
        drawings = sheet.read_text("utf-8").count("<svg")
        print(f"verify its sheet       {median_ms(verify, 3):8.1f} ms  ({drawings} drawings)")


if __name__ == "__main__":
    main()
