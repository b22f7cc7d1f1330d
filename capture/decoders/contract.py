"""What every decoder does: bytes in, frames out.

A decoder keeps no clock, holds a bounded number of bytes, finds its feet again after damage, and reports damaged
frames instead of raising.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol

from analysis.readings import Scale


@dataclass(frozen=True, slots=True)
class Frame:
    """One value off the wire."""

    counts: int
    scale: Scale
    shown: str
    """The value as the display shows it."""


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes that should have been a frame."""

    why: str
    data: bytes
    first_after_open: bool = False


class Decoder(Protocol):
    """A wire format."""

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes as they come, in pieces of any size."""
        ...

    def reset(self) -> None:
        """The link was opened anew: what is held is half a frame at best."""
        ...


LARGEST_MM = Decimal(10000)
"""No indicator shows ten metres: a larger value is damage."""
