"""The emulated Bluetooth service in a thread of its own, worked from a test."""

from __future__ import annotations

import asyncio
import struct
import threading
import time
from collections.abc import Callable, Coroutine, Iterable
from typing import Any, TypeVar

from capture.simulator.bench import Event
from tests.fakes.bluetooth_service import BluetoothService, Characteristic, Peripheral

T = TypeVar("T")
WAIT_S = 60.0


class BluetoothBench:
    """A service with indicators.

    Parameters
    ----------
    bus_address : str
    peripherals : Peripheral
    adapter, powered : bool
        See `BluetoothService`.
    """

    def __init__(self, bus_address: str, *peripherals: Peripheral, adapter: bool = True, powered: bool = True) -> None:
        self._bus_address = bus_address
        self._how = {"adapter": adapter, "powered": powered}
        self.peripherals = peripherals
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="bluetooth-service")
        self._thread.start()
        self.service: BluetoothService | None = None
        self.revive()

    def revive(self) -> None:
        """Start the service (again)."""
        assert self.service is None

        async def begin() -> BluetoothService:
            service = BluetoothService(self._bus_address, **self._how)
            for p in self.peripherals:
                service.add(p)
            await service.start()
            return service

        self.service = self._run(begin())

    def die(self) -> None:
        """The service crashes."""
        service, self.service = self.service, None
        if service is not None:
            self._run(service.stop())

    def close(self) -> None:
        """End everything."""
        self.die()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(WAIT_S)
        self._loop.close()

    def do(self, act: Callable[[BluetoothService], T]) -> T:
        """Do something to the service in its own thread."""

        async def doing() -> T:
            assert self.service is not None
            return act(self.service)

        return self._run(doing())

    def _run(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(WAIT_S)

    # the first indicator

    @property
    def indicator(self) -> Peripheral:
        """The first peripheral."""
        return self.peripherals[0]

    @property
    def length(self) -> Characteristic:
        """Its first characteristic."""
        return self.indicator.characteristics[0]

    def listened_to(self) -> bool:
        """Whether anybody wants notifications."""
        return bool(self.length.listeners)

    def wait_for_listener(self) -> None:
        """Wait until somebody does."""
        until = time.monotonic() + WAIT_S
        while not self.listened_to():
            assert time.monotonic() < until, "nobody asked for notifications"
            time.sleep(0.005)

    def send(self, value: bytes | int) -> bool:
        """Notify; a number goes as four signed bytes."""
        data = struct.pack("<i", value) if isinstance(value, int) else value
        return self.do(lambda s: s.notify(self.length, data))

    def drop(self) -> None:
        """Break the link."""
        self.do(lambda s: s.drop(self.indicator))

    def play(self, events: Iterable[Event], value_bytes: int, told: Callable[[Event], None]) -> None:
        """Play a simulated bench in real time: a notification for each value, a broken link for a pulled plug."""
        self.wait_for_listener()
        begin = time.monotonic()
        for event in events:
            time.sleep(max(0.0, begin + event.t - time.monotonic()))
            if event.kind == "data":
                values = [event.data[i : i + value_bytes] for i in range(0, len(event.data), value_bytes)]
                self.do(lambda s, values=values: [s.notify(self.length, v) for v in values])  # type: ignore[misc]
            elif event.kind == "unplug":
                self.indicator.advertising = False
                self.drop()
            elif event.kind == "replug":
                self.indicator.advertising = True
            told(event)
