"""Bytes as they were received."""

from __future__ import annotations

from collections.abc import Iterable
from typing import SupportsIndex, overload


class Received(bytes):
    """Bytes of which some were damaged on their way.

    Attributes
    ----------
    bad : tuple of int
        Places of the damaged ones, rising.
    """

    bad: tuple[int, ...]

    def __new__(cls, data: bytes, bad: Iterable[int]) -> Received:
        """These bytes, and which of them were damaged."""
        made = super().__new__(cls, data)
        made.bad = tuple(bad)
        return made

    @overload
    def __getitem__(self, key: SupportsIndex) -> int: ...
    @overload
    def __getitem__(self, key: slice) -> bytes: ...
    def __getitem__(self, key: SupportsIndex | slice) -> int | bytes:
        """A byte; or a piece, which knows which of its bytes were damaged."""
        if not isinstance(key, slice):
            return super().__getitem__(key)
        places = {at: n for n, at in enumerate(range(len(self))[key])}
        return Received(super().__getitem__(key), sorted(places[at] for at in self.bad if at in places))


def damaged_places(data: bytes) -> tuple[int, ...]:
    """Which bytes of a piece were damaged on their way."""
    return data.bad if isinstance(data, Received) else ()
