"""Which hex digits at the end of lines check them, and over what."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

from capture.identify.check_shapes import Check, agreeing

_KINDS = {"sum": "sum-hex", "complement": "complement-hex", "xor": "xor-hex", "crc": "crc-hex"}
_MOST = 0.8
"""Share of lines whose check must agree; the others are damaged, or other lines."""


@dataclass(frozen=True)
class Summed:
    """A check at the end of lines.

    Attributes
    ----------
    check : Check
    digits : int
    apart : int
        Characters between what it covers and its digits.
    """

    check: Check
    digits: int
    apart: int

    def inner(self, line: str) -> str:
        """What it covers."""
        return line.rstrip()[self.check.start : -self.digits - self.apart or None]

    def around(self, pattern: str) -> str:
        """A pattern for the line, from one for what it covers."""
        return (
            f"^.{{{self.check.start}}}(?P<summed>{pattern}).{{{self.apart}}}(?P<sum>[0-9A-Fa-f]{{{self.digits}}})\\s*$"
        )

    def keys(self) -> dict[str, Any]:
        """Its profile keys."""
        return {"checksum": _KINDS[self.check.kind]} | ({"crc": self.check.crc} if self.check.crc else {})


def sums_of(lines: Sequence[bytes]) -> Summed | None:
    """The check that agrees with most of some lines; None if there is none."""
    stripped = [x.rstrip() for x in lines]
    for digits, apart in product((2, 4, 8), (0, 1)):
        frames = []
        for x in stripped:
            tail = x[-digits:]
            if len(x) > digits + apart + 3 and re.fullmatch(rb"[0-9A-Fa-f]+", tail):
                frames.append((x[: len(x) - digits - apart], int(tail, 16).to_bytes(digits // 2, "big")))
        if len(frames) < _MOST * len(lines) or not frames:
            continue
        found = agreeing(frames, endians=("big",))
        if found is not None:
            return Summed(found, digits, apart)
    return None
