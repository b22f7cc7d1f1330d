"""Which bytes of a frame are the length: the ones that move smoothly, as counts, binary fractions or packed digits."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

from capture.identify.ranking import Proposal
from capture.identify.smoothness import RANDOM, counts_up, roughness

if TYPE_CHECKING:
    from capture.identify.frame_shapes import Frames

STEPS: tuple[tuple[str, float], ...] = (
    ("mm", 0.001),
    ("mm", 0.01),
    ("in", 0.0001),
    ("mm", 0.0005),
    ("mm", 0.0001),
    ("in", 0.00005),
    ("in", 0.0005),
)
"""What a count may stand for; only the display tells."""

PLACES: tuple[tuple[str, int], ...] = (("mm", 3), ("mm", 2), ("in", 4), ("in", 5))

_SMALL = 1e-6
_LARGE = 1e4
_LEAST_VALUES = 5
"""Different values from which on a place is more than a state."""

_FULL = 0.25
"""Share of what the bytes can hold that no length takes up."""

_MIRRORED = [int(f"{n:04b}"[::-1], 2) for n in range(16)]


@dataclass(frozen=True)
class _Reading:
    """A way to read some bytes as a number: how rough it is, and its profile keys."""

    rough: float
    keys: dict[str, Any]
    first: int
    width: int


def numbers_in(frames: Frames) -> Iterator[Proposal]:
    """Profiles that read a binary number out of frames."""
    inside = range(frames.head, frames.tail)
    moving = [c for c in inside if frames.stays[c] is None and not counts_up([r[c] for r in frames.rows], 256)]
    found = [r for r in _readings(frames, moving) if r.rough < RANDOM]
    if not found:
        return
    # What is left out of a number makes it jump only where a carry happens: the one that leaves least out, and of these the smoothest.
    one = min(
        found,
        key=lambda r: (-_covered(r, moving), "number" not in r.keys, round(r.rough, 2), "_sign_at" in r.keys, r.width),
    )
    cells = _cells(frames, one)
    keys = {"use": "counted-binary", "layout": " ".join(cells), **one.keys, **frames.checked_by()}
    unsure = ["layout"] if frames.check is None else []
    for unit, step in STEPS:
        yield {**keys, "unit": unit, "resolution": step}, ["unit", "resolution", *unsure]


def _covered(r: _Reading, moving: Sequence[int]) -> int:
    return sum(r.first <= c < r.first + r.width or c == r.keys.get("_sign_at") for c in moving)


def _readings(frames: Frames, moving: list[int]) -> Iterator[_Reading]:
    if not moving:
        return
    for width, first in product((1, 2, 3, 4, 8), range(frames.head, frames.tail)):
        if first + width > frames.tail or not any(first <= c < first + width for c in moving):
            continue
        pieces = [r[first : first + width] for r in frames.rows]
        if any(c not in moving and frames.stays[c] is None for c in range(first, first + width)):
            continue
        for endian in ("little", "big") if width > 1 else ("little",):
            # The lowest byte of a number that moves is never the same for long.
            lowest = 0 if endian == "little" else width - 1
            if len({p[lowest] for p in pieces}) < _LEAST_VALUES:
                continue
            yield from _as_fraction(pieces, first, endian)
            if width <= 4:
                yield from _as_counts(pieces, first, endian, _sign_of(frames, first, width))


def _as_fraction(pieces: list[bytes], first: int, endian: Any) -> Iterator[_Reading]:
    width = len(pieces[0])
    if width not in (4, 8):
        return
    form = ("<" if endian == "little" else ">") + ("f" if width == 4 else "d")
    numbers = [struct.unpack(form, p)[0] for p in pieces]
    # Whole numbers taken for a fraction are next to nothing, most of them.
    if all(math.isfinite(x) and (x == 0 or _SMALL < abs(x) < _LARGE) for x in numbers):
        yield _Reading(roughness(numbers), {"number": "float", "endian": endian}, first, width)


def _as_counts(
    pieces: list[bytes], first: int, endian: Any, sign_at: tuple[int, list[bool]] | None
) -> Iterator[_Reading]:
    width = len(pieces[0])
    top = 1 << (8 * width - 1)
    plain = [int.from_bytes(p, endian) for p in pieces]
    ways = {
        "twos-complement": [n - 2 * top if n & top else n for n in plain],
        "magnitude": [top - n if n & top else n for n in plain],
        "offset": [n - top for n in plain],
    }
    rough = {way: roughness(numbers) for way, numbers in ways.items() if _room(numbers, top)}
    if rough:
        way = min(rough, key=lambda w: round(rough[w], 6))
        yield _Reading(rough[way], {"sign": way, "endian": endian}, first, width)
    if sign_at is not None and _room(plain, 2 * top):
        place, minus = sign_at
        signed = [-n if m else n for n, m in zip(plain, minus, strict=True)]
        keys = {"sign": "unsigned", "endian": endian, "_sign_at": place}
        yield _Reading(roughness(signed), keys, first, width)


def _room(numbers: list[int], top: int) -> bool:
    """Whether a length that is shown in these bytes would leave them room; a single byte is all in use."""
    return top <= 128 or max(abs(n) for n in numbers) < _FULL * 2 * top


def _sign_of(frames: Frames, first: int, width: int) -> tuple[int, list[bool]] | None:
    """A byte beside a number that has two values, and in which frames it has the rarer one."""
    for place in (first - 1, first + width):
        if frames.head <= place < frames.tail and frames.stays[place] is None:
            column = [r[place] for r in frames.rows]
            if len(set(column)) == 2 and set(column) != {0x00, 0xFF}:
                rarer = min(set(column), key=column.count)
                return place, [b == rarer for b in column]
    return None


def _cells(frames: Frames, one: _Reading) -> list[str]:
    """The layout, in which what stays inside the frame may change some day."""
    inside = range(frames.head, frames.tail)
    cells = ["--" if c in inside or s is None else f"{s:02X}" for c, s in enumerate(frames.stays)]
    first, width = _widened(frames, one)
    cells[first : first + width] = ["vv"] * width
    if frames.check is not None:
        at = frames.check_at
        cells[at] = ["cc"] * (at.stop - at.start)
    sign_at = one.keys.pop("_sign_at", None)
    if sign_at is not None:
        column = [r[sign_at] for r in frames.rows]
        rarer = min(set(column), key=column.count)
        cells[sign_at] = "ss"
        one.keys["minus"] = [rarer]
        one.keys["plus"] = sorted(set(column) - {rarer})
    return cells


def _widened(frames: Frames, one: _Reading) -> tuple[int, int]:
    """The number with the upper bytes beside it that did not move: they are its sign and what it has not reached yet."""
    first, width = one.first, one.width
    if one.keys.get("number") == "float" or one.keys["sign"] != "twos-complement":
        return first, width
    big = one.keys["endian"] == "big"
    while width < 4:
        place = first - 1 if big else first + width
        if not frames.head <= place < frames.tail or not all(
            _extends(r, place, first, width, big) for r in frames.rows
        ):
            break
        first, width = (place if big else first), width + 1
    return first, width


def _extends(row: bytes, place: int, first: int, width: int, big: bool) -> bool:
    highest = row[first] if big else row[first + width - 1]
    return row[place] == (0xFF if highest & 0x80 else 0x00)


# packed digits


def digits_in(frames: Frames) -> Iterator[Proposal]:
    """Profiles that read packed digits out of frames."""
    ways = ("one-a-byte",) if max(map(max, frames.rows)) < 16 else ("high-first", "low-first")
    found = [d for n, b in product(ways, ("high-first", "low-first")) for d in _digits(frames, n, b)]
    if not found:
        return
    _, keys = min(found, key=lambda d: d[0])
    for unit, places in PLACES:
        guessed = ["unit", "places", *(["minus"] if "minus" in keys else []), *([] if frames.check else ["layout"])]
        yield {**keys, "unit": unit, "places": places, "resolution": float(f"1e-{places}")}, guessed


def _nibbles(row: bytes, nibbles: str, bits: str) -> list[int]:
    if nibbles == "one-a-byte":
        out = list(row)
    else:
        halves = [(b >> 4, b & 15) for b in row]
        out = [n for high, low in halves for n in ((high, low) if nibbles == "high-first" else (low, high))]
    return [_MIRRORED[n] if n < 16 else n for n in out] if bits == "low-first" else out


def _digits(frames: Frames, nibbles: str, bits: str) -> Iterator[tuple[float, dict[str, Any]]]:
    """Ways to read digits with these orders, and how rough each is."""
    per_byte = 1 if nibbles == "one-a-byte" else 2
    end = frames.check_at.start if frames.check is not None else len(frames.stays)
    rows = [_nibbles(r[:end], nibbles, bits) for r in frames.rows]
    if per_byte == 1 and (max(map(max, rows)) > 15 or frames.check is not None):
        return
    columns = list(zip(*rows, strict=True))
    moving = [n for n, c in enumerate(columns) if len(set(c)) > 1 and n >= per_byte * frames.head]
    lively = [n for n in moving if len(set(columns[n])) > 4 and max(columns[n]) <= 9]
    if len(lively) < 2 or any(max(columns[n]) > 9 and len(set(columns[n])) > 4 for n in moving):
        return
    first, last = min(lively), max(lively)
    if any(len(set(c)) < 3 for c in columns[first : last + 1]):
        return
    for order in ("high-first", "low-first"):
        a, b = _digit_run(columns, first, last, order)
        signs = [n for n in moving if not a <= n <= b and len(set(columns[n])) == 2]
        numbers = [int("".join(map(str, r[a : b + 1] if order == "high-first" else r[a : b + 1][::-1]))) for r in rows]
        minus = min(set(columns[signs[0]]), key=columns[signs[0]].count) if signs else -1
        signed = [-n if signs and r[signs[0]] == minus else n for n, r in zip(numbers, rows, strict=True)]
        if roughness(signed) >= RANDOM:
            continue
        letters = [f"{c[0]:X}" if len(set(c)) == 1 else "-" for c in columns]
        letters[a : b + 1] = "d" * (b + 1 - a)
        if signs:
            letters[signs[0]] = "s"
        letters += ["c"] * (2 * (frames.check_at.stop - frames.check_at.start) if frames.check is not None else 0)
        letters += [f"{n:X}" for n in _nibbles(frames.rows[0][max(end, frames.check_at.stop) :], nibbles, bits)]
        keys: dict[str, Any] = {
            "use": "packed-decimal",
            "layout": "".join(letters),
            "nibbles": nibbles,
            "bits": bits,
            "digits": order,
        }
        keys |= frames.checked_by() if frames.check is not None else {}
        if signs:
            keys |= {"minus": [minus], "plus": sorted(set(columns[signs[0]]) - {minus})}
        yield roughness(signed), keys


def _digit_run(columns: list[tuple[int, ...]], first: int, last: int, order: str) -> tuple[int, int]:
    """The digits that move, with the upper ones beside them that did not: noughts."""

    def idle(n: int) -> bool:
        return 0 <= n < len(columns) and max(columns[n]) <= 9 and (set(columns[n]) == {0} or len(set(columns[n])) > 2)

    while order == "high-first" and last - first < 5 and idle(first - 1):
        first -= 1
    while order == "low-first" and last - first < 5 and idle(last + 1):
        last += 1
    return first, last
