"""The page and its interface, in the same process as the capture."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, nullcontext
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import Depends, FastAPI, HTTPException, Request
from fastapi.exception_handlers import http_exception_handler
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response, StreamingResponse
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.staticfiles import StaticFiles

from capture.chosen import Chosen
from capture.errors import CaptureError
from capture.hub import Subscription
from capture.sources.push import PushSource
from capture.station import Station
from web.addresses import LOCAL_HOSTS
from web.connect_api import connect_router
from web.door import Door
from web.door.guard import AtTheDoor
from web.door.routes import door_router
from web.figures_api import Desk, figures_router
from web.guards import SameOriginOnly
from web.pages import pages_router
from web.push import add_push_route
from web.stream import Wire, pages_stream

if TYPE_CHECKING:
    from capture.jobs import JobFolder
    from capture.jobs.at_bench import Began


class MarkRequest(BaseModel):
    """A mark to make now."""

    mark: Annotated[str, Field(max_length=505)]


def make_app(
    station: Station,
    hosts: tuple[str, ...] = LOCAL_HOSTS,
    lifespan: Any = None,
    push: PushSource | None = None,
    jobs: JobFolder | None = None,
    door: Door | None = None,
    began: Began | None = None,
    keep_choice: Callable[[Chosen], Path] | None = None,
) -> FastAPI:
    """The application.

    Parameters
    ----------
    station : Station
        What is listened to; started and stopped by `lifespan` or by the caller.
    hosts : tuple of str
        Names and addresses the page may be asked for by.
    push : PushSource, optional
        The station's source, if its readings are posted here.
    jobs : JobFolder, optional
        Jobs to show and write into.
    door : Door, optional
        Who is let in besides this machine; by default nobody can be.
    began : Began, optional
        The job the station was started for.
    keep_choice : callable, optional
        Keeps the indicator that is chosen on the page for the next start; by default it holds until the end.
    """
    door = door or Door()
    static = Path(str(resources.files("web") / "static"))
    desk = Desk(station)

    @asynccontextmanager
    async def whole(app: FastAPI) -> AsyncIterator[None]:
        try:
            async with nullcontext() if lifespan is None else lifespan(app):
                yield
        finally:
            desk.close()

    app = FastAPI(title="shimwright", docs_url=None, redoc_url=None, openapi_url=None, lifespan=whole)
    app.add_middleware(AtTheDoor, door=door)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False)
    # Outermost, so that a refused name's answer carries the headers too.
    app.add_middleware(SameOriginOnly)

    @app.exception_handler(RequestValidationError)
    async def bad_request(_: Request, e: RequestValidationError) -> JSONResponse:
        # Without what was given: it may be no text that can be sent back.
        problems = "; ".join(f"{'.'.join(str(x) for x in p['loc'][1:])}: {p['msg']}" for p in e.errors())
        return JSONResponse({"detail": problems.removeprefix(": ")}, 422)

    @app.exception_handler(StarletteHTTPException)
    async def refused(request: Request, e: StarletteHTTPException) -> Response:
        # The framework's word for bytes that are no text; everything else of that kind is answered with 422 and a reason.
        if isinstance(e.__cause__, UnicodeDecodeError):
            return JSONResponse({"detail": f"not JSON: {e.__cause__}"}, 422)
        return await http_exception_handler(request, e)

    app.include_router(
        pages_router(
            {
                "/": "sweep.html",
                "/display": "display.html",
                "/connect": "connect.html",
                "/jobs": "jobs.html",
                "/jobs/{job}": "job.html",
            }
        )
    )

    @app.get("/api/openapi.json")
    def described() -> JSONResponse:
        from web.api_doc import document

        return JSONResponse(document())

    @app.get("/api/state")
    async def state() -> dict[str, Any]:
        return station.state()

    async def subscribed() -> AsyncIterator[Subscription]:
        # The stream of a page that has gone is dropped, not closed: only a dependency ends for certain.
        subscription = station.subscribe()
        try:
            yield subscription
        finally:
            subscription.leave()

    own = Depends(subscribed)

    wire = Wire()

    @app.get("/api/events")
    async def events(subscription: Subscription = own) -> StreamingResponse:
        # Subscribed before the picture is taken: what happens in between comes twice rather than never.
        headers = {"cache-control": "no-cache", "x-accel-buffering": "no"}
        return StreamingResponse(
            pages_stream(subscription, station.state, wire), media_type="text/event-stream", headers=headers
        )

    @app.post("/api/mark", status_code=204)
    async def mark(request: MarkRequest) -> None:
        try:
            await run_in_threadpool(station.mark_now, request.mark)
        except ValueError as e:
            raise HTTPException(422, str(e)) from None

    bench = None
    if jobs is not None:
        from capture.jobs.at_bench import AtBench

        bench = AtBench(station, jobs, began)

    @app.post("/api/new-set", status_code=204)
    async def new_set() -> None:
        try:
            await run_in_threadpool(station.new_set if bench is None else bench.new_set)
        except CaptureError as e:
            raise HTTPException(503, f"No new set could be begun, the old one goes on: {e}") from None

    app.include_router(figures_router(desk))
    app.include_router(connect_router(station, keep_choice))

    app.include_router(door_router(door))

    if push is not None:
        add_push_route(app, push)

    if jobs is not None:
        from web.job_pages_api import job_pages_router
        from web.jobs_api import jobs_router

        app.include_router(jobs_router(jobs, bench))
        app.include_router(job_pages_router(jobs))

    app.mount("/static", StaticFiles(directory=static), name="static")
    return app
