"""Check bytes of binary frames."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor
from typing import Any

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
