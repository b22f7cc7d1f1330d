"""Whole numbers in binary: counts of a known step.

The layout has two characters a byte, in the order in which they are sent::

    00-FF   a fixed byte            vv   a byte of the value (1 to 8, together)    ss   the sign
    --      anything                cc   a check byte (together)                   uu   the unit
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any, Literal

from analysis.readings import Scale, Unit
from capture.decoders.checks import crc as crc_function
from capture.decoders.checks import xor_of
from capture.decoders.contract import Damaged, Frame
from capture.decoders.fixed_frames import LONGEST_FRAME, FixedFrames, LayoutError, distinct
from capture.decoders.scales import Scales, checked

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
    endian : {"big", "little"}
        Of the value and of the check bytes.
    sign : {"twos-complement", "magnitude", "unsigned"}
        How a negative value is written: "magnitude" has it in the top bit.  A sign byte in the layout needs "unsigned".
    plus, minus, mm, inch : sequence of int
        Bytes that stand for each, where the layout has a sign or unit byte.
    check : {"none", "sum", "xor", "crc"}
        What the check bytes hold; a sum keeps as many bits as they have.
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
        self._check = _run(self._bytes, "cc")
        self._sign_at = self._bytes.index("ss") if "ss" in self._bytes else None
        self._unit_at = self._bytes.index("uu") if "uu" in self._bytes else None
        if self._sign_at is not None and sign != "unsigned":
            raise LayoutError("sign", '"unsigned", because the layout has a sign byte')
        self._sign = sign
        self._endian = endian
        self._minus = _either("minus", plus, "plus", minus, self._sign_at is not None)
        units = _either("inch", mm, "mm", inch, self._unit_at is not None)
        self._unit_of: dict[int, Unit] = {n: "in" if inches else "mm" for n, inches in units.items()}
        self._summed = self._check_function(check, check_from, crc)
        self._check_from = check_from
        self._scales = Scales(scale, steps)
        bits = 8 * (len(self._fixed) + (self._check.stop - self._check.start))
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

    def _check_function(self, check: str, start: int, table: Mapping[str, Any] | None) -> Callable[[bytes], int] | None:
        width = self._check.stop - self._check.start
        if (check == "none") != (width == 0):
            raise LayoutError(
                "check",
                '"sum", "xor" or "crc" with cc in the layout, or "none" without' if width else '"none" without cc',
            )
        if check == "none":
            return None
        if start >= self._check.start:
            raise LayoutError("check_from", "fewer bytes than stand before the check")
        if check == "xor":
            if width != 1:
                raise LayoutError("layout", "one check byte with xor")
            return xor_of
        if check == "sum":
            return lambda data: sum(data) & ((1 << 8 * width) - 1)
        if table is None or table["width"] != 8 * width:
            raise LayoutError("crc", f"a table with width = {8 * width}, for the layout has {width} check bytes")
        return crc_function(**table)

    def judge(self, data: bytes) -> Frame | str:
        """Value of one frame of `size` bytes, or why it is none."""
        if any(data[at] != wanted for at, wanted in self._fixed):
            return "no frame begins here"
        if self._summed is not None:
            stated = int.from_bytes(data[self._check], self._endian)
            wanted = self._summed(data[self._check_from : self._check.start])
            if stated != wanted:
                digits = 2 * (self._check.stop - self._check.start)
                return f"check is {stated:0{digits}X}, should be {wanted:0{digits}X}"
        counts = self._counts(data[self._value])
        if self._sign_at is not None:
            minus = self._minus.get(data[self._sign_at])
            if minus is None:
                return f"{data[self._sign_at]:02X} is no sign"
            counts = -counts if minus else counts
        unit: Unit | None = self._scales.unit
        if self._unit_at is not None:
            unit = self._unit_of.get(data[self._unit_at])
            if unit is None:
                return f"{data[self._unit_at]:02X} is no unit"
        assert unit is not None
        scale = self._scales.stated(unit)
        if scale is None:
            return f"unit is {unit}, but the profile has no step_{unit}"
        return checked(counts, scale)

    def _counts(self, data: bytes) -> int:
        counts = int.from_bytes(data, self._endian, signed=self._sign == "twos-complement")
        if self._sign == "magnitude":
            top = 1 << (8 * len(data) - 1)
            return -(counts - top) if counts & top else counts
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
