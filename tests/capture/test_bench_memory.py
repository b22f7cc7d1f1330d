"""The job at the bench outlives the program; the demonstration's job stands ready for its depth."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.job import job_as_dict
from analysis.job.derive import setup_for
from capture.jobs import JobFolder
from capture.jobs.at_bench import AtBench, at_start
from capture.jobs.bench_memory import NAME, remember, remembered
from capture.profiles import load_profile
from capture.simulator.demo import demo_setup
from capture.simulator.demo_job import NAME as DEMO
from capture.simulator.demo_job import ROWS, demo_jobs
from capture.sources.push import PushSource
from capture.station import Station
from tests.analysis import job_scenarios as s


def shop(folder: Path) -> JobFolder:
    jobs = JobFolder(folder)
    jobs.new("one").add_all([(k, d, None) for k, d in s.ONE_START], "AB")
    return jobs


def test_a_program_that_is_started_again_goes_on_with_the_job(tmp_path: Path) -> None:
    jobs = shop(tmp_path)
    assert at_start(jobs, (None, None)) == ((None, None), None)
    station = Station(PushSource(), profile=load_profile("json-lines"))
    try:
        AtBench(station, jobs).take("one")
    finally:
        station.close()
    (setup, file), began = at_start(JobFolder(tmp_path), (None, None))
    assert began is not None
    assert (began.job, began.own) == ("one", (None, None))
    assert setup == setup_for(jobs.get("one").job(), None)
    assert file is not None
    again = Station(PushSource(), profile=load_profile("json-lines"), setup=setup, setup_file=file)
    try:
        bench = AtBench(again, jobs, began)
        assert bench.state()["job"] == "one"
        assert bench.state()["current"] is True
        bench.take(None)
        assert again.setup is None, "back to the set-up it would have had without a job"
    finally:
        again.close()
    assert remembered(tmp_path) is None
    assert jobs.names() == ["one"], "the memory is no job"


@pytest.mark.parametrize("said", ["none", "../one", "", "one\nmore"])
def test_a_job_that_is_not_there_is_forgotten(tmp_path: Path, said: str) -> None:
    jobs = shop(tmp_path)
    (tmp_path / NAME).write_text(said, "utf-8")
    assert at_start(jobs, (None, None)) == ((None, None), None)
    assert remembered(tmp_path) is None


def test_a_memory_that_is_no_text_is_none(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b"\xff\xfe\xff")
    assert remembered(tmp_path) is None
    remember(tmp_path, None)
    assert not (tmp_path / NAME).exists()


def test_the_demonstrations_job_stands_before_its_depth(tmp_path: Path) -> None:
    jobs = demo_jobs(tmp_path / "jobs")
    view = job_as_dict(jobs.get(DEMO).job())
    assert view["next"]["name"] == "trial"
    assert "three seatings" in view["next"]["say"]
    assert view["problems"] == []
    assert "INVENTED" in view["unit"]
    assert all("invented" in d["page"] or d["page"] == "shop" for k, d in ROWS if k == "limit")
    (setup, _), began = at_start(jobs, (None, None))
    assert began is not None
    assert began.job == DEMO
    bench = demo_setup()
    assert setup is not None
    # The bench that is simulated is the one the job describes.
    for part in ("gearset", "arbor", "indicator", "housing"):
        theirs, ours = (getattr(x, part).model_dump() for x in (bench, setup))
        assert {k: v for k, v in ours.items() if k != "sense_checked"} == {
            k: v for k, v in theirs.items() if k != "sense_checked"
        }
