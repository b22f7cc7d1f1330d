"""Profiles for JSON lines: which number of an object is the length, and what says its unit."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any

from capture.identify.ranking import Proposal
from capture.identify.smoothness import counts_up, roughness
from capture.identify.text_shapes import likely_units, unit_of

_UNITS = ("mm", "in", "inch", '"')
_NAMED: tuple[tuple[str, str, int], ...] = (
    (r"(^|_)(um|micron|micrometers?|micrometres?)$", "mm", -3),
    (r"(^|_)(mil|thou)s?$", "in", -3),
    (r"(^|_)(mm|millimeters?|millimetres?)$", "mm", 0),
    (r"(^|_)(in|inch|inches)$", "in", 0),
)
"""What a name says of the number under it: its unit, and its power of ten."""

_MOST_DIGITS = 6
_CLOSE = Decimal("0.001")
_MOST_NAMES = 3
_MOST_DEPTH = 3


def json_proposals(lines: Sequence[bytes]) -> Iterator[Proposal]:
    """JSON profiles for some lines; the likelier first."""
    found = []
    for x in lines:
        try:
            o = json.loads(x, parse_float=Decimal, parse_int=Decimal)
        except (ValueError, RecursionError):
            continue
        if isinstance(o, dict):
            found.append(dict(_leaves(o)))
    if not found or 2 * len(found) < len(lines):
        return
    names = {n: [v for o in found if (v := _number(o.get(n))) is not None] for n in found[0]}
    columns = {n: c for n, c in names.items() if 2 * len(c) > len(found) and len(set(c)) > 1}
    moving = sorted((w, n) for n, c in columns.items() if (w := _worth(c)) is not None)
    unit_key = next((n for n, v in found[0].items() if isinstance(v, str) and v.strip().lower() in _UNITS), None)
    unit = unit_of([str(found[0][unit_key])]) if unit_key else None
    for _, name in moving[:_MOST_NAMES]:
        mine, steps = columns[name], dict[str, float]()
        for other in ("mm", "in") if unit_key else ():
            # The unit key may be pressed meanwhile: each unit has its own step.
            column = [
                v
                for o in found
                if unit_key and _says(o.get(unit_key), other) and (v := _number(o.get(name))) is not None
            ]
            if column and other != unit:
                steps[f"step_{other}"] = float(Decimal(1).scaleb(-_digits(column)))
            elif column:
                mine = column
        yield from (({**t, **steps}, g) for t, g in _proposed(name, mine, unit_key, unit, len(moving) > 1))


def _proposed(
    name: str, column: list[Decimal], unit_key: str | None, unit: str | None, several: bool
) -> Iterator[Proposal]:
    keys = {"use": "json-lines", "value_key": name} | ({"unit_key": unit_key} if unit_key else {})
    guessed = ["value_key"] if several else []
    named = next(((u, p) for form, u, p in _NAMED if re.search(form, name.rpartition(".")[2].lower())), None)
    digits = _digits(column)
    if unit is None and named is not None:
        step = float(Decimal(1).scaleb(named[1] - digits))
        yield {**keys, "unit": named[0], **({"power": named[1]} if named[1] else {}), "resolution": step}, guessed
        return
    whole = digits == 0 and unit is None
    for power in (-3, -2, -4) if whole else (0,):
        for u in likely_units(unit, digits if not whole else -power):
            step = float(Decimal(1).scaleb(power - digits))
            also = ([] if unit else ["unit"]) + (["power"] if whole else [])
            yield {**keys, "unit": u, **({"power": power} if power else {}), "resolution": step}, guessed + also


def _worth(column: list[Decimal]) -> tuple[bool, bool, float] | None:
    """How little a column looks like the length; None if it counts."""
    numbers = [float(x) for x in column]
    whole = all(x == int(x) for x in column)
    if whole and counts_up([int(x) for x in column]):
        return None
    return (whole, min(column) >= 0, round(roughness(numbers), 1))


def _says(word: Any, unit: str) -> bool:
    return isinstance(word, str) and word.strip().lower() in _UNITS and unit_of([word.strip()]) == unit


def _digits(column: list[Decimal]) -> int:
    """Decimal places from which on nothing is left but what a binary fraction misses them by."""
    for digits in range(_MOST_DIGITS):
        step = Decimal(1).scaleb(-digits)
        if all(abs(x - x.quantize(step)) <= _CLOSE * step for x in column):
            return digits
    return min(_MOST_DIGITS, max(-int(x.normalize().as_tuple().exponent) for x in column))


def _leaves(o: Any, path: str = "", depth: int = 0) -> Iterator[tuple[str, Any]]:
    pairs = o.items() if isinstance(o, dict) else ((str(n), v) for n, v in enumerate(o))
    for key, value in pairs:
        if isinstance(value, dict | list) and depth < _MOST_DEPTH and "." not in key:
            yield from _leaves(value, f"{path}{key}.", depth + 1)
        elif "." not in key:
            yield path + key, value


def _number(x: Any) -> Decimal | None:
    if isinstance(x, str):
        try:
            x = Decimal(x.strip().replace(",", ".")) if len(x) <= 64 else None
        except ArithmeticError:
            return None
    good = isinstance(x, Decimal) and x.is_finite() and -12 < x.adjusted() < 12
    return x if good else None
