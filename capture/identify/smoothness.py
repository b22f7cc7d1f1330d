"""How much a row of numbers looks like a length that moves: from one to the next it goes a small part of its range."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

RANDOM = 1 / 3
"""What numbers without any order come to."""


def roughness(numbers: Sequence[float]) -> float:
    """Mean step between neighbours as a share of the range; 1 where nothing moves.

    Parameters
    ----------
    numbers : sequence of float
        As they came.
    """
    if len(numbers) < 2:
        return 1.0
    span = max(numbers) - min(numbers)
    return sum(abs(b - a) for a, b in pairwise(numbers)) / (len(numbers) - 1) / span if span else 1.0


def counts_up(numbers: Sequence[int], modulus: int | None = None) -> bool:
    """Whether they go up by the same every time, as a counter or a clock does."""
    steps = [(b - a) % modulus if modulus else b - a for a, b in pairwise(numbers)]
    usual = max(set(steps), key=steps.count) if steps else 0
    return usual != 0 and steps.count(usual) >= 0.9 * len(steps)
