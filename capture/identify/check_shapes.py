"""Which check agrees with frames whose bytes are known and whose check is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Any, Literal

from capture.decoders.checks import FrameCheck, crc, xor_of

LEAST_DIFFERING = 5
"""Differing frames that must agree: by chance one byte does in one of 256."""

MOST_AGREE = 0.8
"""Share of frames whose check must agree; the others are damaged."""

FIRST = 6
"""Frames a check is first tried on."""

MOST_START = 3
"""Most bytes at the start that a check may leave out."""

_POLYNOMIALS = {
    8: (0x07, 0x31, 0x1D, 0x2F, 0x9B),
    16: (0x1021, 0x8005, 0x3D65, 0x8BB7),
    32: (0x04C11DB7, 0x1EDC6F41),
}
"""Those in common use; each is tried in either order of bits and with either start and end value."""


@dataclass(frozen=True)
class Check:
    """A check that agrees.

    Attributes
    ----------
    kind : str
        As in a profile.
    start : int
        Bytes it does not cover.
    endian : {"big", "little"}
    crc : dict or None
    """

    kind: str
    start: int
    endian: Literal["big", "little"]
    crc: dict[str, Any] | None = None

    def agrees(self, frame: bytes, place: slice) -> bool:
        """Whether it agrees with a frame that holds it at a place."""
        check = FrameCheck(self.kind, place, self.start, self.endian, self.crc)
        return check.judge(frame) is None


def check_of(frames: Sequence[bytes], place: slice) -> Check | None:
    """The check whose value these frames hold at a place; None if none agrees."""
    return agreeing([(f[: place.start], f[place]) for f in frames])


def agreeing(frames: Sequence[tuple[bytes, bytes]], endians: Sequence[str] = ("little", "big")) -> Check | None:
    """The check that agrees with most of some frames; None if none does.

    Parameters
    ----------
    frames : sequence of (bytes, bytes)
        What comes before the check, which perhaps does not cover some bytes at the start; and the check as sent.
    endians : sequence of str
        Orders of its bytes to try.
    """
    differing = list(set(frames))
    if len(differing) < LEAST_DIFFERING:
        return None
    width = len(differing[0][1])
    for endian in endians if width > 1 else endians[:1]:
        order: Any = endian
        stated = [int.from_bytes(check, order) for _, check in differing]
        for start in range(MOST_START + 1):
            covered = [body[start:] for body, _ in differing]
            if not all(covered):
                break
            for kind, table, over in _functions(width):
                first = sum(over(c) == s for c, s in zip(covered[:FIRST], stated[:FIRST], strict=True))
                if first < FIRST // 2:
                    continue
                agree = sum(over(c) == s for c, s in zip(covered, stated, strict=True))
                if agree >= max(LEAST_DIFFERING, MOST_AGREE * len(differing)):
                    return Check(kind, start, order, table)
    return None


def _functions(width: int) -> Iterator[tuple[str, dict[str, Any] | None, Callable[[bytes], int]]]:
    mask = (1 << 8 * width) - 1
    yield "sum", None, lambda data: sum(data) & mask
    yield "complement", None, lambda data: -sum(data) & mask
    if width == 1:
        yield "xor", None, xor_of
    for table, over in _crcs(8 * width):
        yield "crc", table, over


@cache
def _crcs(width: int) -> list[tuple[dict[str, Any], Callable[[bytes], int]]]:
    top = (1 << width) - 1
    tables: list[dict[str, Any]] = [
        {"width": width, "poly": poly, "init": init, "reflected": reflected, "xorout": xorout}
        for poly, init, reflected, xorout in product(_POLYNOMIALS.get(width, ()), (top, 0), (True, False), (0, top))
    ]
    return [(t, crc(**t)) for t in tables]
