"""Decimal digits packed four bits each, with sign, point and unit in nibbles of their own.

The layout has one character a nibble, in the order in which they are sent::

    0-9 A-F   a fixed nibble          d   a digit             p   where the point is
    s         the sign                u   the unit            b   sign and unit in one
    -         anything                c   half a check byte (blanks do not count)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Literal

from analysis.readings import Scale, Unit
from capture.decoders.checks import FrameCheck
from capture.decoders.contract import Damaged, Frame
from capture.decoders.fixed_frames import LONGEST_FRAME, FixedFrames, LayoutError, distinct
from capture.decoders.scales import Scales, checked, counted

MOST_DIGITS = 12
MOST_PLACES = 6
LETTERS = "sdpubc-"
LAYOUT_ALLOWED = (
    "one character a nibble: 0-9 and A-F fixed, d digit (1 to 12 of them), s sign, p point, u unit, b sign and unit in one "
    "(each at most once, and b instead of s and u), c check (whole bytes together), - anything; at least one fixed; whole bytes, "
    "at most 64"
)
_MIRRORED = [int(f"{n:04b}"[::-1], 2) for n in range(16)]


class PackedDecimal:
    """Decoder for packed decimal digits.

    Parameters
    ----------
    scale : Scale
        Unit and step where the frame does not carry them.
    layout : str
    nibbles : {"high-first", "low-first", "one-a-byte"}
        Which half of a byte was sent first; or a byte for each nibble.
    bits : {"high-first", "low-first"}
        Whether the first bit of a nibble is worth 8 or 1.
    digits : {"high-first", "low-first"}
        Which digit comes first.
    plus, minus, mm, inch : sequence of int
        Nibbles that stand for each.
    point_from : {"right", "left"}
        Whether the point nibble counts the digits after the point or before it.
    places : int, optional
        Decimal places where no nibble tells; without them the digits count display steps.
    steps : dict, optional
        Display step by unit.
    check, check_from, check_endian, crc
        What the check bytes hold, see `FrameCheck`.

    Raises
    ------
    LayoutError
        If no frame is described.
    """

    def __init__(
        self,
        scale: Scale,
        *,
        layout: str,
        nibbles: str = "high-first",
        bits: str = "high-first",
        digits: str = "high-first",
        plus: Sequence[int] = (10, 12, 14, 15),
        minus: Sequence[int] = (11, 13),
        mm: Sequence[int] = (0,),
        inch: Sequence[int] = (1,),
        point_from: str = "right",
        places: int | None = None,
        steps: dict[Unit, Decimal] | None = None,
        check: str = "none",
        check_from: int = 0,
        check_endian: Literal["big", "little"] = "little",
        crc: Mapping[str, Any] | None = None,
    ) -> None:
        letters = "".join(layout.split())
        _check_layout(letters, nibbles)
        self._letters = letters
        self._fixed = [(at, int(c, 16)) for at, c in enumerate(letters) if c not in LETTERS]
        self._digits = [at for at, c in enumerate(letters) if c == "d"]
        if digits == "low-first":
            self._digits.reverse()
        self._at = {c: at for at, c in enumerate(letters) if c in "spub"}
        self._sign_at = self._at.get("s", self._at.get("b"))
        self._unit_at = self._at.get("u", self._at.get("b"))
        self._minus_of = _either("minus", plus, "plus", minus, self._sign_at is not None)
        unit_of = _either("inch", mm, "mm", inch, self._unit_at is not None)
        self._unit_of: dict[int, Unit] = {n: "in" if inches else "mm" for n, inches in unit_of.items()}
        self._one_a_byte = nibbles == "one-a-byte"
        self._low_nibble_first = nibbles == "low-first"
        self._mirror = bits == "low-first"
        self._point_from_left = point_from == "left"
        self._places = places
        self._scales = Scales(scale, steps)
        self._check = FrameCheck(check, _check_bytes(letters, nibbles), check_from, check_endian, crc, "c")
        size = len(letters) if self._one_a_byte else len(letters) // 2
        self._frames = FixedFrames(size, self._judge, distinct(self._possible(), 1 if self._one_a_byte else 2))

    def reset(self) -> None:
        """Forget half a frame."""
        self._frames.reset()

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        return self._frames.feed(data)

    def _possible(self) -> list[frozenset[int] | None]:
        """What may stand at each place of the layout."""
        top = len(self._digits) if self._point_from_left else min(MOST_PLACES, len(self._digits))
        both = frozenset(self._minus_of) & frozenset(self._unit_of)
        kinds: dict[str, frozenset[int] | None] = {
            "-": None,
            "c": None,
            "d": frozenset(range(10)),
            "s": frozenset(self._minus_of),
            "u": frozenset(self._unit_of),
            "b": both,
            "p": frozenset(range(top + 1)),
        }
        return [kinds[c] if c in kinds else frozenset([int(c, 16)]) for c in self._letters]

    def _nibbles(self, data: bytes) -> list[int]:
        if self._one_a_byte:
            out = list(data)
        elif self._low_nibble_first:
            out = [n for b in data for n in (b & 15, b >> 4)]
        else:
            out = [n for b in data for n in (b >> 4, b & 15)]
        return [_MIRRORED[n] if n < 16 else n for n in out] if self._mirror else out

    def _judge(self, data: bytes) -> Frame | str:
        nibbles = self._nibbles(data)
        if any(nibbles[at] != wanted for at, wanted in self._fixed):
            return "no frame begins here"
        if (why := self._check.judge(data)) is not None:
            return why
        if max(nibbles) > 15:
            return "a byte with more than a nibble in it"
        number = 0
        for at in self._digits:
            if nibbles[at] > 9:
                return f"{nibbles[at]:X} is no digit"
            number = 10 * number + nibbles[at]
        if self._sign_at is not None:
            minus = self._minus_of.get(nibbles[self._sign_at])
            if minus is None:
                return f"{nibbles[self._sign_at]:X} is no sign"
            number = -number if minus else number
        unit: Unit | None = self._scales.unit
        if self._unit_at is not None:
            unit = self._unit_of.get(nibbles[self._unit_at])
            if unit is None:
                return f"{nibbles[self._unit_at]:X} is no unit"
        assert unit is not None
        return self._valued(number, unit, nibbles)

    def _valued(self, number: int, unit: Unit, nibbles: list[int]) -> Frame | str:
        places = self._places
        if "p" in self._at:
            given = nibbles[self._at["p"]]
            places = len(self._digits) - given if self._point_from_left else given
            if not 0 <= places <= min(MOST_PLACES, len(self._digits)):
                return f"{given:X} is no place for the point"
        if places is None:
            scale = self._scales.stated(unit)
            if scale is None:
                return f"unit is {unit}, but the profile has no step_{unit}"
            return checked(number, scale)
        return counted(Decimal(number).scaleb(-places), self._scales.of_digits(unit, places))


def _check_layout(letters: str, nibbles: str) -> None:
    once = [letters.count(c) for c in "spub"]
    good = (
        all(c in "0123456789ABCDEF" + LETTERS for c in letters)
        and 1 <= letters.count("d") <= MOST_DIGITS
        and max(once) <= 1
        and not ("b" in letters and ("s" in letters or "u" in letters))
        and any(c not in LETTERS for c in letters)
    )
    size = len(letters) if nibbles == "one-a-byte" else len(letters) / 2
    if not good or size != int(size) or size > LONGEST_FRAME:
        raise LayoutError("layout", LAYOUT_ALLOWED)


def _either(key: str, no: Sequence[int], other: str, yes: Sequence[int], used: bool) -> dict[int, bool]:
    if not used:
        return {}
    if set(no) & set(yes):
        raise LayoutError(key, f"nibbles that do not also stand in {other}")
    return dict.fromkeys(no, False) | dict.fromkeys(yes, True)


def _check_bytes(letters: str, nibbles: str) -> slice:
    """Where the check bytes are.  Each is a whole byte, so it has no place where a byte holds one nibble."""
    if "c" not in letters:
        return slice(0, 0)
    first, last = letters.index("c"), letters.rindex("c") + 1
    if nibbles == "one-a-byte" or first % 2 or last % 2 or set(letters[first:last]) != {"c"} or last - first > 8:
        raise LayoutError("layout", 'c together in one to four whole bytes, and none with nibbles = "one-a-byte"')
    return slice(first // 2, last // 2)
