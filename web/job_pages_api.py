"""What the job pages need beyond the jobs' own routes.

``GET /api/job-forms`` · ``POST /api/new-job {"unit", "by"}`` · ``GET /api/jobs/{job}/size`` · ``POST /api/jobs/{job}/mark`` ·
``POST /api/jobs/{job}/photos?name=…&of=…&by=…`` (the picture as the body) · ``GET /api/jobs/{job}/photos/{name}`` ·
``GET /jobs/{job}/sheet.html`` and ``sheet.pdf``.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from analysis.job.entries import Problem, kinds_as_list
from analysis.job.mark_reading import read_mark
from analysis.telling import shown
from capture.errors import CaptureError
from capture.jobs import EntryRefusedError, JobFile, JobFileError, JobFolder
from capture.jobs.folder import now
from capture.jobs.photos import LARGEST_PHOTO, keep_photo, read_photo
from web.job_layout import layout
from web.job_sheet import SheetError, made
from web.json_body import entry_row, json_object, refused, unknown_keys

SHEET_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""A sheet carries its own style and no script."""


def job_pages_router(jobs: JobFolder) -> APIRouter:
    """Routes over a folder of jobs."""
    router = APIRouter()

    def get(name: str) -> JobFile:
        try:
            return jobs.get(name)
        except JobFileError as e:
            raise HTTPException(404, str(e)) from None

    @router.get("/api/job-forms")
    def forms() -> dict[str, Any]:
        return {"kinds": kinds_as_list(), **layout()}

    @router.post("/api/new-job", status_code=201)
    async def begun(request: Request) -> Any:
        data = await json_object(request)
        problems = unknown_keys(data, ("unit", "by"))
        if problems:
            return refused(problems)
        try:
            return {"job": await run_in_threadpool(_begin, jobs, data.get("unit"), data.get("by", ""))}
        except EntryRefusedError as e:
            return refused(e.problems)
        except CaptureError as e:
            raise HTTPException(507, str(e)) from None

    @router.get("/api/jobs/{job}/size")
    def size(job: str) -> dict[str, int]:
        # Asked again and again by every open page: no more than a look at the file.
        return {"size": size_of(jobs, job)}

    @router.post("/api/jobs/{job}/mark")
    async def mark(job: str, request: Request) -> dict[str, Any]:
        data = await json_object(request)
        folded = await run_in_threadpool(lambda: get(job).job(with_shop=False))
        return read_mark(data, str((folded.family or {}).get("shim_effect", "unknown")))

    @router.post("/api/jobs/{job}/photos", status_code=201)
    async def photo(job: str, request: Request, name: str = "photo", of: str = "", by: str = "") -> Any:
        file = await run_in_threadpool(get, job)
        body = bytearray()
        async for piece in request.stream():
            body += piece
            if len(body) > LARGEST_PHOTO:
                raise HTTPException(413, f"The picture has more than {LARGEST_PHOTO} bytes. Take it with fewer pixels.")

        def keep() -> dict[str, Any]:
            if not by.strip():
                raise EntryRefusedError([Problem("by", shown(by), "the initials or name of whoever writes this down")])
            kept = keep_photo(file.path, name, bytes(body))
            return {"entry": entry_row(file.add("photo", {"file": kept, **({"of": of} if of.strip() else {})}, by))}

        try:
            return await run_in_threadpool(keep)
        except EntryRefusedError as e:
            return refused(e.problems)
        except CaptureError as e:
            return refused([Problem("photo.file", shown(name), str(e))])

    @router.get("/api/jobs/{job}/photos/{name}")
    def picture(job: str, name: str) -> Response:
        try:
            data, media = read_photo(get(job).path, name)
        except JobFileError as e:
            raise HTTPException(404, str(e)) from None
        return Response(data, media_type=media)

    async def sheet(job: str, kind: str, by: str | None) -> bytes:
        file = await run_in_threadpool(get, job)
        try:
            return await made(file.path, kind, by)
        except SheetError as e:
            raise HTTPException(501 if e.extra else 500, str(e)) from None

    @router.get("/jobs/{job}/sheet.html", include_in_schema=False)
    async def page(job: str, by: str | None = None) -> Response:
        headers = {"content-security-policy": SHEET_POLICY, "content-disposition": f'inline; filename="{job}.html"'}
        return Response(await sheet(job, "html", by), media_type="text/html; charset=utf-8", headers=headers)

    @router.get("/jobs/{job}/sheet.pdf", include_in_schema=False)
    async def pdf(job: str, by: str | None = None) -> Response:
        headers = {"content-disposition": f'attachment; filename="{job}.pdf"'}
        return Response(await sheet(job, "pdf", by), media_type="application/pdf", headers=headers)

    return router


def size_of(jobs: JobFolder, name: str) -> int:
    """Bytes of a job's file, without reading it."""
    try:
        return jobs.file(name).stat().st_size
    except JobFileError as e:
        raise HTTPException(404, str(e)) from None
    except OSError:
        raise HTTPException(404, f"no job {name!r}") from None


def _begin(jobs: JobFolder, unit: object, by: object) -> str:
    """A job with its unit written down; its name is made of the day and the unit."""
    from analysis.job.entries import JobEntryError, check_entry, check_who_when

    problems: list[Problem] = []
    for check in (lambda: check_entry("intake", {"unit": unit}), lambda: check_who_when(by, now())):
        try:
            check()
        except JobEntryError as e:
            problems += e.problems
    if problems:
        raise EntryRefusedError(problems)
    plain = unicodedata.normalize("NFKD", str(unit)).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-").lower()[:40].strip("-")
    base = "-".join(x for x in (now()[:10], stem) if x)
    taken = set(jobs.names())
    name = next(n for n in (base, *(f"{base}-{i}" for i in range(2, 10_000))) if n not in taken)
    file = jobs.new(name)
    file.add("intake", {"unit": unit}, str(by))
    return name
