"""Figures of the set that runs, for the page: ``GET /api/figures/NAME.svg``, NAME one of minima, drift, budget, stock, sweep.

``?sweep=N`` chooses the sweep (the newest without it), ``?narrow=1`` draws for a phone.  Drawn by the very functions that sheet and
notebook use, off the event loop, in a process of its own and one at a time.  The ``ETag`` is the number of the result; what was drawn once is not drawn again
for the next page, what a newer result overtakes before its turn is not drawn at all, and neither is what nobody waits for any more.  204 where there is nothing to draw.
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
from fastapi import APIRouter, Request
from fastapi.responses import Response

from capture.station import Station
from web.figures.drawer import Drawer, Order

Name = Literal["minima", "drift", "budget", "stock", "sweep"]
IDLE_S = 120.0
"""After this time without a figure the process that draws is ended, for its memory."""

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
    _drawer: Drawer = field(default_factory=Drawer)
    _rest: asyncio.TimerHandle | None = None

    def draw(self, wanted: Wanted) -> bytes | None:
        """In a thread, while the process that draws does it."""
        self._drawer.start()
        order = _order(self.station, wanted)
        return None if order is None else self._drawer.draw(order)

    def close(self) -> None:
        """End the process that draws; the next figure starts it again."""
        self._drawer.close()

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
                packed = await run_sync(self.draw, wanted, limiter=CapacityLimiter(1))
            finally:
                self._rest_later()
                if self._jobs.get(wanted) is job:
                    del self._jobs[wanted]
        if packed is None:
            return None
        drawing = self._drawn[wanted] = Drawing(tag, packed)
        self._drawn.move_to_end(wanted)
        while len(self._drawn) > KEPT:
            self._drawn.popitem(last=False)
        return drawing

    def _rest_later(self) -> None:
        if self._rest is not None:
            self._rest.cancel()
        self._rest = asyncio.get_running_loop().call_later(IDLE_S, self._rest_now)

    def _rest_now(self) -> None:
        if not any(job.begun for job in self._jobs.values()):
            self.close()


def _order(station: Station, wanted: Wanted) -> Order | None:
    result = station.result
    if result is None or not result["sweeps"]:
        return None
    if wanted.name == "sweep":
        trace = station.trace(len(result["sweeps"]) if wanted.sweep is None else wanted.sweep)
        return None if trace is None else Order(wanted.name, trace, wanted.narrow)
    setup = station.setup
    return Order(wanted.name, result, wanted.narrow, None if setup is None else setup.reading_sense)


def figures_router(desk: Desk) -> APIRouter:
    """The routes, over one desk; whoever made that closes it."""
    router = APIRouter()

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
            # Nothing to draw yet is no error.
            return Response(status_code=204, headers=headers)
        body = drawing.packed
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
        else:
            body = await run_sync(gzip.decompress, body)
        return Response(body, media_type="image/svg+xml", headers={**headers, "etag": drawing.tag})

    return router
