"""A job at the bench: what the station records goes into the job.

``GET /api/bench`` gives ``{"job", "unit", "current", "say", "set", "readings", "recording"}``; `unit` is what the job calls its unit.

``POST /api/bench {"job": NAME}`` has the station judge with that job's set-up (limits, master or arbor constant, direction, shims and
stock) from now on; ``{"job": null}`` goes back to the set-up the program was started with.  A set that runs with another set-up ends,
its recording stays; the event stream tells ``set`` as it does after ``/api/new-set``.  Entries written into the job while its set
runs count from the next set on (``current`` is false meanwhile), or at once while the set has no reading yet.

``POST /api/jobs/{job}/sets {"phase": "trial", "by": "AB"}``, with the further fields of a ``set`` entry where wanted (``person``,
``pinion_angle``, ``blind``, ``state``, ``note``), ends the set that runs, copies its recording into the job's folder and writes the
entry down.  A page does: ``POST /api/bench`` when a job is opened; the swings; then this.  Everything but the recording is checked
before the set is ended: a refusal by then (422, ``problems``) leaves the set running.  What goes wrong afterwards is answered with
``"recording": NAME``; the same request with that ``recording`` tries again, and it may also name any older recording of this station.
No reading yet, or nothing recorded here: 409.

``POST /api/jobs/{job}/backlash`` does the same for a ring gear that was rocked between its stops, place by place; beside ``phase`` and
``by`` it takes the fields of a ``backlash`` entry (``radius`` and ``tooth_radius``, ``plunger_angle``, ``indicator``, ``person``), the
figures themselves come out of the stream.  While the gear is rocked, ``GET /api/bench/backlash`` says which places the running
recording gives so far, each with its reasons where it is refused, and in a sentence what is missing.

``POST /api/jobs/{job}/end-play`` (``where``: pinion or carrier) and ``GET /api/bench/end-play`` are the same for a shaft that is pushed and
pulled along its length; ``POST /api/jobs/{job}/run-out`` (``turns``: 2 or more, from rest to rest at the same mark; ``teeth_under`` where the
plunger runs over teeth) and ``GET /api/bench/run-out`` (which takes it for two turns) for a ring gear that is turned by hand.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from analysis.job.entries import Problem
from analysis.telling import shown
from capture.errors import CaptureError
from capture.jobs import EntryRefusedError, JobFile, JobFileError, JobFolder
from capture.jobs.at_bench import AtBench
from capture.jobs.ring_streams import SO_FAR
from web.json_body import answer_to, json_object, refused, unknown_keys


class BenchRoutes:
    """The routes, over one station's bench."""

    def __init__(self, bench: AtBench, jobs: JobFolder) -> None:
        self.bench, self._jobs = bench, jobs

    async def state(self) -> dict[str, Any]:
        """What is at the bench."""
        return await run_in_threadpool(self._state)

    def _state(self) -> dict[str, Any]:
        out = self.bench.state()
        unit = None
        if out["job"] is not None:
            with suppress(CaptureError):  # `say` says why
                unit = (self._jobs.get(out["job"]).job(with_shop=False).intake or {}).get("unit")
        return {**out, "unit": unit}

    async def take(self, request: Request) -> Any:
        """Another job comes to the bench."""
        data = await json_object(request)
        problems = unknown_keys(data, ("job",))
        name = data.get("job")
        if "job" not in data or not (name is None or isinstance(name, str)):
            problems.append(Problem("job", shown(name), "the name of a job, or null for none"))
        if problems:
            return refused(problems)
        if name is not None:
            await run_in_threadpool(self._file, name)
        try:
            await run_in_threadpool(self.bench.take, name)
        except JobFileError as e:
            return refused([Problem("job", shown(name), str(e))])
        except CaptureError as e:
            raise HTTPException(503, f"No new set could be begun, the old one goes on: {e}") from None
        return await self.state()

    async def written(self, job: str) -> None:
        """An entry was written into a job: its set-up may be another one now."""
        if job == self.bench.job:
            with suppress(CaptureError):  # `state` says why
                await run_in_threadpool(self.bench.look)

    async def attach(self, kind: str, job: str, request: Request) -> Any:
        """End the set that runs, or take a recording that is there, and write it down."""
        data = await json_object(request)
        file = await run_in_threadpool(self._file, job)
        by, name = data.pop("by", ""), data.pop("recording", None)
        try:
            await run_in_threadpool(file.check_before_recording, kind, data, by)
            stream = await run_in_threadpool(self._stream, name)
        except EntryRefusedError as e:
            return refused(e.problems)
        except JobFileError as e:
            raise HTTPException(409, str(e)) from None
        except CaptureError as e:
            raise HTTPException(503, f"The set could not be ended, it goes on: {e}") from None
        recording = {"recording": stream.parent.name}

        def write() -> dict[str, Any]:
            entry = file.add(kind, {**data, "stream": file.attach(stream)}, by)
            return {**answer_to(file.job(), entry), **recording}

        try:
            out = await run_in_threadpool(write)
        except EntryRefusedError as e:
            return refused(e.problems, **recording)
        except CaptureError as e:
            return JSONResponse({"detail": str(e), **recording}, 507 if "put on the disk" in str(e) else 500)
        await self.written(job)
        return out

    async def so_far(self, kind: str) -> dict[str, Any]:
        """What the running recording gives for an entry of this kind."""
        try:
            return await run_in_threadpool(self.bench.so_far, kind)
        except JobFileError as e:
            raise HTTPException(409, str(e)) from None
        except CaptureError as e:
            raise HTTPException(500, str(e)) from None

    def _stream(self, name: object) -> Path:
        return self.bench.end_set() if name is None else self.bench.recorded(name)

    def _file(self, name: str) -> JobFile:
        try:
            return self._jobs.get(name)
        except JobFileError as e:
            raise HTTPException(404, str(e)) from None


def add_bench_routes(router: APIRouter, routes: BenchRoutes) -> None:
    """Put the routes on a router."""

    @router.get("/api/bench")
    async def at_bench() -> dict[str, Any]:
        return await routes.state()

    @router.post("/api/bench")
    async def take(request: Request) -> Any:
        return await routes.take(request)

    for kind in SO_FAR:
        _for_ring(router, routes, kind)

    @router.post("/api/jobs/{job}/sets", status_code=201)
    async def sets(job: str, request: Request) -> Any:
        return await routes.attach("set", job, request)


def _for_ring(router: APIRouter, routes: BenchRoutes, kind: str) -> None:
    @router.get(f"/api/bench/{kind}")
    async def so_far() -> dict[str, Any]:
        return await routes.so_far(kind)

    @router.post(f"/api/jobs/{{job}}/{kind}", status_code=201)
    async def attach(job: str, request: Request) -> Any:
        return await routes.attach(kind, job, request)
