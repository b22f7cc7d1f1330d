"""Jobs over HTTP: the state of each, and entries written into it.

``GET /api/jobs`` · ``POST /api/jobs`` · ``GET /api/jobs/{job}`` · ``GET /api/jobs/{job}/entries`` · ``POST /api/jobs/{job}/entries`` ·
``GET /api/jobs/{job}/next`` · ``GET /api/jobs/{job}/void`` · ``GET /api/jobs/{job}/check`` · ``GET /api/job-kinds`` · ``GET /api/stock``.  A refused entry is
answered by 422 with every problem: field, what was given, what is allowed, nearest valid name.  What the station records goes into a job by the routes of
`web.bench_api`.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool

from analysis.job import job_as_dict, next_step
from analysis.job.entries import Problem, kinds_as_list
from analysis.job.redo import redo_list, void_list
from analysis.job.view import entries_as_list
from analysis.telling import shown
from capture.errors import CaptureError
from capture.jobs import EntryRefusedError, JobFile, JobFileError, JobFolder
from capture.jobs.at_bench import AtBench
from web.bench_api import BenchRoutes, add_bench_routes
from web.json_body import answer_to, json_object, refused, unknown_keys


def jobs_router(jobs: JobFolder, at_bench: AtBench | None = None) -> APIRouter:
    """Routes over a folder of jobs; with a bench also those of `web.bench_api`."""
    router = APIRouter()
    bench = None
    if at_bench is not None:
        bench = BenchRoutes(at_bench, jobs)
        add_bench_routes(router, bench)

    def get(name: str) -> JobFile:
        try:
            return jobs.get(name)
        except JobFileError as e:
            raise HTTPException(404, str(e)) from None

    def state(file: JobFile) -> dict[str, Any]:
        try:
            return {"job": file.name, **job_as_dict(file.job(), entries=False)}
        except CaptureError as e:
            raise HTTPException(500, str(e)) from None

    @router.get("/api/jobs")
    def listed() -> dict[str, Any]:
        out: list[dict[str, Any]] = []
        for name in jobs.names():
            try:
                job = jobs.get(name).job(with_shop=False)
            except CaptureError as e:
                out.append({"job": name, "error": str(e)})
                continue
            step = next_step(job)
            out.append(
                {
                    "job": name,
                    "unit": (job.intake or {}).get("unit"),
                    "closed": job.closed is not None,
                    "next": None if step is None else step._asdict(),
                }
            )
        return {"jobs": out}

    @router.post("/api/jobs", status_code=201)
    async def begun(request: Request) -> Any:
        data = await json_object(request)
        problems = unknown_keys(data, ("job",))
        if not isinstance(data.get("job"), str):
            problems.append(
                Problem("job", shown(data.get("job")), "the job's name: letters, figures, dot, dash, underscore")
            )
        if problems:
            return refused(problems)
        try:
            file = await run_in_threadpool(jobs.new, data["job"])
        except JobFileError as e:
            return refused([Problem("job", shown(data["job"]), str(e))])
        return await run_in_threadpool(state, file)

    @router.get("/api/jobs/{job}")
    def shown_state(job: str) -> dict[str, Any]:
        return state(get(job))

    @router.get("/api/jobs/{job}/entries")
    def entries(job: str) -> dict[str, Any]:
        return {"job": job, "entries": entries_as_list(get(job).job(with_shop=False))}

    @router.post("/api/jobs/{job}/entries", status_code=201)
    async def add(job: str, request: Request) -> Any:
        data = await json_object(request)
        file = await run_in_threadpool(get, job)
        problems = unknown_keys(data, ("kind", "data", "by", "corrects"))
        if not isinstance(data.get("data", {}), dict):
            problems.append(Problem("data", shown(data["data"]), "an object of fields"))
        if not isinstance(data.get("kind"), str):
            problems.append(Problem("kind", shown(data.get("kind")), "the kind of entry"))
        corrects = data.get("corrects")
        if corrects is not None and (isinstance(corrects, bool) or not isinstance(corrects, int)):
            problems.append(Problem("corrects", shown(corrects), "the number of an entry"))
        if problems:
            return refused(problems)

        def write() -> dict[str, Any]:
            entry = file.add(data["kind"], data.get("data", {}), data.get("by", ""), corrects=corrects)
            return answer_to(file.job(), entry)

        try:
            out = await run_in_threadpool(write)
        except EntryRefusedError as e:
            return refused(e.problems)
        except CaptureError as e:
            raise HTTPException(507 if "put on the disk" in str(e) else 500, str(e)) from None
        if bench is not None:
            await bench.written(job)
        return out

    @router.get("/api/jobs/{job}/next")
    def following(job: str) -> dict[str, Any]:
        step = next_step(get(job).job())
        return {"job": job, "next": None if step is None else step._asdict()}

    @router.get("/api/jobs/{job}/void")
    def void(job: str) -> dict[str, Any]:
        folded = get(job).job(with_shop=False)
        return {"job": job, "void": void_list(folded), "redo": redo_list(folded)}

    @router.get("/api/jobs/{job}/check")
    def check(job: str) -> dict[str, Any]:
        found = get(job).check()
        return {"job": job, "same": all(f.same for f in found), "findings": [f.as_dict() for f in found]}

    @router.get("/api/job-kinds")
    def kinds() -> dict[str, Any]:
        return {"kinds": kinds_as_list()}

    @router.get("/api/stock")
    def stock() -> dict[str, Any]:
        return {"stock": jobs.stock()}

    return router
