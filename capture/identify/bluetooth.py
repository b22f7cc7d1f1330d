"""Listening to every characteristic of a Bluetooth indicator that might hold its reading."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterator
from contextlib import suppress
from decimal import Decimal
from itertools import pairwise
from typing import Any, TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from analysis.readings import Scale
from capture.decoders import Frame, GattLength
from capture.decoders.attribute_packets import notified, read
from capture.decoders.gatt_length import fraction_unit, is_length
from capture.errors import LinkLostError, SourceError
from capture.identify.ranking import Proposal, Sample
from capture.identify.watching import LOOK_S, Watch
from capture.sources.bluetooth.choosing import characteristics, description
from capture.sources.bluetooth.connection import ANSWER_S, CONNECT_S, DISCONNECT_S
from capture.sources.bluetooth.finding import Finder, Target, free_leftover
from capture.sources.bluetooth.reasons import explained
from capture.sources.bluetooth.source import forget_bus

_ASSIGNED = "-0000-1000-8000-00805f9b34fb"
_WIDTHS = (2, 3, 4, 6, 8)
"""Bytes of a whole number that may stand alone in a value."""

READ_EVERY_S = 0.1

_FINE = Decimal("1e-7")
_STEPS = tuple(Decimal(s) for s in ("0.01", "0.005", "0.001", "0.0005", "0.0001", "0.00005", "0.00001"))
_OFF = Decimal("0.02")
"""Share of a step by which a fraction may miss it."""

T = TypeVar("T")


def listen_to_all(source: str, seconds: float, watch: Watch | None = None) -> list[Sample]:
    """A sample of every characteristic, with profiles to try that bytes alone do not suggest.

    Raises
    ------
    SourceError
        If the indicator cannot be reached within that time.
    SearchCancelledError
        If `watch` was cancelled.
    """
    with asyncio.Runner() as runner:
        return runner.run(watched(_listen(source, seconds), Watch() if watch is None else watch))


async def watched(work: Coroutine[Any, Any, T], watch: Watch) -> T:
    """Do some work; end it early, and wait for its end, once the watch is cancelled.

    Raises
    ------
    SearchCancelledError
        If it was.
    """
    task = asyncio.ensure_future(work)
    while not task.done():
        if watch.cancelled:
            task.cancel()
            await asyncio.wait({task})
            break
        await asyncio.wait({task}, timeout=LOOK_S)
    watch.check()
    return task.result()


async def _listen(source: str, seconds: float) -> list[Sample]:
    target = Target(source.removeprefix("ble:"))
    until = asyncio.get_running_loop().time() + seconds
    await free_leftover(target)
    try:
        device = await Finder(target).find()
        client = BleakClient(device, timeout=CONNECT_S)
        try:
            async with asyncio.timeout(CONNECT_S):
                await client.connect()
            left = max(2.0, until - asyncio.get_running_loop().time())
            heard = [_Heard(client, c) for c in characteristics(client)]
            await asyncio.gather(*(h.listen(left) for h in heard))
            return [s for h in heard for s in h.samples()]
        finally:
            with suppress(Exception):
                async with asyncio.timeout(DISCONNECT_S):
                    await client.disconnect()
    except LinkLostError as e:
        raise SourceError(str(e)) from None
    except SourceError:
        raise
    except Exception as e:
        raise SourceError(str(explained(e, source))) from None
    finally:
        await forget_bus()


class _Heard:
    """One characteristic, and what it said."""

    def __init__(self, client: BleakClient, c: BleakGATTCharacteristic) -> None:
        self._client, self._c = client, c
        self._about: tuple[int, bytes] | None = None
        self._values: list[tuple[float, bytes]] = []
        self._tells = bool({"notify", "indicate"} & set(c.properties))
        self._begin = asyncio.get_running_loop().time()

    async def listen(self, seconds: float) -> None:
        """Take its values for a while: those it sends, or else those that can be read."""
        with suppress(Exception):
            async with asyncio.timeout(ANSWER_S):
                self._about = await description(self._client, self._c)
        described = self._about is not None and is_length(self._about[1])
        if self._c.uuid.endswith(_ASSIGNED) and not described:
            return
        with suppress(Exception):
            async with asyncio.timeout(seconds):
                if self._tells:
                    await self._client.start_notify(self._c, lambda _, value: self._take(bytes(value)))
                    await asyncio.sleep(seconds)
                while described and "read" in self._c.properties:
                    self._take(bytes(await self._client.read_gatt_char(self._c)))
                    await asyncio.sleep(READ_EVERY_S)

    def _take(self, value: bytes) -> None:
        self._values.append((asyncio.get_running_loop().time() - self._begin, value))

    def samples(self) -> list[Sample]:
        """Its bytes as the source would give them, with and without packets."""
        if not self._values:
            return []
        if self._about is not None and is_length(self._about[1]):
            about, packet = read(*self._about), notified if self._tells else read
            chunks = [(t, about + packet(self._c.handle, v)) for t, v in self._values]
            # It describes itself: no characteristic need be named.
            return [Sample(chunks, hints=list(_described(self._about[1], b"".join(d for _, d in chunks))))]
        line: dict[str, Any] = {"characteristic": self._c.uuid}
        found = [Sample(self._values, line)]
        widths = {len(v) for _, v in self._values}
        if len(widths) == 1 and next(iter(widths)) in _WIDTHS and not _is_text(self._values):
            chunks = [(t, notified(self._c.handle, v)) for t, v in self._values]
            found.append(Sample(chunks, line, self._counted(next(iter(widths)))))
        return found

    def _counted(self, width: int) -> list[Proposal]:
        """Whole numbers of the value's width, the order of bytes first in which they move least."""

        def moves(endian: Any) -> int:
            numbers = [int.from_bytes(v, endian, signed=True) for _, v in self._values]
            return sum(abs(b - a) for a, b in pairwise(numbers))

        base = {"use": "counted-binary", "layout": "vv" * width, "check": "none", "packets": "attribute"}
        orders = sorted(("little", "big"), key=moves)
        return [({**base, "endian": endian}, ["unit", "resolution"]) for endian in orders]


def _described(about: bytes, packets: bytes) -> Iterator[Proposal]:
    """Profiles for values that describe themselves; of a fraction, only the values tell the display's step."""
    unit = fraction_unit(about)
    if unit is None:
        yield {"use": "gatt-length"}, []
        return
    fine = GattLength(Scale(_FINE, unit))
    values = [Decimal(f.counts) * _FINE for f in fine.feed(packets) if isinstance(f, Frame)]
    step = next((s for s in _STEPS if all(abs(v - s * round(v / s)) <= _OFF * s for v in values)), _STEPS[-1])
    yield {"use": "gatt-length", "unit": unit, "resolution": float(step)}, ["resolution"]


def _is_text(values: list[tuple[float, bytes]]) -> bool:
    return all(32 <= b < 127 or b in (9, 10, 13) for _, v in values for b in v)
