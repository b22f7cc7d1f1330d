"""Check bytes of binary frames."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor
from typing import Any, Literal

from capture.decoders.fixed_frames import LayoutError

CRC_KEYS = {"width", "poly", "init", "reflected", "xorout"}
CRC_ALLOWED = (
    "{ width = 8, 16 or 32, poly = …, init = …, reflected = true or false, xorout = … }: the polynomial with its highest "
    "power first, its top bit left out; numbers that fit the width"
)


def is_crc(x: Any) -> bool:
    """Whether a table describes a cyclic redundancy check."""
    if not isinstance(x, Mapping) or x.keys() != CRC_KEYS or not isinstance(x["reflected"], bool):
        return False
    width = x["width"]
    numbers = [x[k] for k in ("poly", "init", "xorout")]
    whole = all(isinstance(n, int) and not isinstance(n, bool) for n in [width, *numbers])
    return whole and width in (8, 16, 32) and all(0 <= n < 1 << width for n in numbers)


def crc(width: int, poly: int, init: int, reflected: bool, xorout: int) -> Callable[[bytes], int]:
    """A cyclic redundancy check as a function of the bytes.

    Parameters
    ----------
    width : int
        Bits: 8, 16 or 32.
    poly : int
        Generator polynomial, highest power first, without its top bit.
    init : int
        Register at the beginning, highest power first.
    reflected : bool
        Whether bits go through lowest first, in and out.
    xorout : int
        What is added at the end.
    """
    table = [_shifted(n, width, poly, reflected) for n in range(256)]
    begin = int(f"{init:0{width}b}"[::-1], 2) if reflected else init
    mask = (1 << width) - 1

    def upwards(data: bytes) -> int:
        r = begin
        for b in data:
            r = ((r << 8) & mask) ^ table[(r >> (width - 8)) ^ b]
        return r ^ xorout

    def downwards(data: bytes) -> int:
        r = begin
        for b in data:
            r = (r >> 8) ^ table[(r ^ b) & 0xFF]
        return r ^ xorout

    return downwards if reflected else upwards


def _shifted(n: int, width: int, poly: int, reflected: bool) -> int:
    if reflected:
        mirrored = int(f"{poly:0{width}b}"[::-1], 2)
        for _ in range(8):
            n = (n >> 1) ^ (mirrored if n & 1 else 0)
        return n
    n <<= width - 8
    for _ in range(8):
        n = (n << 1) ^ (poly if n >> (width - 1) else 0)
        n &= (1 << width) - 1
    return n


def xor_of(data: bytes) -> int:
    """All bytes combined by exclusive or."""
    return reduce(xor, data, 0)


class FrameCheck:
    """Check bytes at a known place of a frame.

    Parameters
    ----------
    kind : {"none", "sum", "complement", "xor", "crc"}
        What they hold: a sum, or its two's complement, keeps as many bits as they have.
    place : slice
        Where they are; empty if there are none.
    start : int
        Bytes at the start that the check does not cover; it covers the rest up to the check bytes.
    endian : {"big", "little"}
        Of the check bytes.
    crc : mapping, optional
        ``width``, ``poly``, ``init``, ``reflected``, ``xorout``.
    sign : str
        How the layout names check bytes, for messages.

    Raises
    ------
    LayoutError
        If these do not go together.
    """

    def __init__(
        self,
        kind: str,
        place: slice,
        start: int = 0,
        endian: Literal["big", "little"] = "little",
        crc: Mapping[str, Any] | None = None,
        sign: str = "cc",
    ) -> None:
        self._place, self._start, self._endian = place, start, endian
        self._width = place.stop - place.start
        self._over = self._function(kind, crc, sign)

    def _function(self, kind: str, table: Mapping[str, Any] | None, sign: str) -> Callable[[bytes], int] | None:
        width = self._width
        if (kind == "none") != (width == 0):
            some = f'"sum", "complement", "xor" or "crc" with {sign} in the layout, or "none" without'
            raise LayoutError("check", some if width else f'"none" without {sign}')
        if kind == "none":
            return None
        if self._start >= self._place.start:
            raise LayoutError("check_from", "fewer bytes than stand before the check")
        if kind == "xor":
            if width != 1:
                raise LayoutError("layout", "one check byte with xor")
            return xor_of
        mask = (1 << 8 * width) - 1
        if kind == "sum":
            return lambda data: sum(data) & mask
        if kind == "complement":
            return lambda data: -sum(data) & mask
        if table is None or table["width"] != 8 * width:
            raise LayoutError("crc", f"a table with width = {8 * width}, for the layout has {width} check bytes")
        return _crc_of(table)

    def judge(self, data: bytes) -> str | None:
        """Why a frame is damaged; None if its check agrees, or it has none."""
        if self._over is None:
            return None
        stated = int.from_bytes(data[self._place], self._endian)
        wanted = self._over(data[self._start : self._place.start])
        digits = 2 * self._width
        return None if stated == wanted else f"check is {stated:0{digits}X}, should be {wanted:0{digits}X}"


def _crc_of(table: Mapping[str, Any]) -> Callable[[bytes], int]:
    return crc(**table)
