"""Binary frames of one size: where they begin, what in them stays, what checks them, and which part is the length.

Nothing is sure of what is found so but a check that agrees: what the bytes do not tell is named as a guess.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from capture.decoders.attribute_packets import values_in
from capture.identify.check_shapes import Check, check_of
from capture.identify.number_shapes import digits_in, numbers_in
from capture.identify.ranking import Proposal

SIZES = range(3, 33)
LEAST_ROWS = 6
LEAST_HALF = 100
"""Bytes of a half that is looked at by itself."""

STAYS = 0.9
"""Share of frames in which a byte that stays is the same."""

_FILLERS = (0x00, 0xFF)
"""Upper bytes of a small number: no frame is known by them."""


@dataclass(frozen=True)
class Frames:
    """Bytes cut into frames.

    Attributes
    ----------
    rows : list of bytes
    stays : list of (int or None)
        The byte at each place, where it stays the same.
    check_at : slice
        Empty if there is none.
    check : Check or None
    """

    rows: list[bytes]
    stays: list[int | None]
    check_at: slice
    check: Check | None

    @property
    def head(self) -> int:
        """Bytes at the start that stay and may mark it."""
        n = 0
        while n < len(self.stays) and self.stays[n] is not None and (n == 0 or self.stays[n] not in _FILLERS):
            n += 1
        return n

    @property
    def tail(self) -> int:
        """Where the bytes at the end begin that stay or check."""
        end = self.check_at.start if self.check is not None else len(self.stays)
        while end > self.head and self.stays[end - 1] is not None and self.stays[end - 1] not in _FILLERS:
            end -= 1
        return end

    def checked_by(self) -> dict[str, Any]:
        """Profile keys of the check."""
        c = self.check
        if c is None:
            return {"check": "none"}
        return {"check": c.kind, "check_from": c.start, "check_endian": c.endian} | ({"crc": c.crc} if c.crc else {})


def frame_proposals(data: bytes) -> Iterator[Proposal]:
    """Profiles for bytes that are frames of one size; the likelier first."""
    if next(values_in(data), None) is not None:
        return
    for size in _sizes(_undisturbed(data)):
        for frames in _cut(_undisturbed(data), size):
            packed = list(digits_in(frames))
            yield from packed
            if not packed:
                yield from numbers_in(frames)
            if frames.check is not None:
                return


def _undisturbed(data: bytes) -> bytes:
    """The half of some bytes whose places repeat best, where a byte that was lost shifts all after it."""
    half = len(data) // 2
    parts = [data, data[:half], data[half:]] if half >= LEAST_HALF else [data]
    return next((p for p in parts if _sizes_by_bytes(p)), data)


def _sizes(data: bytes) -> list[int]:
    """Sizes at which some byte of each frame stays the same, and one does not; half a byte where no whole one does."""
    found = _sizes_by_bytes(data)
    if not found:
        found = [s for s in SIZES if len(data) // s >= LEAST_ROWS and _half_stays(data, s)]
    return [s for s in found if not any(s % t == 0 for t in found if t < s)][:2]


def _sizes_by_bytes(data: bytes) -> list[int]:
    found = []
    for size in SIZES:
        if len(data) // size < LEAST_ROWS:
            break
        stays = _staying(_rows(data, size))
        if None in stays and any(s is not None and s not in _FILLERS for s in stays):
            found.append(size)
    return found


def _half_stays(data: bytes, size: int) -> bool:
    """Whether a half of some byte stays the same, and is none of a number's upper ones."""
    return any(len({b >> shift & 15 for b in data[at::size]} | {0}) == 2 for at in range(size) for shift in (4, 0))


def _staying(rows: list[bytes]) -> list[int | None]:
    out: list[int | None] = []
    for column in zip(*rows, strict=True):
        usual = max(set(column), key=column.count)
        out.append(usual if column.count(usual) >= STAYS * len(column) else None)
    return out


def _cut(data: bytes, size: int) -> Iterator[Frames]:
    """Frames from every byte that may begin them: those with a check that agrees, or else the likeliest."""
    bare: list[tuple[int, Frames]] = []
    starts = [(at, _staying(_rows(data[at:], size))) for at in range(size)]
    likely = [(at, s) for at, s in starts if s and _marked(data[at:], size, s[0])]
    # A sum agrees with a frame however it is turned round: the best marked one first.
    for _, stays in sorted(likely, key=lambda f: -_worth_as_start(f[1])):
        rows = _found(data, size, stays)
        for place in _check_places(stays):
            check = check_of(rows, place)
            if check is not None:
                yield Frames([r for r in rows if check.agrees(r, place)], stays, place, check)
                return
        bare.append((_worth_as_start(stays), Frames(rows, stays, slice(0, 0), None)))
    if bare:
        yield max(bare, key=lambda f: f[0])[1]


def _rows(data: bytes, size: int) -> list[bytes]:
    return [data[i : i + size] for i in range(0, len(data) - size + 1, size)]


def _found(data: bytes, size: int, stays: list[int | None]) -> list[bytes]:
    """Frames wherever they are: where bytes were lost or added, the next ones begin at another place."""
    fixed = [(n, s) for n, s in enumerate(stays) if s is not None]
    out, at = [], 0
    while at + size <= len(data):
        if fixed and all(data[at + n] == s for n, s in fixed):
            out.append(data[at : at + size])
            at += size
        else:
            at += 1
    return out if len(out) >= LEAST_ROWS else _rows(data, size)


def _marked(data: bytes, size: int, first: int | None) -> bool:
    """Whether a frame may begin so: with a byte that stays, or half a one."""
    if first is not None:
        return bool(first)
    return len({b >> 4 for b in data[::size]} | {0}) == 2


def _check_places(stays: list[int | None]) -> Iterator[slice]:
    """Where a check may be: at the end, or before bytes that end the frame."""
    size = len(stays)
    for after in (0, 1, 2):
        if after and stays[size - after] is None:
            return
        for width in (2, 1, 4):
            begin, end = size - after - width, size - after
            if begin >= 2 and None in stays[begin:end]:
                yield slice(begin, end)


def _worth_as_start(stays: list[int | None]) -> int:
    """How well a frame that begins so would be marked: by bytes that stay at its start, or by a line end at its end."""
    n = 0
    while n < len(stays) and stays[n]:
        n += 1
    return 2 * n - (stays[0] == 0xFF) + (2 * len(stays) if stays[-2:] == [0x0D, 0x0A] else 0)
