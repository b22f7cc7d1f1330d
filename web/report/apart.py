"""Two lines of a sheet beside each other: by how much their lengths differ, and whether they rule otherwise."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from web.report import words

_NUMBER = re.compile(r"(?<![\w.])[-+−]?\d+(?:\.\d+)?")
_UNIT = re.compile(r"^ ?(mm|µm|in)\b")
_UM = {"mm": 1000.0, "µm": 1.0, "in": 25400.0}

RULES = (*words.RULINGS.values(), "no distance")
"""What a cell of a sheet says where something is ruled."""


@dataclass(frozen=True, slots=True)
class LineApart:
    """What differs between two lines.

    Attributes
    ----------
    um : float or None
        The largest difference of a length whose unit stands with it, µm; None where there is none, or the words are others.
    ruling : bool
        One of them rules what the other does not.
    figures_only : bool
        All that differs is figures.
    """

    um: float | None
    ruling: bool
    figures_only: bool


def skeleton(text: str) -> str:
    """A line without its figures."""
    return _NUMBER.sub("#", text)


def line_apart(stated: str, now: str) -> LineApart:
    """Compare two lines."""
    ruling = _rules(stated) != _rules(now)
    if skeleton(stated) != skeleton(now):
        return LineApart(None, ruling, False)
    found = [abs(b - a) * _UM[unit] for a, b, unit in _lengths(stated, now)]
    return LineApart(round(max(found), 6) if found else None, ruling, True)


def _rules(text: str) -> list[str]:
    return [r for cell in text.split(" | ") for r in RULES if cell == r or cell.endswith(f": {r}.")]


def _lengths(stated: str, now: str) -> Iterator[tuple[float, float, str]]:
    for a, b in zip(_NUMBER.finditer(stated), _NUMBER.finditer(now), strict=True):
        unit = _UNIT.match(stated[a.end() :])
        if unit and a[0] != b[0]:
            yield float(a[0].replace("−", "-")), float(b[0].replace("−", "-")), unit[1]
