"""Pairing, over HTTP.

A device: ``GET /pair`` · ``GET /api/pair`` · ``POST /api/pair`` · ``POST /api/pair/leave``.
This machine: ``GET /devices`` · ``GET /api/devices`` · ``POST /api/devices/code`` · ``POST /api/devices/code/end`` ·
``GET /api/devices/code.svg`` · ``POST /api/devices/{id}/rights`` · ``POST /api/devices/{id}/out`` · ``POST /api/devices/push-token``.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from capture.errors import CaptureError
from web.door.codes import Refusal
from web.door.devices import Device, FullError
from web.door.door import Door, link_for, spaced
from web.door.guard import DEVICE, at_this_machine, cookie_name
from web.pages import page
from web.texts import Words, catalogues, language_for

COOKIE_S = 7 * 24 * 3600
_ELSEWHERE = "Only the computer that runs shimwright may do this: open this page there."


class PairRequest(BaseModel):
    """A code as it was typed, and what the device shall be called."""

    code: Annotated[str, Field(max_length=40)]
    name: Annotated[str, Field(max_length=200)] = ""


class RightsRequest(BaseModel):
    """Whether a device may also write into jobs."""

    writes: bool


def only_here(request: Request) -> None:
    """Refuse whoever asks from another machine."""
    if not at_this_machine(request.scope):
        raise HTTPException(403, _ELSEWHERE)


def words_for(request: Request) -> Words:
    """The catalogue in the browser's language."""
    return catalogues()[language_for(request.headers.get("accept-language", ""))]


def door_router(door: Door) -> APIRouter:
    """The routes of a door."""
    router = APIRouter(include_in_schema=False)
    _of_a_device(router, door)
    _of_this_machine(router, door)
    return router


def _known(door: Door, id: str) -> Device:
    """A device that is paired."""
    device = door.devices.get(id)
    if device is None:
        raise HTTPException(404, "No such device is paired any longer.")
    return device


def _picture(door: Door) -> dict[str, Any]:
    """All that the page of devices shows."""
    code = door.codes.current
    now = door.clock()
    return {
        "open": door.open,
        "addresses": list(door.addresses),
        "code": None if code is None else {"code": spaced(code), "left_s": round(door.codes.left_s)},
        "guessed": door.codes.guessed,
        "devices": [
            {
                "id": d.id,
                "name": d.name,
                "address": d.address,
                "since_s": round(now - d.since),
                "seen_s": 0 if d.open else round(now - d.seen),
                "writes": d.writes,
            }
            for d in door.devices.all()
        ],
        "push": None if door.push is None else {"token": door.push.text, "file": str(door.push.file)},
    }


def _of_a_device(router: APIRouter, door: Door) -> None:
    @router.api_route("/pair", methods=["GET", "HEAD"])
    async def pairing_page(request: Request) -> Response:
        if at_this_machine(request.scope):
            return RedirectResponse("/devices", 303)
        # Also to a device that is paired: its script goes on from here, without the code that a redirection would take along.
        return page(request, "pair.html")

    @router.get("/api/pair")
    async def paired(request: Request) -> Any:
        device: Device | None = request.scope.get(DEVICE)
        here_too = at_this_machine(request.scope)
        out: dict[str, Any] = {"here": here_too, "paired": device is not None}
        if device is not None:
            out |= {"id": device.id, "name": device.name, "writes": device.writes}
        return JSONResponse(out, headers={"cache-control": "no-store"})

    @router.post("/api/pair")
    async def pair(asked: PairRequest, request: Request) -> Any:
        t = words_for(request).pair
        if at_this_machine(request.scope):
            raise HTTPException(409, t.needless)
        if request.scope.get(DEVICE) is not None:
            return {"paired": True}
        address = request.client.host if request.client is not None else ""
        why = door.codes.take(asked.code, address)
        if why is Refusal.WAIT:
            wait = door.codes.wait_s(address)
            raise HTTPException(429, t.wait.format(minutes=int(wait // 60) + 1), {"Retry-After": str(int(wait) + 1)})
        if why is not None:
            raise HTTPException(403, t.wrong if why is Refusal.WRONG else t.none)
        try:
            _, token = door.devices.add(asked.name, address)
        except FullError:
            raise HTTPException(409, t.full) from None
        out = JSONResponse({"paired": True}, headers={"cache-control": "no-store"})
        out.set_cookie(cookie_name(request.scope), token, max_age=COOKIE_S, httponly=True, samesite="strict", path="/")
        return out

    @router.post("/api/pair/leave", status_code=204)
    async def leave(request: Request) -> Response:
        device: Device | None = request.scope.get(DEVICE)
        if device is None:
            raise HTTPException(409, words_for(request).pair.needless)
        door.devices.shut_out(device)
        out = Response(status_code=204)
        out.delete_cookie(cookie_name(request.scope), path="/", httponly=True, samesite="strict")
        return out


def _of_this_machine(router: APIRouter, door: Door) -> None:
    here = [Depends(only_here)]

    @router.api_route("/devices", methods=["GET", "HEAD"])
    async def devices_page(request: Request) -> Response:
        return page(request, "devices.html")

    @router.get("/api/devices", dependencies=here)
    async def devices() -> Any:
        return JSONResponse(_picture(door), headers={"cache-control": "no-store"})

    @router.post("/api/devices/code", dependencies=here)
    async def new_code(request: Request) -> Any:
        if not door.open:
            raise HTTPException(409, words_for(request).devices.closed)
        door.codes.make()
        return _picture(door)

    @router.post("/api/devices/code/end", dependencies=here)
    async def end_code() -> Any:
        door.codes.end()
        return _picture(door)

    @router.get("/api/devices/code.svg", dependencies=here)
    async def code_picture(address: Annotated[int, Field(ge=0)] = 0) -> Response:
        code = door.codes.current
        if code is None or address >= len(door.addresses):
            raise HTTPException(404, "No code holds now.")
        from web.door.qr import as_svg

        svg = await run_in_threadpool(as_svg, link_for(door.addresses[address], code))
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": "no-store"})

    @router.post("/api/devices/{id}/rights", dependencies=here)
    async def rights(id: str, asked: RightsRequest) -> Any:
        _known(door, id).writes = asked.writes
        return _picture(door)

    @router.post("/api/devices/{id}/out", dependencies=here)
    async def out(id: str) -> Any:
        door.devices.shut_out(_known(door, id))
        return _picture(door)

    @router.post("/api/devices/push-token", dependencies=here)
    async def push_token(request: Request) -> Any:
        if door.push is None:
            raise HTTPException(409, words_for(request).devices.no_push)
        try:
            await run_in_threadpool(door.push.renew)
        except CaptureError as e:
            raise HTTPException(507, str(e)) from None
        return _picture(door)
