"""Figures of the set that runs, for the page: ``GET /api/figures/NAME.svg``, NAME one of minima, drift, budget, stock, sweep.

``?sweep=N`` chooses the sweep (the newest without it), ``?narrow=1`` draws for a phone.  Drawn by the very functions that sheet and
notebook use, off the event loop and one at a time.  The ``ETag`` is the number of the result; what was drawn once is not drawn again
for the next page, what a newer result overtakes before its turn is not drawn at all, and neither is what nobody waits for any more.
"""

from __future__ import annotations

import asyncio
import gzip
from collections import OrderedDict
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, Literal

from anyio import CapacityLimiter
from anyio.to_thread import run_sync
from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from capture.station import Station

Name = Literal["minima", "drift", "budget", "stock", "sweep"]
NONE_YET = "There is nothing to draw yet."
KEPT = 40
"""Drawings kept for the next page that asks, some 50 kB each."""


@dataclass(frozen=True)
class Wanted:
    """One figure as it was asked for."""

    name: Name
    sweep: int | None
    narrow: bool


@dataclass(frozen=True)
class Drawing:
    """A figure, packed, and the mark of the result it shows."""

    tag: str
    packed: bytes


class _Job:
    """A drawing that waits for its turn or is being drawn."""

    def __init__(self, work: Callable[[_Job], Coroutine[Any, Any, Drawing | None]]) -> None:
        self.waiting = 0
        self.begun = False
        self.task = asyncio.create_task(work(self))


@dataclass
class Desk:
    """Draws one figure after the other."""

    station: Station
    _drawn: OrderedDict[Wanted, Drawing] = field(default_factory=OrderedDict)
    _jobs: dict[Wanted, _Job] = field(default_factory=dict)
    _turn: CapacityLimiter | None = None
    draw: Callable[[Station, Wanted], bytes | None] = field(default_factory=lambda: _drawing)

    def tag(self, wanted: Wanted) -> str:
        """What the figure would be marked with if it were drawn now."""
        s = self.station
        which = "" if wanted.sweep is None else f".{wanted.sweep}"
        return f'"{s.sets}.{s.number}.{wanted.name}{which}{".n" if wanted.narrow else ""}"'

    async def get(self, wanted: Wanted, gone: Callable[[], Any]) -> Drawing | None:
        """The figure as the set stands, or None where there is nothing to draw.

        Parameters
        ----------
        wanted : Wanted
        gone : callable
            An awaitable that ends when nobody waits for it any more.
        """
        have = self._drawn.get(wanted)
        if have is not None and have.tag == self.tag(wanted):
            self._drawn.move_to_end(wanted)
            return have
        job = self._jobs.get(wanted)
        if job is None or job.begun:
            # One that has begun may show an older result.
            job = self._jobs[wanted] = _Job(lambda job: self._work(wanted, job))
        job.waiting += 1
        left = asyncio.ensure_future(gone())
        try:
            await asyncio.wait({job.task, left}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            left.cancel()
            job.waiting -= 1
            if not job.waiting and not job.begun:
                job.task.cancel()
                if self._jobs.get(wanted) is job:
                    del self._jobs[wanted]
        return job.task.result() if job.task.done() and not job.task.cancelled() else None

    async def _work(self, wanted: Wanted, job: _Job) -> Drawing | None:
        self._turn = self._turn or CapacityLimiter(1)
        async with self._turn:
            job.begun = True
            tag = self.tag(wanted)
            try:
                # The thread has a limit of its own: the turn is held by this task.
                packed = await run_sync(self.draw, self.station, wanted, limiter=CapacityLimiter(1))
            finally:
                if self._jobs.get(wanted) is job:
                    del self._jobs[wanted]
        if packed is None:
            return None
        drawing = self._drawn[wanted] = Drawing(tag, packed)
        self._drawn.move_to_end(wanted)
        while len(self._drawn) > KEPT:
            self._drawn.popitem(last=False)
        return drawing


def _drawing(station: Station, wanted: Wanted) -> bytes | None:
    """In a thread of its own."""
    from web import figures

    result = station.result
    if result is None or not result["sweeps"]:
        return None
    figure: figures.Figure | None
    with figures.narrow(wanted.narrow):
        if wanted.name == "sweep":
            trace = station.trace(len(result["sweeps"]) if wanted.sweep is None else wanted.sweep)
            figure = None if trace is None else figures.sweep(trace)
        elif wanted.name == "minima":
            setup = station.setup
            figure = figures.minima(result, sense=None if setup is None else setup.reading_sense)
        elif wanted.name == "drift":
            figure = figures.drift(result)
        elif wanted.name == "budget":
            figure = figures.budget(result)
        else:
            figure = figures.stock(result)
    return None if figure is None else gzip.compress(figure.inline().encode("utf-8"), 4, mtime=0)


def figures_router(station: Station) -> APIRouter:
    """The routes, over one station."""
    router = APIRouter()
    desk = Desk(station)

    @router.get("/api/figures/{name}.svg")
    async def figure(request: Request, name: Name, sweep: int | None = None, narrow: bool = False) -> Response:
        wanted = Wanted(name, sweep if name == "sweep" else None, narrow)
        headers = {"cache-control": "no-cache", "vary": "accept-encoding"}
        tag = desk.tag(wanted)
        if tag in [x.strip().removeprefix("W/") for x in request.headers.get("if-none-match", "").split(",")]:
            return Response(status_code=304, headers={**headers, "etag": tag})

        async def gone() -> None:
            while (await request.receive())["type"] != "http.disconnect":
                pass

        drawing = await desk.get(wanted, gone)
        if drawing is None:
            raise HTTPException(404, NONE_YET)
        body = drawing.packed
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
        else:
            body = await run_sync(gzip.decompress, body)
        return Response(body, media_type="image/svg+xml", headers={**headers, "etag": drawing.tag})

    return router
