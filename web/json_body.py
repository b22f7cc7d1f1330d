"""JSON objects that are sent here, and refusals field by field."""

from __future__ import annotations

import json
from typing import Any

from fastapi import HTTPException, Request
from fastapi.responses import JSONResponse

from analysis.exact import exact
from analysis.job import Job, next_step
from analysis.job.entries import Entry, Problem
from analysis.job.remarks import remarks
from analysis.telling import printable, shown

LARGEST_BODY = 1 << 20


async def json_object(request: Request) -> dict[str, Any]:
    """The request's JSON object, decimals exact."""
    raw = b""
    async for part in request.stream():
        raw += part
        if len(raw) > LARGEST_BODY:
            raise HTTPException(
                413, f"more than {LARGEST_BODY} bytes; a stream goes into the job's folder, not into an entry"
            )
    try:
        data = json.loads(raw.decode("utf-8"), parse_float=exact, parse_constant=_no_constant)
    except (ValueError, RecursionError) as e:
        raise HTTPException(422, f"not JSON: {e}") from None
    if not isinstance(data, dict):
        raise HTTPException(422, "a JSON object is needed")
    return data


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def refused(problems: list[Problem], **more: object) -> JSONResponse:
    """Answer to what cannot be taken: every problem."""
    rows = [p._asdict() for p in problems]
    return JSONResponse({"detail": "; ".join(str(p) for p in problems), "problems": rows, **more}, 422)


def unknown_keys(data: dict[str, Any], allowed: tuple[str, ...]) -> list[Problem]:
    """Keys that are none."""
    return [
        Problem(printable(k), shown(v), "one of " + ", ".join(allowed)) for k, v in data.items() if k not in allowed
    ]


def answer_to(job: Job, e: Entry) -> dict[str, Any]:
    """What is answered to an entry that was written down: it, what is odd about it, what comes next."""
    step = next_step(job)
    return {"entry": entry_row(e), "remarks": remarks(job, e), "next": None if step is None else step._asdict()}


def entry_row(e: Entry) -> dict[str, Any]:
    """An entry as it is answered."""
    return {"n": e.n, "at": e.at, "by": e.by, "kind": e.kind, "data": e.data, "corrects": e.corrects}
