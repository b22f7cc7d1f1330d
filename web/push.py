"""Where a micro-controller posts its readings."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator

from fastapi import FastAPI, HTTPException, Request

from capture.sources.push import PushSource

LONGEST_BODY = 64 * 1024
TAKEN_S = 2.0
"""How long an answer waits for the reading to be in the raw stream."""


def add_push_route(app: FastAPI, source: PushSource) -> None:
    """Add ``POST /api/push``: a JSON object, a list of them, or lines of what the profile reads.

    The answer is 204 once the bytes are in the raw stream, and 503 if they are not and never will be: then send them again.
    """

    @app.post("/api/push", status_code=204)
    async def push(request: Request) -> None:
        data = as_lines(await _body(request))
        if not data.strip():
            raise HTTPException(422, "body: empty; allowed: a JSON object, a list of them, or lines of text")
        if not await asyncio.to_thread(source.push, data, TAKEN_S):
            detail = "Not taken: the source is not running or too much is waiting. Send it again."
            raise HTTPException(503, detail, {"Retry-After": "1"})


async def _body(request: Request) -> bytes:
    data = bytearray()
    async for piece in request.stream():
        data += piece
        if len(data) > LONGEST_BODY:
            raise HTTPException(413, f"body: more than {LONGEST_BODY} bytes; send fewer readings at a time")
    return bytes(data)


def as_lines(body: bytes) -> bytes:
    """A body as lines: an object or each one of a list on a line of its own, anything else as it came.

    The digits stay as they were written.
    """
    try:
        text = body.decode("utf-8")
        whole = json.loads(text)
    except (ValueError, RecursionError):
        return body
    if isinstance(whole, dict):
        return _one_line(text)
    if isinstance(whole, list):
        return b"".join(_one_line(x) for x in _elements(text))
    return body


def _one_line(text: str) -> bytes:
    # A line end in JSON text is nothing but space: within a string it would have to be escaped.
    return text.replace("\r", " ").replace("\n", " ").strip().encode() + b"\n"


def _elements(text: str) -> Iterator[str]:
    """The elements of a JSON list, as they are written."""
    decode = json.JSONDecoder().raw_decode
    at = text.index("[") + 1
    while True:
        while text[at] in " \t\r\n,":
            at += 1
        if text[at] == "]":
            return
        _, end = decode(text, at)
        yield text[at:end]
        at = end
