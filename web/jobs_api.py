"""Jobs over HTTP: the state of each, and entries written into it.

``GET /api/jobs`` · ``POST /api/jobs`` · ``GET /api/jobs/{job}`` · ``GET /api/jobs/{job}/entries`` · ``POST /api/jobs/{job}/entries`` ·
``GET /api/jobs/{job}/next`` · ``GET /api/jobs/{job}/void`` · ``GET /api/jobs/{job}/check`` · ``GET /api/job-kinds`` · ``GET /api/stock``.  A refused entry is
answered by 422 with every problem: field, what was given, what is allowed, nearest valid name.
"""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from analysis.job import job_as_dict, next_step
from analysis.job.entries import Problem, kinds_as_list, printable, shown
from analysis.job.redo import redo_list, void_list
from analysis.job.view import entries_as_list
from capture.errors import CaptureError
from capture.jobs import EntryRefusedError, JobFile, JobFileError, JobFolder

LARGEST_BODY = 1 << 20


async def _body(request: Request) -> dict[str, Any]:
    """The request's JSON object, decimals exact."""
    raw = b""
    async for part in request.stream():
        raw += part
        if len(raw) > LARGEST_BODY:
            raise HTTPException(
                413, f"more than {LARGEST_BODY} bytes; a stream goes into the job's folder, not into an entry"
            )
    try:
        data = json.loads(raw.decode("utf-8"), parse_float=Decimal, parse_constant=_no_constant)
    except (ValueError, RecursionError) as e:
        raise HTTPException(422, f"not JSON: {e}") from None
    if not isinstance(data, dict):
        raise HTTPException(422, "a JSON object is needed")
    return data


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _refused(problems: list[Problem]) -> JSONResponse:
    rows = [p._asdict() for p in problems]
    return JSONResponse({"detail": "; ".join(str(p) for p in problems), "problems": rows}, 422)


def _unknown(data: dict[str, Any], allowed: tuple[str, ...]) -> list[Problem]:
    return [
        Problem(printable(k), shown(v), "one of " + ", ".join(allowed)) for k, v in data.items() if k not in allowed
    ]


def jobs_router(jobs: JobFolder) -> APIRouter:
    """Routes over a folder of jobs."""
    router = APIRouter()

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
        data = await _body(request)
        problems = _unknown(data, ("job",))
        if not isinstance(data.get("job"), str):
            problems.append(
                Problem("job", shown(data.get("job")), "the job's name: letters, figures, dot, dash, underscore")
            )
        if problems:
            return _refused(problems)
        try:
            file = await run_in_threadpool(jobs.new, data["job"])
        except JobFileError as e:
            return _refused([Problem("job", shown(data["job"]), str(e))])
        return await run_in_threadpool(state, file)

    @router.get("/api/jobs/{job}")
    def shown_state(job: str) -> dict[str, Any]:
        return state(get(job))

    @router.get("/api/jobs/{job}/entries")
    def entries(job: str) -> dict[str, Any]:
        return {"job": job, "entries": entries_as_list(get(job).job(with_shop=False))}

    @router.post("/api/jobs/{job}/entries", status_code=201)
    async def add(job: str, request: Request) -> Any:
        data = await _body(request)
        file = await run_in_threadpool(get, job)
        problems = _unknown(data, ("kind", "data", "by", "corrects"))
        if not isinstance(data.get("data", {}), dict):
            problems.append(Problem("data", shown(data["data"]), "an object of fields"))
        if not isinstance(data.get("kind"), str):
            problems.append(Problem("kind", shown(data.get("kind")), "the kind of entry"))
        corrects = data.get("corrects")
        if corrects is not None and (isinstance(corrects, bool) or not isinstance(corrects, int)):
            problems.append(Problem("corrects", shown(corrects), "the number of an entry"))
        if problems:
            return _refused(problems)

        def write() -> dict[str, Any]:
            entry = file.add(data["kind"], data.get("data", {}), data.get("by", ""), corrects=corrects)
            step = next_step(file.job())
            row = {
                "n": entry.n,
                "at": entry.at,
                "by": entry.by,
                "kind": entry.kind,
                "data": entry.data,
                "corrects": entry.corrects,
            }
            return {"entry": row, "next": None if step is None else step._asdict()}

        try:
            return await run_in_threadpool(write)
        except EntryRefusedError as e:
            return _refused(e.problems)
        except CaptureError as e:
            raise HTTPException(507 if "put on the disk" in str(e) else 500, str(e)) from None

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
