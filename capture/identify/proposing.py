"""Profiles that bytes might be explained by."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from functools import reduce
from itertools import product
from math import gcd
from typing import Any

from capture.decoders.text_line import DEFAULT_PATTERN
from capture.identify.ranking import Proposal
from capture.profiles import known_profiles

_SUMMED = (
    r"^(?P<sign>[+-]?)\s*(?P<value>\d+[.,]\d+)\s*(?P<after>[+-]?)\s*(?P<unit>mm|in)?[*,;: ]?(?P<sum>[0-9A-Fa-f]{2})\s*$"
)
_AMONG_OTHERS = r"^.*?(?P<sign>[+-])\s*(?P<value>\d+[.,]\d+)\s*(?P<unit>mm|in)?(?![0-9.,]).*$"
_ENOUGH_VALUES = 6
"""Different values from which a common step is believed."""

_UNITS = ("mm", "in", "inch", '"')


def proposals(data: bytes) -> Iterator[Proposal]:
    """Profiles to try, and in each the keys that are guesses; the likelier first."""
    yield from _own()
    lines = [x for x in re.split(rb"[\r\n]+", data)[1:-1] if x.strip()]
    yield from _text(lines)
    yield from _json(lines)
    for nibbles, bits in product(("high-first", "low-first", "one-a-byte"), ("high-first", "low-first")):
        yield {"use": "packed-decimal", "nibbles": nibbles, "bits": bits}, []
    yield {"use": "gatt-length"}, []
    for endian in ("little", "big"):
        yield {"use": "counted-binary", "endian": endian}, ["unit", "resolution"]
        yield {"use": "counted-binary", "endian": endian, "packets": "attribute"}, ["unit", "resolution"]


def _own() -> Iterator[Proposal]:
    for name, whence in known_profiles():
        if whence != "packaged":
            yield {"use": name}, []


def _text(lines: list[bytes]) -> Iterator[Proposal]:
    for pattern in (None, _SUMMED, _AMONG_OTHERS):
        matcher = re.compile(pattern or DEFAULT_PATTERN)
        found = [m for x in lines if (m := matcher.match(x.decode("latin-1"))) is not None]
        if 2 * len(found) < len(lines) or not found:
            continue
        keys: dict[str, Any] = {"use": "text-line"} | ({"pattern": pattern} if pattern else {})
        sums: list[dict[str, Any]] = [{"checksum": c} for c in ("sum-hex", "xor-hex")] if pattern == _SUMMED else [{}]
        values = [m["value"].replace(",", ".") for m in found]
        units = [m["unit"] for m in found if m["unit"]]
        for extra in sums:
            for more, guessed in _scales(values, _unit(units)):
                yield {**keys, **extra, **more}, guessed


def _unit(texts: list[str]) -> str | None:
    if not texts:
        return None
    return "mm" if Counter(texts).most_common(1)[0][0].lower() == "mm" else "in"


def _scales(values: list[str], unit: str | None) -> Iterator[Proposal]:
    """Unit, step and places that the digits allow."""
    digits = Counter(len(v.partition(".")[2]) for v in values).most_common(1)[0][0]
    guessed = [] if unit else ["unit"]
    if digits or any("." in v for v in values):
        for u in [unit] if unit else _likely(digits):
            yield {"unit": u, "resolution": float(_step(values, digits))}, guessed
        return
    # No point: how many places there are, only the display tells.
    for places in (3, 2, 4, 5):
        shown = [f"{Decimal(v).scaleb(-places):f}" for v in values]
        for u in [unit] if unit else _likely(places)[:1]:
            yield {"places": places, "unit": u, "resolution": float(_step(shown, places))}, [*guessed, "places"]


def _likely(digits: int) -> list[str]:
    return ["in", "mm"] if digits >= 4 else ["mm", "in"]


def _step(values: list[str], digits: int) -> Decimal:
    """Display step: one in the last place, or five or two of it if all values say so."""
    counts = {int(Decimal(v).scaleb(digits)) for v in values if len(v.partition(".")[2]) == digits}
    common = reduce(gcd, counts, 0) if len(counts) >= _ENOUGH_VALUES else 1
    size = next((n for n in (5, 2) if common % n == 0), 1)
    return Decimal(size).scaleb(-digits)


def _json(lines: list[bytes]) -> Iterator[Proposal]:
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
    names = [n for n in found[0] if all(_is_number(o.get(n)) for o in found)]
    moving = sorted(names, key=lambda n: (_whole(found, n), -len({o[n] for o in found})))
    unit_key = next((n for n, v in found[0].items() if isinstance(v, str) and v.lower() in _UNITS), None)
    for name in moving:
        values = [str(o[name]) for o in found]
        digits = max(len(v.partition(".")[2]) for v in values)
        unit = _unit([str(found[0][unit_key])]) if unit_key else None
        keys = {"use": "json-lines", "value_key": name} | ({"unit_key": unit_key} if unit_key else {})
        for u in [unit] if unit else _likely(digits):
            yield {**keys, "unit": u, "resolution": float(Decimal(1).scaleb(-digits))}, [] if unit else ["unit"]


def _leaves(o: dict[str, Any], path: str = "", depth: int = 0) -> Iterator[tuple[str, Any]]:
    for key, value in o.items():
        if isinstance(value, dict) and depth < 3:
            yield from _leaves(value, f"{path}{key}.", depth + 1)
        elif "." not in key:
            yield path + key, value


def _is_number(x: Any) -> bool:
    return isinstance(x, Decimal) and x.is_finite() and -12 < x.adjusted() < 12


def _whole(found: list[dict[str, Any]], name: str) -> bool:
    """Whether all values are whole numbers: those are counters and times of day, mostly."""
    return all(o[name] == int(o[name]) for o in found)
