"""A job at the bench over HTTP: judged with the job's own set-up, and a recording of the station becomes a set of the job."""

from __future__ import annotations

import asyncio
import json
import tomllib
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import pytest

from analysis.setup import parse_setup
from capture.analyse import analyse_stream
from capture.jobs import JobFolder
from capture.profiles import load_profile
from capture.setup_file import load_setup
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from capture.station import Station
from tests.capture.live import until
from tests.capture.test_jobs import STREAM_START
from tests.fakes.handed import HandedSource
from tests.fakes.ring_bench import RingBench, simulate_ring
from web.app import make_app

HOST = "127.0.0.1:8710"


@dataclass
class Bench:
    """A client, a station, and what its indicator sends."""

    http: httpx.AsyncClient
    station: Station
    source: HandedSource
    jobs: JobFolder

    async def swings(self, sweeps: int, seed: int = 1) -> None:
        """A set of an invented bench, as fast as it can be read."""
        events, _ = simulate(replace(DEMO, seatings=1, sweeps=sweeps, faults={}, rate=20.0), seed)
        chunks = [(e.t, e.data) for e in events if e.kind == "data"]
        before = self.station.heard
        self.source.hand(chunks)
        # The first line after the link opened is not taken for a reading.
        await until(lambda: self.station.heard >= before + sum(d.count(b"\n") for _, d in chunks) - 1)

    async def post(self, path: str, **body: Any) -> httpx.Response:
        """A request."""
        return await self.http.post(path, json=body)


@asynccontextmanager
async def bench(folder: Path, record: bool = True) -> AsyncIterator[Bench]:
    source = HandedSource()
    station = Station(
        source,
        profile=load_profile({"use": "text-line", "unit": "mm", "resolution": 0.001, "rate": 20.0}),
        record_to=folder / "streams" if record else None,
    )
    jobs = JobFolder(folder / "shop")
    app = make_app(station, jobs=jobs)
    await station.start()
    try:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=f"http://{HOST}") as c:
            yield Bench(c, station, source, jobs)
    finally:
        await station.stop()


def run(folder: Path, work: Callable[[Bench], Awaitable[Any]], record: bool = True) -> Any:
    async def main() -> Any:
        async with bench(folder, record) as b:
            return await work(b)

    return asyncio.run(main())


def begin(b: Bench, name: str = "j") -> None:
    file = b.jobs.new(name)
    for kind, data in STREAM_START:
        file.add(kind, data, "AB")


def test_a_set_goes_from_the_station_into_the_job(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        assert (await b.http.get("/api/bench")).json()["job"] is None
        r = await b.post("/api/bench", job="j")
        assert r.status_code == 200, r.text
        assert (r.json()["job"], r.json()["current"], r.json()["set"]) == ("j", True, 2)
        await b.swings(8)
        await until(lambda: (b.station.state()["result"] or {}).get("set", {}).get("accepted", 0) >= 7)
        # The page judges with the job's own limits, arbor and shims.
        live = b.station.state()["result"]
        assert live["depth"]["target_mm"] == pytest.approx(59.96, abs=1e-9)
        assert live["depth"]["tolerance_mm"] == pytest.approx(0.03)
        assert live["shim"]["stack_mm"] is not None
        recording = (await b.http.get("/api/bench")).json()["recording"]
        r = await b.post("/api/jobs/j/sets", phase="trial", by="AB", pinion_angle="90 °", note="first seating")
        assert r.status_code == 201, r.text
        answer = r.json()
        assert answer["recording"] == recording
        assert answer["entry"]["data"]["stream"] == f"streams/{recording}/stream.jsonl"
        assert answer["entry"]["data"]["pinion_angle"] == "90 °"
        original = tmp_path / "streams" / recording / "stream.jsonl"
        assert (b.jobs.get("j").path / answer["entry"]["data"]["stream"]).read_bytes() == original.read_bytes()
        state = (await b.http.get("/api/jobs/j")).json()
        alone = analyse_stream(original, load_setup(original.with_name("setup.toml")))
        assert state["readings"][0]["set"]["minimum_mm"] == alone["set"]["minimum_mm"]
        assert state["depth"]["distance_mm"] == pytest.approx(alone["depth"]["distance_mm"], abs=1e-9)
        # What the page showed last had all but the sweep that ended with the set.
        assert state["depth"]["distance_mm"] == pytest.approx(live["depth"]["distance_mm"], abs=1e-3)
        assert all(f.same for f in b.jobs.get("j").check())
        # The file beside the recording is the set-up it was judged with.
        kept = parse_setup(tomllib.loads((original.parent / "setup.toml").read_text("utf-8"), parse_float=Decimal))
        assert kept == b.station.setup
        # And the next set runs.
        now = (await b.http.get("/api/bench")).json()
        assert (now["set"], now["readings"]) == (3, 0)

    run(tmp_path, work)


def test_what_is_refused_beforehand_leaves_the_set_running(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        await b.swings(2)
        for body, field in (
            ({"phase": "tryal", "by": "AB"}, "set.phase"),
            ({"phase": "trial"}, "by"),
            ({"phase": "trial", "by": "AB", "stream": "streams/a.jsonl"}, "set.stream"),
            ({"phase": "trial", "by": "AB", "pinion": 3}, "set.pinion"),
            ({"phase": "trial", "by": "AB", "recording": "../x"}, "recording"),
            ({"phase": "trial", "by": "AB", "recording": 7}, "recording"),
            ({"phase": "trial", "by": "AB", "blind": 4}, "set.blind"),
        ):
            r = await b.post("/api/jobs/j/sets", **body)
            assert r.status_code == 422, r.text
            assert r.json()["problems"][0]["field"] == field
        assert b.station.sets == 1
        assert (await b.post("/api/jobs/none/sets", phase="trial", by="AB")).status_code == 404
        assert (await b.post("/api/bench", job="none")).status_code == 404
        assert (await b.post("/api/bench")).status_code == 422
        assert (await b.post("/api/bench", job=3)).status_code == 422
        name = (await b.http.get("/api/bench")).json()["recording"]
        r = await b.post("/api/jobs/j/sets", phase="trial", by="AB", recording=name)
        assert r.status_code == 422
        assert "that runs" in r.json()["detail"]

    run(tmp_path, work)


def test_nothing_heard_or_nothing_recorded(tmp_path: Path) -> None:
    async def empty(b: Bench) -> None:
        begin(b)
        r = await b.post("/api/jobs/j/sets", phase="trial", by="AB")
        assert (r.status_code, "No reading" in r.text) == (409, True)

    async def unrecorded(b: Bench) -> None:
        begin(b, "k")
        await b.swings(2)
        r = await b.post("/api/jobs/k/sets", phase="trial", by="AB")
        assert (r.status_code, "Nothing is recorded" in r.text) == (409, True)

    run(tmp_path, empty)
    run(tmp_path, unrecorded, record=False)


def test_a_disk_that_does_not_take_the_entry_loses_no_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        await b.post("/api/bench", job="j")
        await b.swings(4)
        import capture.jobs.folder as folder
        from capture.jobs import JobFileError

        def full(*_: object) -> None:
            raise JobFileError("job.jsonl: the entry could not be put on the disk: No space left. Make room.")

        with monkeypatch.context() as m:
            m.setattr(folder, "append", full)
            r = await b.post("/api/jobs/j/sets", phase="trial", by="AB")
        assert r.status_code == 507
        name = r.json()["recording"]
        r = await b.post("/api/jobs/j/sets", phase="trial", by="AB", recording=name)
        assert r.status_code == 201, r.text
        assert r.json()["entry"]["data"]["stream"] == f"streams/{name}/stream.jsonl"
        assert len(list((b.jobs.get("j").path / "streams").iterdir())) == 1

    run(tmp_path, work)


def test_entries_count_from_the_next_set_on_or_at_once_while_nothing_is_read(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        await b.post("/api/bench", job="j")
        limit = {"name": "depth-aim", "value": "0.02 mm", "page": "shop"}
        await b.post("/api/jobs/j/entries", kind="limit", data=limit, by="AB")
        assert b.station.setup is not None
        assert b.station.setup.aim_mm == pytest.approx(0.02)
        await b.swings(2)
        sets = b.station.sets
        await b.post("/api/jobs/j/entries", kind="limit", data={**limit, "value": "0.01 mm"}, by="AB")
        now = (await b.http.get("/api/bench")).json()
        assert (now["current"], now["set"]) == (False, sets)
        assert now["unit"] is None, "what the unit is was not written down"
        intake = {"unit": "INVENTED axle 7", "manual": "invented manual"}
        await b.post("/api/jobs/j/entries", kind="intake", data=intake, by="AB")
        assert (await b.http.get("/api/bench")).json()["unit"] == "INVENTED axle 7"
        assert "Begin the set anew" in now["say"]
        assert b.station.setup.aim_mm == pytest.approx(0.02)
        await b.post("/api/jobs/j/sets", phase="trial", by="AB")
        assert b.station.setup.aim_mm == pytest.approx(0.01)
        assert (await b.http.get("/api/bench")).json()["current"] is True
        # And so it does when the set is begun anew by hand, from whatever page.
        await b.swings(2, seed=2)
        await b.post("/api/jobs/j/entries", kind="limit", data={**limit, "value": "0.015 mm"}, by="AB")
        assert (await b.http.get("/api/bench")).json()["current"] is False
        assert (await b.http.post("/api/new-set")).status_code == 204
        assert b.station.setup.aim_mm == pytest.approx(0.015)
        assert (await b.http.get("/api/bench")).json()["current"] is True
        # Away from the bench the set-up of the start holds again: none here.
        r = await b.post("/api/bench", job=None)
        assert (r.json()["job"], r.json()["unit"]) == (None, None)
        assert b.station.setup is None

    run(tmp_path, work)


def test_a_job_that_makes_no_setup_is_refused_with_the_reason(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        file = b.jobs.get("j")
        n = next(e.n for e in file.journal().entries if e.data.get("name") == "depth-tolerance")
        file.add("limit", {"name": "depth-tolerance", "value": "70 mm"}, "AB", corrects=n)
        r = await b.post("/api/bench", job="j")
        assert r.status_code == 422
        assert "tolerance" in r.json()["detail"]
        assert json.loads(r.text)["problems"][0]["field"] == "job"

    run(tmp_path, work)


def test_an_aim_that_contradicts_its_tolerance_is_not_judged_by(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        b.jobs.get("j").add("limit", {"name": "depth-aim", "value": "0.9 mm", "page": "shop"}, "AB")
        assert (await b.post("/api/bench", job="j")).status_code == 200
        assert b.station.setup is not None
        assert b.station.setup.aim_mm != pytest.approx(0.9)
        state = (await b.http.get("/api/jobs/j")).json()
        assert "is wider than the tolerance" in state["limit_doubts"][0]

    run(tmp_path, work)


def test_backlash_of_a_rocked_ring_gear_goes_into_the_job(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        begin(b)
        file = b.jobs.get("j")
        file.add("state", {"carrier": "in", "covers": "torqued"}, "AB")
        assert "No rocking" in (await b.http.get("/api/bench/backlash")).json()["say"]
        events, truth = simulate_ring(RingBench("x", rate=20.0), 71)
        b.source.hand([(e.t, e.data) for e in events])
        await until(lambda: b.source.empty)
        so_far = (await b.http.get("/api/bench/backlash")).json()
        assert so_far["accepted"] == 4
        r = await b.post("/api/jobs/j/backlash", phase="trial", by="AB", places=[0.2])
        assert r.status_code == 422
        r = await b.post("/api/jobs/j/backlash", phase="trial", by="AB", radius="62 mm", tooth_radius="88 mm")
        assert r.status_code == 201, r.text
        places = [float(x) for x in r.json()["entry"]["data"]["places"]]
        assert places == pytest.approx(truth.gaps, abs=0.005)
        state = (await b.http.get("/api/jobs/j")).json()
        assert state["carrier"]["backlash"]["mean_mm"] == pytest.approx(0.18 * 88 / 62, abs=0.006)
        assert all(f.same for f in file.check())

    run(tmp_path, work)
