"""Nothing for a device that is not this machine, until it is paired: plain ASGI."""

from __future__ import annotations

import asyncio
import ipaddress
import json
from collections.abc import Iterator

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.addresses import is_loopback
from web.door.devices import Device
from web.door.door import Door
from web.door.rights import BEFORE_PAIRING, READING, refusal
from web.guards import host_name

DEVICE = "shimwright.device"
"""Where the paired device stands in a request's scope."""

MOST_COOKIES = 4
LARGEST_BODY = 2048
"""Bytes that a device may send before it is paired."""


def at_this_machine(scope: Scope) -> bool:
    """Whether a request was made on this machine: it came over the loopback and was meant for it.

    The second half shuts out what a proxy passes on under the name by which the world outside knows it.
    """
    client = scope.get("client")
    if client is None:
        return False
    try:
        ip = ipaddress.ip_address(str(client[0]).partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(ip, "ipv4_mapped", None)
    return (mapped or ip).is_loopback and is_loopback(host_name(Headers(scope=scope)))


def cookie_name(scope: Scope) -> str:
    """The cookie's name; with the port, because browsers keep one box of cookies for all ports of a machine."""
    return f"shimwright-{(scope.get('server') or ('', 0))[1]}"


def shown_tokens(scope: Scope) -> Iterator[str]:
    """The tokens a request shows."""
    name = cookie_name(scope)
    headers = Headers(scope=scope)
    found = 0
    for line in headers.getlist("cookie"):
        for part in line.split(";"):
            key, _, value = part.strip().partition("=")
            if key == name and found < MOST_COOKIES:
                found += 1
                yield value


class AtTheDoor:
    """Passes on what this machine asks for, and what a paired device may; to all others it gives the pairing page.

    The answer to a device that is not paired does not depend on what it asked for, so it learns nothing about what there is.
    """

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer 303, 401 or 403."""
        if scope["type"] == "lifespan" or at_this_machine(scope):
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        method, path = scope["method"], scope["path"]
        if (method, path) == ("POST", "/api/push") and self._door.push is not None:
            if self._door.push.fits(Headers(scope=scope).get("authorization", "")):
                await self._app(scope, receive, send)
            else:
                said = "Readings from another machine need the header Authorization: Bearer TOKEN; the token is shown on the page /devices of the computer that runs shimwright."
                await _answer(send, 401, said, ("www-authenticate", "Bearer"))
            return
        device = next((d for t in shown_tokens(scope) if (d := self._door.devices.known(t)) is not None), None)
        if device is None:
            await self._before_pairing(scope, receive, send)
            return
        why = refusal(device, method, path)
        if why is not None:
            await _answer(send, 403, why)
            return
        scope[DEVICE] = device
        if method in READING:
            await self._until_gone(device, scope, receive, send)
        else:
            # Never broken off halfway: what was begun with leave is finished.
            await self._app(scope, receive, send)

    async def _before_pairing(self, scope: Scope, receive: Receive, send: Send) -> None:
        method, path = scope["method"], scope["path"]
        if (method, path) in BEFORE_PAIRING:
            length = Headers(scope=scope).get("content-length", "")
            if method == "POST" and not (length.isascii() and length.isdigit() and int(length[:9]) <= LARGEST_BODY):
                # Read by nobody: whoever is not let in cannot fill the memory.
                await _answer(send, 413, f"A code and a name: a Content-Length of at most {LARGEST_BODY} is needed.")
                return
            await self._app(scope, receive, send)
        elif method in READING and "text/html" in Headers(scope=scope).get("accept", ""):
            await _answer(send, 303, "", ("location", "/pair"))
        else:
            await _answer(
                send, 401, "This device is not paired with the computer that runs shimwright: open /pair on it."
            )

    async def _until_gone(self, device: Device, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, and break the answer off when the device is shut out: an event stream would go on for ever."""
        open_ended = finished = False

        async def watched(message: Message) -> None:
            nonlocal open_ended, finished
            if message["type"] == "http.response.start":
                open_ended = not any(name.lower() == b"content-length" for name, _ in message["headers"])
            elif not message.get("more_body", False):
                finished = True
            await send(message)

        async def answer() -> None:
            await self._app(scope, receive, watched)

        work = asyncio.create_task(answer())
        gone = asyncio.create_task(device.gone.wait())
        device.open += 1
        try:
            await asyncio.wait({work, gone}, return_when=asyncio.FIRST_COMPLETED)
            if work.done():
                await work
                return
            work.cancel()
            await asyncio.wait({work})
            if open_ended and not finished:
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            device.open -= 1
            device.seen = self._door.clock()
            work.cancel()
            gone.cancel()
            await asyncio.gather(work, gone, return_exceptions=True)


async def _answer(send: Send, status: int, said: str, *more: tuple[str, str]) -> None:
    body = json.dumps({"detail": said}).encode() if said else b""
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    headers += [(b"cache-control", b"no-store"), *((n.encode(), v.encode()) for n, v in more)]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
