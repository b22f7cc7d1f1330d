"""An indicator on Bluetooth Low Energy, found again whenever it comes back.

The source runs an event loop of its own in its thread: values are stamped there as they arrive, whatever the page does.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import threading
from contextlib import suppress
from typing import Any

from capture.clock import Clock
from capture.errors import SourceError
from capture.profiles import Profile
from capture.sources.bluetooth.connection import DISCONNECT_S, Connection, TakerError
from capture.sources.bluetooth.finding import Finder, Target, free_leftover
from capture.sources.bluetooth.reasons import explained, in_progress
from capture.sources.contract import Sink, Source, Tries

LOOK_S = 0.05
"""How often the word to stop is looked for."""

RESTARTED = "the indicator was started anew in between: what it was set to, its zero included, may be gone"
SAME_RUN = "the link had broken, the indicator had not stopped"

LEAVE_S = 0.7
"""For letting go when told to stop: a source must have ended within a second."""


class BluetoothSource(Source):
    """An indicator by address, name or service.

    Parameters
    ----------
    target : str
        Address, name (``*`` stands for anything) or service identity.
    profile : Profile
        With ``characteristic`` where the indicator does not describe itself; see `capture.sources.bluetooth.choosing`.
    """

    def __init__(self, target: str, profile: Profile) -> None:
        self.name = f"ble:{target}"
        self._target = Target(target)
        self._profile = profile
        self._about: dict[str, Any] = {}
        self.about = self._about

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Connect, listen, and connect again after every loss."""
        # Its warnings are told here in words of our own.
        logging.getLogger("bleak").setLevel(logging.CRITICAL)
        with asyncio.Runner() as runner:
            runner.run(self._watched(sink, clock, stop))

    async def _watched(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        work = asyncio.create_task(self._keep_listening(sink, clock))
        try:
            while not (stop.is_set() or work.done()):
                await asyncio.wait({work}, timeout=LOOK_S)
            if not stop.is_set():
                await work
        finally:
            work.cancel()
            await asyncio.wait({work}, timeout=LEAVE_S + 0.1)
            await forget_bus()

    async def _keep_listening(self, sink: Sink, clock: Clock) -> None:
        finder = Finder(self._target)
        # A link that broke because Bluetooth was switched off looks like one that broke.
        tries = Tries(self.name, sink, clock, later_reasons=True)
        await free_leftover(self._target)
        cleared = False
        boot: bytes | None = None
        while True:
            connection: Connection | None = None
            limit = LEAVE_S
            try:
                device = await finder.find()
                connection = Connection(device, self._profile, self.name, lambda x: sink.chunk(clock.now(), x))
                await connection.open()
                self._about |= connection.about
                tries.open(self._since(boot, connection.boot))
                boot = connection.boot
                cleared = False
                await connection.listen()
            except TakerError as e:
                raise e.__cause__ or e from None
            except Exception as e:
                error = explained(e, self.name)
                if isinstance(error, SourceError) and not tries.told:
                    raise error from None
                tries.failed(error)
                limit = DISCONNECT_S
                if in_progress(e) and not cleared:
                    # Once: what goes on being tried is another program's, and it may have its turn.
                    cleared = True
                    await free_leftover(self._target)
            finally:
                if connection is not None:
                    await connection.close(limit)
            # What the library remembers of the service may be older than the service: it is asked anew each time.
            await forget_bus()
            await asyncio.sleep(tries.wait)

    def _since(self, before: bytes | None, now: bytes | None) -> str:
        """What to tell of a link that is back: whether it was the link that broke, or the indicator was started anew."""
        restarted = None if before is None or now is None else before != now
        if now is not None:
            self._about["restarts"] = self._about.get("restarts", 0) + bool(restarted)
        if restarted is None:
            return ""
        return RESTARTED if restarted else SAME_RUN


async def forget_bus() -> None:
    """Close the connection to the system bus that the library keeps for each event loop and never closes itself."""
    if sys.platform != "linux":
        return
    with suppress(Exception):
        from bleak.backends.bluezdbus import manager
        from bleak.backends.bluezdbus.version import BlueZFeatures

        kept = manager._global_instances.pop(asyncio.get_running_loop(), None)
        if kept is not None and kept._bus is not None:
            kept._bus.disconnect()
            if kept._bus_watcher_task is not None:
                await asyncio.wait({kept._bus_watcher_task}, timeout=0.2)
        if not BlueZFeatures.checked_bluez_version:
            # Cut short, the library's look at the service's version would be waited for without end.
            BlueZFeatures._check_bluez_event = None
