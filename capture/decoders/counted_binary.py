"""Numbers in binary: counts of a known step, or binary fractions of the unit.

The layout has two characters a byte, in the order in which they are sent::

    00-FF   a fixed byte            vv   a byte of the value (1 to 8, together)    ss   the sign
    --      anything                cc   a check byte (together)                   uu   the unit
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Literal

from analysis.readings import Scale, Unit
from capture.decoders.checks import FrameCheck
from capture.decoders.contract import Damaged, Frame
from capture.decoders.fixed_frames import LONGEST_FRAME, FixedFrames, LayoutError, distinct
from capture.decoders.scales import Scales, checked, nearest

ENOUGH_BITS = 24
"""Fixed and check bits that make a frame known by itself: by chance one place in sixteen million looks like one."""

LAYOUT_ALLOWED = (
    "two characters a byte: hex digits 0-9 A-F fixed, vv value (1 to 8 bytes together), cc check (together), ss sign and uu "
    "unit (each at most once), -- anything; at most 64 bytes"
)


class CountedBinary:
    """Decoder for whole numbers in binary.

    Parameters
    ----------
    scale : Scale
        Step a count stands for, and its unit, where the frame does not carry the unit.
    layout : str
    endian, check_endian : {"big", "little"}
        Of the value, and of the check bytes where they differ from it.
    number : {"whole", "float"}
        Counts of the step; or a binary fraction (IEEE 754) in four or eight bytes, read to the nearest step.
    power : int
        A fraction is multiplied by this power of ten.
    sign : {"twos-complement", "magnitude", "offset", "unsigned"}
        How a negative whole number is written: "magnitude" has it in the top bit, "offset" counts from the lowest value.  A sign byte
        in the layout needs "unsigned".
    plus, minus, mm, inch : sequence of int
        Bytes that stand for each, where the layout has a sign or unit byte.
    check : {"none", "sum", "complement", "xor", "crc"}
        What the check bytes hold: a sum, or its two's complement, keeps as many bits as they have.
    check_from : int
        Bytes at the start that the check does not cover; it covers the rest up to the check bytes.
    crc : mapping, optional
        ``width``, ``poly``, ``init``, ``reflected``, ``xorout``.
    steps : dict, optional
        Step of a count by unit.
    packets : bool
        Each frame comes by itself in a packet of known length, so nothing in it need tell where it begins.

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
        endian: Literal["big", "little"] = "little",
        check_endian: Literal["big", "little"] | None = None,
        number: str = "whole",
        power: int = 0,
        sign: str = "twos-complement",
        plus: Sequence[int] = (0,),
        minus: Sequence[int] = (1,),
        mm: Sequence[int] = (0,),
        inch: Sequence[int] = (1,),
        check: str = "none",
        check_from: int = 0,
        crc: Mapping[str, Any] | None = None,
        steps: dict[Unit, Decimal] | None = None,
        packets: bool = False,
    ) -> None:
        letters = "".join(layout.split())
        self._bytes = [letters[i : i + 2] for i in range(0, len(letters), 2)]
        _check_layout(self._bytes)
        self.size = len(self._bytes)
        self._fixed = [(at, int(c, 16)) for at, c in enumerate(self._bytes) if c not in ("vv", "cc", "ss", "uu", "--")]
        self._value = _run(self._bytes, "vv")
        checked_by = _run(self._bytes, "cc")
        self._check = FrameCheck(check, checked_by, check_from, check_endian or endian, crc)
        self._sign_at = self._bytes.index("ss") if "ss" in self._bytes else None
        self._unit_at = self._bytes.index("uu") if "uu" in self._bytes else None
        if self._sign_at is not None and sign != "unsigned":
            raise LayoutError("sign", '"unsigned", because the layout has a sign byte')
        self._sign = sign
        self._endian: Literal["big", "little"] = endian
        self._fraction = self._fraction_of(number)
        self._power = power
        self._minus = _either("minus", plus, "plus", minus, self._sign_at is not None)
        units = _either("inch", mm, "mm", inch, self._unit_at is not None)
        self._unit_of: dict[int, Unit] = {n: "in" if inches else "mm" for n, inches in units.items()}
        self._scales = Scales(scale, steps)
        bits = 8 * (len(self._fixed) + (checked_by.stop - checked_by.start))
        if bits == 0 and not packets:
            raise LayoutError(
                "layout",
                'a fixed byte or a check byte, for without one nothing tells where a frame begins (or packets = "attribute")',
            )
        self._frames = FixedFrames(self.size, self.judge, bits >= ENOUGH_BITS or distinct(self._possible()))

    def reset(self) -> None:
        """Forget half a frame."""
        self._frames.reset()

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        return self._frames.feed(data)

    def _possible(self) -> list[frozenset[int] | None]:
        kinds = {"ss": frozenset(self._minus), "uu": frozenset(self._unit_of)}
        free = ("vv", "cc", "--")
        return [None if c in free else kinds[c] if c in kinds else frozenset([int(c, 16)]) for c in self._bytes]

    def judge(self, data: bytes) -> Frame | str:
        """Value of one frame of `size` bytes, or why it is none."""
        if any(data[at] != wanted for at, wanted in self._fixed):
            return "no frame begins here"
        if (why := self._check.judge(data)) is not None:
            return why
        minus = False
        if self._sign_at is not None:
            known = self._minus.get(data[self._sign_at])
            if known is None:
                return f"{data[self._sign_at]:02X} is no sign"
            minus = known
        unit: Unit | None = self._scales.unit
        if self._unit_at is not None:
            unit = self._unit_of.get(data[self._unit_at])
            if unit is None:
                return f"{data[self._unit_at]:02X} is no unit"
        assert unit is not None
        scale = self._scales.stated(unit)
        if scale is None:
            return f"unit is {unit}, but the profile has no step_{unit}"
        if self._fraction:
            (number,) = struct.unpack(self._fraction, data[self._value])
            return nearest(-number if minus else number, scale, self._power)
        counts = self._counts(data[self._value])
        return checked(-counts if minus else counts, scale)

    def _fraction_of(self, number: str) -> str:
        """How a binary fraction is unpacked; nothing for whole numbers."""
        if number == "whole":
            return ""
        width = self._value.stop - self._value.start
        if width not in (4, 8):
            raise LayoutError("layout", 'four or eight bytes vv, for number = "float"')
        return (">" if self._endian == "big" else "<") + ("f" if width == 4 else "d")

    def _counts(self, data: bytes) -> int:
        counts = int.from_bytes(data, self._endian, signed=self._sign == "twos-complement")
        top = 1 << (8 * len(data) - 1)
        if self._sign == "magnitude":
            return -(counts - top) if counts & top else counts
        if self._sign == "offset":
            return counts - top
        return counts


def _run(cells: list[str], kind: str) -> slice:
    count = cells.count(kind)
    start = cells.index(kind) if count else 0
    return slice(start, start + count)


def _check_layout(cells: list[str]) -> None:
    hex_digits = set("0123456789ABCDEF")
    good = (
        0 < len(cells) <= LONGEST_FRAME
        and all(c in ("vv", "cc", "ss", "uu", "--") or (len(c) == 2 and set(c) <= hex_digits) for c in cells)
        and 1 <= cells.count("vv") <= 8
        and cells.count("ss") <= 1
        and cells.count("uu") <= 1
        and cells.count("cc") <= 4
        and all(set(cells[_run(cells, kind)]) <= {kind} for kind in ("vv", "cc"))
    )
    if not good:
        raise LayoutError("layout", LAYOUT_ALLOWED)


def _either(key: str, no: Sequence[int], other: str, yes: Sequence[int], used: bool) -> dict[int, bool]:
    if not used:
        return {}
    if set(no) & set(yes):
        raise LayoutError(key, f"bytes that do not also stand in {other}")
    return dict.fromkeys(no, False) | dict.fromkeys(yes, True)
