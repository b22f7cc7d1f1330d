"""Values of Bluetooth characteristics, kept in the packets that carry them over the air.

The Bluetooth source writes each value as an attribute protocol packet in its basic link frame (Bluetooth Core Specification,
volume 3: part A, basic information frame; part F, attribute protocol), so that the raw stream says by itself where a value
ends and what describes it::

    length (2)  channel 4 (2)  0x1B  handle (2)  value            a notification
    length (2)  channel 4 (2)  0x09  size (1)  handle (2)  value  a value that was read
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from capture.decoders.contract import Damaged, Frame
from capture.decoders.fixed_frames import LONGEST_JUNK

CHANNEL = b"\x04\x00"
NOTIFIED, READ = 0x1B, 0x09
LONGEST_VALUE = 512
"""As long as an attribute may be."""

DESCRIPTION_BYTES = 7
"""Bytes of a Presentation Format descriptor; no number it can describe is as long."""


def notified(handle: int, value: bytes) -> bytes:
    """Packet of a notification."""
    return _framed(bytes([NOTIFIED]) + _handle(handle) + value)


def read(handle: int, value: bytes) -> bytes:
    """Packet of a value that was read."""
    return _framed(bytes([READ, min(255, 2 + len(value))]) + _handle(handle) + value)


def values_in(data: bytes) -> Iterator[bytes]:
    """The values in a piece of whole packets, descriptions left out; ends at what is no packet."""
    while len(data) >= 8 and data[2:4] == CHANNEL and data[4] in (NOTIFIED, READ):
        end = 4 + int.from_bytes(data[:2], "little")
        value = data[7:end] if data[4] == NOTIFIED else data[8:end]
        if data[4] == NOTIFIED or len(value) != DESCRIPTION_BYTES:
            yield value
        data = data[end:]


def _handle(handle: int) -> bytes:
    return (handle & 0xFFFF).to_bytes(2, "little")


def _framed(pdu: bytes) -> bytes:
    return len(pdu).to_bytes(2, "little") + CHANNEL + pdu


class AttributePackets:
    """Decoder for such packets.

    Parameters
    ----------
    value : callable
        Gives the reading in a characteristic's value, or why there is none.
    description : callable, optional
        Takes a Presentation Format descriptor that was read.
    """

    def __init__(
        self, value: Callable[[bytes], Frame | str], description: Callable[[bytes], None] | None = None
    ) -> None:
        self._value = value
        self._description = description
        self._held = bytearray()
        self._junk = bytearray()
        self._fresh = False

    def reset(self) -> None:
        """Forget half a packet."""
        self._held.clear()
        self._junk.clear()
        self._fresh = True

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        out: list[Frame | Damaged] = []
        self._held += data
        while len(self._held) >= 8:
            size = self._size()
            if size == 0:
                self._junk.append(self._held.pop(0))
                if len(self._junk) >= LONGEST_JUNK:
                    self._report(out)
                continue
            if len(self._held) < size:
                break
            packet = bytes(self._held[:size])
            del self._held[:size]
            self._report(out)
            self._take(packet, out)
        return out

    def _size(self) -> int:
        """Bytes of the packet at the front; 0 if none begins there."""
        held = self._held
        size = int.from_bytes(held[:2], "little")
        if held[2:4] != CHANNEL:
            return 0
        if held[4] == NOTIFIED:
            return size + 4 if 4 <= size <= 3 + LONGEST_VALUE else 0
        if held[4] == READ:
            return size + 4 if 5 <= size <= 4 + LONGEST_VALUE and held[5] == min(255, size - 2) else 0
        return 0

    def _take(self, packet: bytes, out: list[Frame | Damaged]) -> None:
        value = packet[7:] if packet[4] == NOTIFIED else packet[8:]
        if packet[4] == READ and len(value) == DESCRIPTION_BYTES and self._description is not None:
            self._description(value)
            return
        item = self._value(value)
        out.append(item if isinstance(item, Frame) else Damaged(item, packet, self._fresh))
        self._fresh = False

    def _report(self, out: list[Frame | Damaged]) -> None:
        if self._junk:
            out.append(Damaged("no packet begins here", bytes(self._junk), self._fresh))
            self._junk.clear()
            self._fresh = False
