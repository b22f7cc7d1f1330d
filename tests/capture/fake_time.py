"""A bench, its cable and its clocks in time that does not pass by itself."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from capture.clock import Clock
from capture.errors import LinkLostError, SourceError
from capture.sources.contract import Reader, ReopeningSource
from capture.station import Station

TICK_S = 0.01


class FakeClock(Clock):
    """Stands still until it is told to go on."""

    def __init__(self, wall: float = 1.8e9) -> None:
        super().__init__()
        self.t = 0.0
        self.wall_zero = wall

    def now(self) -> float:
        return self.t

    def wall(self) -> float:
        return self.wall_zero + self.t


class World:
    """Time, and what happens in it.

    Parameters
    ----------
    clock : FakeClock
    end : float
        When everybody is told to stop.
    """

    def __init__(self, clock: FakeClock, end: float) -> None:
        self.clock = clock
        self.end = end
        self.plans: list[tuple[float, Callable[[], object]]] = []
        self.watchers: list[Callable[[], object]] = []

    def at(self, t: float, act: Callable[[], object]) -> None:
        """Have something happen."""
        self.plans.append((t, act))
        self.plans.sort(key=lambda p: p[0])

    def advance(self, seconds: float) -> None:
        """Let time pass, in ticks."""
        until = self.clock.t + seconds
        while self.clock.t < until - 1e-9:
            self.clock.t = min(until, self.clock.t + TICK_S)
            while self.plans and self.plans[0][0] <= self.clock.t:
                self.plans.pop(0)[1]()
            for watch in self.watchers:
                watch()


class FakeStop(threading.Event):
    """Set once the world's end has come; waiting lets time pass."""

    def __init__(self, world: World) -> None:
        super().__init__()
        self._world = world

    def is_set(self) -> bool:
        return self._world.clock.t >= self._world.end

    def wait(self, timeout: float | None = None) -> bool:
        self._world.advance(0.1 if timeout is None else timeout)
        return self.is_set()


class Cable(ReopeningSource):
    """A port that is there or not, held by somebody or not, and what arrives on it."""

    name = "serial:indicator"

    def __init__(self, world: World) -> None:
        self._world = world
        self.plugged = True
        self.held = False
        self.arrived: list[bytes] = []
        self.read: list[tuple[float, bytes]] = []
        self.fault: Exception | None = None

    def send(self, data: bytes) -> bool:
        """The indicator sends; what nobody has the port open for is gone."""
        if self.plugged and self._open:
            self.arrived.append(data)
            return True
        return False

    _open = False

    def present(self) -> bool | None:
        return self.plugged

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        if not self.plugged:
            raise LinkLostError("no such port: indicator")
        if self.held:
            raise SourceError("indicator is in use by another program. Close that program first.")
        self._open = True
        self.arrived.clear()

        def read() -> bytes:
            waited = 0.0
            while not self.arrived:
                if self.fault is not None:
                    raise self.fault
                if not self.plugged:
                    raise LinkLostError("indicator unplugged (end of file)")
                if waited >= 0.25:
                    return b""
                self._world.advance(TICK_S)
                waited += TICK_S
            data = b"".join(self.arrived)
            self.arrived.clear()
            self.read.append((self._world.clock.t, data))
            return data

        try:
            yield read
        finally:
            self._open = False


class Watched(Station):
    """A station without an event loop that keeps its events, each with the moment it was told."""

    def __init__(self, *args: Any, **keys: Any) -> None:
        self.events: list[tuple[float, dict[str, Any]]] = []
        super().__init__(*args, **keys)

    def _post(self, call: Any, *args: Any) -> None:
        if call == self._publish:
            self.events.append((self._clock.now(), args[0]))
        elif call == self._publish_failure:
            call(*args)

    def _publish(self, event: dict[str, Any]) -> None:
        self.events.append((self._clock.now(), event))

    def links(self) -> list[tuple[float, str, str]]:
        """Changes of the link: when told, state, reason."""
        return [(at, e["state"], e["why"]) for at, e in self.events if e["event"] == "link"]

    def run_to_the_end(self, world: World) -> None:
        """What the source's thread does."""
        self._listening.stop = FakeStop(world)
        world.watchers.append(self.look)
        self._listening.run()
