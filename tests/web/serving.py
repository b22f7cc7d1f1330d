"""The application on a real server, and a reader of its event stream."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import Queue
from typing import Any

import httpx
import uvicorn
from fastapi import FastAPI

from capture.chosen import Chosen
from capture.jobs import JobFolder
from capture.profiles import load_profile
from capture.station import Station
from tests.capture.live import LONG_S, until
from web.addresses import LOCAL_HOSTS
from web.app import make_app
from web.door import Door


@dataclass
class Stream:
    """One page's event stream."""

    response: httpx.Response
    lines: list[str] = field(default_factory=list)
    events: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    async def take(self) -> None:
        """Collect events until the stream ends."""
        name = ""
        try:
            async for text in self.response.aiter_lines():
                self.lines.append(text)
                if text.startswith("event:"):
                    name = text[6:].strip()
                elif text.startswith("data:"):
                    self.events.append((name, json.loads(text[5:])))
        finally:
            self.ended.set()

    async def wait(self, name: str, start: int = 0, timeout: float = LONG_S, **want: Any) -> dict[str, Any]:
        """First event of a name with these values, from event number `start` on."""

        async def look() -> dict[str, Any]:
            while True:
                for n, data in self.events[start:]:
                    if n == name and all(data.get(k) == v for k, v in want.items()):
                        return data
                await asyncio.sleep(0.005)

        try:
            return await asyncio.wait_for(look(), timeout)
        except TimeoutError:
            raise AssertionError(f"no {name} {want} within {timeout} s; heard {self.events[-5:]}") from None

    def names(self) -> list[str]:
        """Names of the events so far."""
        return [n for n, _ in self.events]


@asynccontextmanager
async def stream(base: str) -> AsyncIterator[Stream]:
    """An open event stream, its first event there."""
    limits = httpx.Timeout(LONG_S, read=None)
    async with httpx.AsyncClient(base_url=base, timeout=limits) as client, client.stream("GET", "/api/events") as r:
        s = Stream(r)
        task = asyncio.create_task(s.take())
        try:
            await s.wait("state")
            yield s
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def open_link(station: Station) -> None:
    """Wait until the link has been opened; by then it may be said to be silent already."""
    await until(lambda: station.counters.opens > 0)


@asynccontextmanager
async def served(
    source: Any,
    folder: Path | None = None,
    hosts: tuple[str, ...] = LOCAL_HOSTS,
    door: Door | None = None,
    jobs: JobFolder | None = None,
    keep_choice: Callable[[Chosen], Path] | None = None,
    **keys: Any,
) -> AsyncIterator[tuple[str, Station]]:
    """A station and its page on a free port of this machine: the address, and the station."""
    profile = load_profile({"use": "text-line", "rate": 20.0, **keys})
    station = Station(source, profile=profile, record_to=folder)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        await station.start()
        yield
        await station.stop()

    config = uvicorn.Config(
        make_app(station, hosts, lifespan, jobs=jobs, door=door, keep_choice=keep_choice),
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=2,
        ws="none",
    )
    server = uvicorn.Server(config)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        task = asyncio.create_task(server.serve(sockets=[listener]))
        try:
            while not server.started:
                assert not task.done()
                await asyncio.sleep(0.005)
            yield f"http://127.0.0.1:{listener.getsockname()[1]}", station
        finally:
            station.end_subscriptions()
            server.should_exit = True
            await task


@contextmanager
def served_in_thread(source: Any, folder: Path | None = None, **more: Any) -> Iterator[str]:
    """The same for a test that is no coroutine: the address."""
    begun: Queue[tuple[str, Callable[[], None]] | BaseException] = Queue()

    async def main() -> None:
        end = asyncio.Event()
        loop = asyncio.get_running_loop()
        async with served(source, folder, **more) as (base, _):
            begun.put((base, lambda: loop.call_soon_threadsafe(end.set)))
            await end.wait()

    def run() -> None:
        try:
            asyncio.run(main())
        except BaseException as e:
            begun.put(e)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        first = begun.get(timeout=LONG_S)
        if isinstance(first, BaseException):
            raise first
        base, stop = first
        try:
            yield base
        finally:
            stop()
    finally:
        thread.join(LONG_S)
        assert not thread.is_alive()
