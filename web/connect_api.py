"""Connecting an indicator from the page.

``GET /api/connect`` · ``GET /api/connect/ports`` · ``GET /api/connect/doctor`` · ``POST /api/connect/bluetooth`` · ``POST /api/connect/identify`` ·
``POST /api/connect/again`` · ``POST /api/connect/keep`` · ``POST /api/connect/cancel`` · ``GET /api/connect/profiles`` ·
``GET /api/connect/choice`` · ``POST /api/connect/use``.  One search runs at a time, ends by itself, and can be stopped.
All but the first answer this computer only: ports and files are its own.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from capture.chosen import Chosen, chosen_file, kept_choice
from capture.descriptors import open_descriptors
from capture.doctor import examine
from capture.errors import CaptureError
from capture.identify.around import port_of, ports_around
from capture.identify.sniffing import USUAL_S
from capture.profiles import known_profiles, load_profile
from capture.sources import open_source
from capture.station import Station
from web.connect_search import BusyError, Search
from web.connect_sources import Sources, lasting, real
from web.door.guard import at_this_machine

LONGEST_S = 120.0
_ELSEWHERE = "Ports are looked for, and profiles kept, only on the computer that runs shimwright: open this page there."
_NOT_ASKED = "The indicator in use is only listened to: leave what to send empty. With another way of asking it can be identified once it is not in use."


class IdentifyRequest(BaseModel):
    """What to listen to."""

    source: Annotated[str, Field(min_length=1, max_length=300)]
    seconds: Annotated[float, Field(ge=1.0, le=LONGEST_S, allow_inf_nan=False)] = USUAL_S
    poll: Annotated[str | None, Field(max_length=64)] = None


class AgainRequest(BaseModel):
    """One of the profiles found, counted from 0."""

    candidate: Annotated[int, Field(ge=0, le=1000)]


class KeepRequest(AgainRequest):
    """The profile that matches the display, and its name."""

    name: Annotated[str, Field(max_length=64)]


class UseRequest(BaseModel):
    """What to listen to from now on, and with which profile."""

    source: Annotated[str, Field(min_length=1, max_length=300)]
    profile: Annotated[str, Field(min_length=1, max_length=64)]


def _at_this_computer(request: Request) -> None:
    """Refuse whoever asks from another machine."""
    if not at_this_machine(request.scope):
        raise HTTPException(403, _ELSEWHERE)


def connect_router(station: Station, keep_choice: Callable[[Chosen], Path] | None = None) -> APIRouter:
    """The routes of the connect screen.

    Parameters
    ----------
    station : Station
    keep_choice : callable, optional
        Keeps the indicator that is chosen for the next start.
    """
    search = Search()
    sources = Sources(station)
    examining = asyncio.Lock()

    @asynccontextmanager
    async def life(_: Any) -> AsyncIterator[None]:
        yield
        await asyncio.to_thread(search.close)

    router = APIRouter(lifespan=life)
    own = [Depends(_at_this_computer)]

    @router.get("/api/connect")
    async def state() -> dict[str, Any]:
        now = station.state()
        last = now["last"]
        return {
            "station": {
                "source": now["source"],
                "profile": now["profile"],
                "set": now["set"],
                "link": now["link"],
                "age_s": None if last is None else max(0.0, round(now["now"] - last["t"], 2)),
                "shown": None if last is None else last["shown"],
                "period_s": now["period_s"],
                "counters": now["counters"],
                "about": station.about,
                "open": open_descriptors(),
                "failure": now["failure"],
            },
            "search": search.as_dict(),
        }

    @router.get("/api/connect/ports", dependencies=own)
    def ports() -> dict[str, Any]:
        found = ports_around()
        mine = real(sources.listened_to())
        if os.path.exists(mine) and mine not in {os.path.realpath(p.device) for p in found}:
            found.append(port_of(mine))
        return {
            "ports": [
                {**asdict(p), "source": f"serial:{p.device}", "mine": os.path.realpath(p.device) == mine} for p in found
            ]
        }

    @router.get("/api/connect/doctor", dependencies=own)
    async def doctor() -> dict[str, Any]:
        # It reads files through: one look at a time, however many pages ask.
        async with examining:
            found = [f.as_dict() for f in await run_in_threadpool(examine)]
        mine = real(sources.listened_to())
        for f in found:
            # The look at the ports knows of other programs only.
            if f["what"].startswith(f"serial port {mine} ("):
                f["what"] = f["what"].replace(": free", ": in use by this page", 1)
        return {"findings": found}

    @router.post("/api/connect/bluetooth", status_code=202, dependencies=own)
    async def bluetooth() -> dict[str, Any]:
        return _begun(search.scan)

    @router.post("/api/connect/identify", status_code=202, dependencies=own)
    async def identify(request: IdentifyRequest) -> dict[str, Any]:
        poll = request.poll or None
        if poll is not None:
            try:
                load_profile({"use": "text-line", "poll": poll}, "what to send")
            except CaptureError as e:
                raise HTTPException(422, str(e)) from None
        source, along = await run_in_threadpool(sources.to_look_at, request.source.strip())
        if along is not None and poll is not None:
            raise HTTPException(422, f"poll: given {poll!r}. {_NOT_ASKED}")
        return _begun(lambda: search.identify(source, request.seconds, poll, along))

    @router.post("/api/connect/again", status_code=202, dependencies=own)
    async def again(request: AgainRequest) -> dict[str, Any]:
        along = None
        if search.source:
            _, along = await run_in_threadpool(sources.to_look_at, search.source)
        return _begun(lambda: search.again(request.candidate, along))

    @router.post("/api/connect/keep", status_code=201, dependencies=own)
    def keep(request: KeepRequest) -> dict[str, str]:
        try:
            return search.keep(request.candidate, request.name.strip())
        except BusyError as e:
            raise HTTPException(409, str(e)) from None
        except CaptureError as e:
            raise HTTPException(422, str(e)) from None

    @router.get("/api/connect/profiles", dependencies=own)
    def profiles() -> dict[str, Any]:
        return {"profiles": [{"name": name, "whence": whence} for name, whence in known_profiles()]}

    @router.post("/api/connect/use", dependencies=own)
    def use(request: UseRequest) -> dict[str, Any]:
        source = request.source.strip()
        if search.busy:
            # It may hold the very port.
            raise HTTPException(409, "A search is under way: wait for it or stop it first.")
        try:
            profile = load_profile(request.profile.strip(), "the profile to use")
            # The one that is listened to may be there under this name alone, and is let go first.
            if source != sources.listened_to() or source in ("push", "typed"):
                sources.checked(source)
            station.listen_to(open_source(source, profile), profile)
        except CaptureError as e:
            raise HTTPException(422, str(e)) from None
        done = {"source": source, "profile": request.profile.strip(), "set": station.sets}
        return {**done, **_kept(Chosen(lasting(source), request.profile.strip()))}

    def _kept(chosen: Chosen) -> dict[str, Any]:
        """Where the choice is kept; else why it is not, if it was to be."""
        if keep_choice is None:
            return {"file": None, "why": ""}
        try:
            return {"file": str(keep_choice(chosen)), "why": ""}
        except CaptureError as e:
            return {"file": None, "why": str(e)}

    @router.get("/api/connect/choice", dependencies=own)
    def choice() -> dict[str, Any]:
        if keep_choice is None:
            return {"choice": None, "why": ""}
        try:
            kept = kept_choice()
        except CaptureError as e:
            return {"choice": None, "why": str(e)}
        if kept is None:
            return {"choice": None, "why": ""}
        row = {"source": kept.source, "profile": kept.profile, "file": str(chosen_file())}
        return {"choice": {**row, "in_use": sources.is_mine(kept.source)}, "why": ""}

    @router.post("/api/connect/cancel", dependencies=own)
    async def cancel() -> dict[str, Any]:
        search.cancel()
        return {"search": search.as_dict()}

    def _begun(begin: Any) -> dict[str, Any]:
        try:
            begin()
        except BusyError as e:
            raise HTTPException(409, str(e)) from None
        except CaptureError as e:
            raise HTTPException(422, str(e)) from None
        return {"search": search.as_dict()}

    return router
