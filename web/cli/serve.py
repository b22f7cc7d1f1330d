"""``shimwright serve`` and ``shimwright demo``."""

from __future__ import annotations

import asyncio
import logging
import signal
import socket
import sys
import tempfile
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import uvicorn
from fastapi import FastAPI

from capture.chosen import Chosen, cure_for, keep_choice
from capture.errors import CaptureError, SourceError, SourceTextError
from capture.profiles import load_profile
from capture.sources import open_source
from capture.sources.not_chosen import NOT_CHOSEN, NotChosenSource
from capture.sources.push import PushSource
from capture.station import Station
from web.app import make_app
from web.cli.begun import Begun
from web.cli.logs import start_log
from web.cli.reach import bound, reach, told
from web.cli.usage import profile_of
from web.door import Door
from web.door.pushing import PushToken

if TYPE_CHECKING:
    from capture.jobs import JobFolder
    from capture.jobs.at_bench import Began
    from capture.store.feed import StoreFeed

NO_STORE = "off"

TICK_S = 1.0
"""How often the server renews the date it sends with every answer."""

STORE_END_S = 5.0
"""Longest time to put the last rows into the store; what does not get there is brought in at the next start."""

_log = logging.getLogger("shimwright.serve")


class _Server(uvicorn.Server):
    """Ends the open event streams before it waits for connections to close."""

    def __init__(self, config: uvicorn.Config, before_exit: Callable[[], None], ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._before_exit = before_exit
        self._ready = ready
        self._leave = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()

    async def main_loop(self) -> None:
        # The library looks ten times a second whether it is to end: a third of the times an idle program was woken at all.
        self._loop = asyncio.get_running_loop()
        while not await self.on_tick(0):
            with suppress(TimeoutError):
                await asyncio.wait_for(self._leave.wait(), TICK_S)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._before_exit()
        super().handle_exit(sig, frame)
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._leave.set)


def default_folder() -> Path:
    """Where raw streams go when nothing else is said."""
    from platformdirs import user_data_path

    return user_data_path("shimwright") / "streams"


def default_jobs() -> Path:
    """Where jobs are kept when nothing else is said: beside the raw streams."""
    return default_folder().with_name("jobs")


def serve_command(
    begun: Begun,
    setup_path: Path | None,
    table: dict[str, object],
    record: Path | None,
    host: str,
    port: int,
    browser: bool,
    jobs: Path | None = None,
    store: str | None = None,
) -> int:
    """Exit code."""
    start_log("warning")
    source = begun.source
    setup = setup_file = None
    if setup_path is not None:
        from capture.setup_file import read_setup

        setup, setup_file = read_setup(setup_path)
    if store is not None and store != NO_STORE:
        from capture.store.location import locate

        locate(store)
    try:
        if source == "typed":
            raise SourceTextError("serve cannot take typed readings from the terminal; use listen typed")
        profile = profile_of(table) if begun.file is None else load_profile(table, str(begun.file))
        one = NotChosenSource() if source == NOT_CHOSEN else open_source(source, profile)
    except CaptureError as e:
        if begun.file is None:
            raise
        raise SourceError(f"{begun.file}: {str(e).rstrip('.')}. {cure_for(begun.file)}") from None
    from capture.jobs import JobFolder
    from capture.jobs.at_bench import at_start

    shop = JobFolder(jobs or default_jobs())
    began = None
    if setup is None:  # one that is asked for by name goes before the job that was at the bench last
        (setup, setup_file), began = at_start(shop, (None, None))
    # The address first: a port that is taken must not leave an empty recording.
    with bound(host, port) as listeners:
        folder = record or default_folder()
        with _feed(store, folder) as feed:
            station = Station(one, profile=profile, setup=setup, record_to=folder, setup_file=setup_file, feed=feed)
            push = one if isinstance(one, PushSource) else None
            code = _serve(
                station,
                listeners,
                host,
                browser,
                None,
                push,
                shop,
                feed,
                began,
                keep_choice=keep_choice,
                said=begun.said,
            )
    return code


def demo_command(host: str, port: int, browser: bool, seed: int, speed: float, record: Path | None) -> int:
    """Exit code."""
    start_log("warning")
    if sys.platform == "win32":
        raise SourceError(
            "The demonstration needs a pseudo-terminal, which Windows does not have. Use serve with a recording: replay:FILE."
        )
    from capture.jobs.at_bench import at_start
    from capture.simulator.bench import Event
    from capture.simulator.demo import DEMO, demo_events, demo_setup, demo_setup_file
    from capture.simulator.demo_job import demo_jobs
    from capture.simulator.pty_bench import PtyBench

    with bound(host, port) as listeners, tempfile.TemporaryDirectory(prefix="shimwright-demo-") as folder:
        link = Path(folder) / "indicator"
        shop = demo_jobs(Path(folder) / "jobs")
        (setup, setup_file), began = at_start(shop, (demo_setup(), demo_setup_file()))
        holder: dict[str, Any] = {}

        def happened(event: Event) -> None:
            loop = holder.get("loop")
            if loop is None or loop.is_closed():
                return
            if event.kind == "reseat":
                station.mark_now("reseat")
            elif event.kind == "new-set":
                new_set()

        def new_set() -> None:
            # One that cannot be begun is told on the page.
            with suppress(CaptureError):
                station.new_set()

        bench = PtyBench(link, speed=speed, on_event=happened)
        profile = load_profile({"use": "text-line", "rate": DEMO.rate * speed}, "demonstration")
        to = record or Path(folder) / "streams"

        def begin() -> None:
            holder["loop"] = asyncio.get_running_loop()
            bench.start(demo_events(seed))

        try:
            with _feed(str(Path(folder) / "evidence.sqlite"), to, kept=False) as feed:
                station = Station(
                    f"serial:{link}",
                    profile=profile,
                    setup=setup,
                    record_to=to,
                    setup_file=setup_file,
                    feed=feed,
                )
                code = _serve(station, listeners, host, browser, begin, jobs=shop, feed=feed, began=began)
        finally:
            bench.stop()
    return code


@contextmanager
def _feed(store: str | None, folder: Path, kept: bool = True) -> Iterator[StoreFeed | None]:
    """A feed into the store, closed at the end; None if there is to be none."""
    if store == NO_STORE:
        yield None
        return
    from capture.store.feed import StoreFeed

    feed = StoreFeed(store, folder=folder, on_note=lambda said: _log.warning("%s", said), start=False)
    try:
        yield feed
    finally:
        if not feed.close(STORE_END_S) and kept:
            why = feed.failure or "The evidence store took too long."
            sys.stderr.write(f"shimwright: {why} What it lacks is in the recordings and is put in at the next start.\n")


def _serve(
    station: Station,
    listeners: list[socket.socket],
    host: str,
    browser: bool,
    begin: Callable[[], None] | None = None,
    push: PushSource | None = None,
    jobs: JobFolder | None = None,
    feed: StoreFeed | None = None,
    began: Began | None = None,
    keep_choice: Callable[[Chosen], Path] | None = None,
    said: str = "",
) -> int:
    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        await station.start()
        if begin is not None:
            begin()
        yield
        await station.stop()

    where = reach(host, listeners[0].getsockname()[1])
    door = Door(where.elsewhere, PushToken() if push is not None and where.elsewhere else None)

    def ready() -> None:
        if door.open:
            door.codes.make()
        sys.stdout.write(told(where, door, picture=sys.stdout.isatty()) + said)
        sys.stdout.flush()
        if feed is not None:
            # Not before: loading the database library would keep the page waiting.
            feed.start()
        if browser:
            threading.Thread(target=_open_browser, args=(where.here,), daemon=True).start()

    config = uvicorn.Config(
        make_app(station, where.hosts, lifespan, push, jobs, door, began, keep_choice),
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=2,
        server_header=False,
        # Who asks is who is connected: no header and no environment variable may say otherwise.
        proxy_headers=False,
        ws="none",
    )
    server = _Server(config, station.end_subscriptions, ready)
    # The server raises the signal again once it has shut down; being asked to end is no failure.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        with suppress(KeyboardInterrupt):
            server.run(sockets=listeners)
    finally:
        # Also when the server never came up.
        station.close()
    if station.capture_failure:
        raise SourceError(station.capture_failure)
    return 0


def _open_browser(address: str) -> None:
    with suppress(webbrowser.Error):
        webbrowser.open(address)
