"""Text profiles: how values end, which number of a line is the length, what its unit is, what checks it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from decimal import Decimal
from functools import reduce
from math import gcd
from typing import Any

from capture.decoders.text_value import DEFAULT_PATTERN
from capture.identify.ranking import Proposal
from capture.identify.smoothness import counts_up, roughness
from capture.identify.text_checked import Summed, sums_of

_ENOUGH_VALUES = 6
"""Different values from which a common step is believed."""

_POWER = r"(?:[eE][+-]?\d{1,2}(?!\d))?"
_NUMBER = re.compile(r"[+-]?\s*(?:\d+[.,]\d*|[.,]\d+|\d+)" + _POWER)
_POINTED = re.compile(r"[+-]?\s*(?:\d+\.\d*|\.\d+|\d+)" + _POWER)
"""Where there are points, a comma stands between numbers."""

_SPACED_UNIT = re.compile(r"\s*(mm|MM|in(?:ch)?|IN(?:CH)?|\"|'')(?![A-Za-z])")
_WORD_UNIT = re.compile(r"\s*(mm|MM|in(?:ch)?|IN(?:CH)?)(?![A-Za-z])")
_OTHER_UNIT = re.compile(r"\s*(?:([u\xb5]m)|(mils?|thou|th)|(cm)|(nm))(?![A-Za-z])", re.IGNORECASE)
_OTHER_UNITS: tuple[tuple[str, int], ...] = (("mm", -3), ("in", -3), ("mm", 1), ("mm", -6))
"""Unit and power of ten for each."""

_MOST_FIELDS = 3
_END_SEEN = 4
_LENGTHS = range(3, 33)
_ALIKE = 0.98


def text_proposals(data: bytes) -> Iterator[Proposal]:
    """Text profiles for some bytes; the likelier first."""
    end = _end_of(data)
    if end is not None:
        lines = [
            x
            for x in re.split(rb"[\r\n]+" if end == "any" else re.escape(end.encode("latin-1")), data)[1:-1]
            if x.strip()
        ]
        yield from _lines(lines, {} if end == "any" else {"end": _escaped(end)})
    else:
        yield from _endless(data)


def is_text(data: bytes, share: float = 0.8) -> bool:
    """Whether so large a share of bytes is text."""
    return sum(32 <= b < 127 or b in b"\t\r\n\x02\x03" for b in data) > share * len(data)


def _end_of(data: bytes) -> str | None:
    """What ends a value; None where nothing does."""
    if b"\r" in data or b"\n" in data:
        return "any"
    if data.count(3) >= _END_SEEN:
        return "\x03"
    seen = Counter(chr(b) for b in data if b < 32 or chr(b) in ";|/!#$&*")
    likely = [c for c, n in seen.most_common() if n >= _END_SEEN]
    return likely[0] if likely else None


def _escaped(text: str) -> str:
    return "".join(c if 32 < ord(c) < 127 else f"\\x{ord(c):02x}" for c in text)


def _lines(raw: Sequence[bytes], keys: dict[str, Any]) -> Iterator[Proposal]:
    lines = [x.decode("latin-1") for x in raw]
    base = {"use": "text-line", **keys}
    summed = sums_of(raw)
    if summed is not None:
        yield from _fields(lines, base, summed)
        return
    matcher = re.compile(DEFAULT_PATTERN)
    found = [m for x in lines if (m := matcher.match(x)) is not None]
    if found and 2 * len(found) >= len(lines):
        values = [m["value"].replace(",", ".") for m in found]
        units = [m["unit"] for m in found if m["unit"]]
        for more, guessed in scales(values, unit_of(units)):
            yield {**base, **more}, guessed
    yield from _fields(lines, base, None)


# lines with more in them than a value


def _fields(lines: list[str], base: dict[str, Any], summed: Summed | None) -> Iterator[Proposal]:
    """Profiles for the numbers in lines that are alike but for their numbers."""
    inner = [summed.inner(x) for x in lines] if summed else lines
    number = _POINTED if 2 * sum("." in x for x in inner) > len(inner) else _NUMBER
    cut = [(x, list(number.finditer(x))) for x in inner]
    shapes = Counter(_shape(x, found) for x, found in cut)
    if not shapes:
        return
    shape, count = shapes.most_common(1)[0]
    if 2 * count < len(lines) or not shape[1:]:
        return
    same = [(x, found) for x, found in cut if _shape(x, found) == shape]
    columns = [[f[n].group() for _, f in same] for n in range(len(same[0][1]))]
    ranked = sorted((w, n) for n, column in enumerate(columns) if (w := _worth(column)) is not None)
    for _, n in ranked[:_MOST_FIELDS]:
        yield from _field(same, n, columns[n], base, summed, len(ranked) > 1)


def _shape(line: str, found: list[re.Match[str]]) -> tuple[str, ...]:
    """What is between the numbers; blanks before a number may be fewer for a longer one."""
    out, at = [], 0
    for m in found:
        out.append(re.sub(r"[A-Za-z]", "a", line[at : m.start()]).rstrip())
        at = m.end()
    return (*out, re.sub(r"[A-Za-z]", "a", line[at:]).rstrip())


def _worth(column: Sequence[str]) -> tuple[bool, bool, float] | None:
    """How little a column looks like the length; None if it does not move, or counts."""
    numbers = [float(re.sub(r"\s", "", x).replace(",", ".")) for x in column]
    if len(set(numbers)) < 2 or (
        all(x.lstrip("+- ").isdigit() for x in column) and counts_up([int(n) for n in numbers])
    ):
        return None
    pointed = any("." in x or "," in x for x in column)
    signed = any(x[0] in "+-" for x in column)
    return (not pointed, not signed, round(roughness(numbers), 1))


def _field(
    same: list[tuple[str, list[re.Match[str]]]],
    n: int,
    column: list[str],
    base: dict[str, Any],
    summed: Summed | None,
    several: bool,
) -> Iterator[Proposal]:
    """Profiles for one number of such lines."""
    afters = [line[f[n].end() :] for line, f in same]
    # A mark for inches, unless such marks stand around words.
    quoted = any('"' in line[: f[n].start()] for line, f in same)
    spaced = _WORD_UNIT if quoted else _SPACED_UNIT
    units = [m[1] for a in afters if (m := spaced.match(a))]
    other = next((i for a in afters[:1] if (m := _OTHER_UNIT.match(a)) for i, g in enumerate(m.groups()) if g), None)
    powers = [x for x in column if re.search(r"[eE]", x)]
    pattern = _pattern(same, n, spaced if units else None, bool(powers))
    pattern = summed.around(pattern) if summed else f"^{pattern}$"
    keys = {**base, "pattern": pattern, **(summed.keys() if summed else {})}
    guessed = ["pattern"] if several else []
    bodies = [re.sub(r"\s", "", x).lstrip("+-").replace(",", ".") for x in column]
    if powers:
        values = [Decimal(b) for b in bodies]
        yield from ((keys | more, guessed + also) for more, also in _powered(values, unit_of(units)))
        return
    if other is not None:
        unit, power = _OTHER_UNITS[other]
        step = Decimal(f"{_step_of(bodies):f}").scaleb(power)
        yield {**keys, "unit": unit, "power": power, "resolution": float(step)}, guessed
        return
    for more, also in scales(bodies, unit_of(units)):
        yield {**keys, **more}, guessed + also


def _pattern(same: list[tuple[str, list[re.Match[str]]]], n: int, unit: re.Pattern[str] | None, powers: bool) -> str:
    """A pattern for such lines with its groups at one of the numbers."""
    pointed = any("." in m.group() for _, found in same for m in found)
    betweens: list[list[str]] = [[] for _ in range(len(same[0][1]) + 1)]
    for line, found in same:
        at = 0
        for k, m in enumerate(found):
            betweens[k].append(line[at : m.start()])
            at = m.end()
        betweens[-1].append(line[at:])
    out = ""
    for k, texts in enumerate(betweens):
        if k == n + 1 and unit is not None:
            out += unit.pattern.replace("(mm", "(?P<unit>mm", 1)
            texts = [unit.sub("", t, count=1) for t in texts]
        out += _between(texts)
        if k == len(betweens) - 1:
            break
        if k == n:
            value = r"\d+\.?\d*|\.\d+" if pointed else r"\d+[.,]?\d*|[.,]\d+"
            out += rf"(?P<sign>[+-]?)\s*(?P<value>{value})" + (r"[eE](?P<exponent>[+-]?\d{1,2})" if powers else "")
        else:
            out += r"[+-]?\s*" + (r"[\d.]+" if pointed else r"[\d.,]+") + (r"(?:[eE][+-]?\d+)?" if powers else "")
    return out


def _between(texts: list[str]) -> str:
    """A pattern for what stands between two numbers: words as they are, letters that change, blanks as many as there are."""
    stripped = {t.strip() for t in texts}
    if len(stripped) == 1:
        word = stripped.pop()
        return (r"\s*" if any(t[:1].isspace() for t in texts) else "") + (
            re.escape(word) + (r"\s*" if any(t[-1:].isspace() for t in texts) else "") if word else ""
        )
    return re.sub(r"a+", "[A-Za-z]+", r"\s*" + re.escape(re.sub(r"[A-Za-z]", "a", max(stripped, key=len)))) + r"\s*"


def _powered(values: list[Decimal], unit: str | None) -> Iterator[Proposal]:
    """Numbers with a power of ten: in the unit, or in metres, as programs that know no other unit give them."""
    finest = Decimal(f"{_step_of([f'{v:f}' for v in values]):f}")
    largest = max(abs(v) for v in values)
    metres = ({"unit": "mm", "power": 3, "resolution": float(_round_step(finest.scaleb(3)))}, ["unit", "power"])
    plain = [
        ({"unit": u, "resolution": float(_round_step(finest))}, [] if unit else ["unit", "power"])
        for u in ([unit] if unit else _likely(2))
    ]
    yield from ([*plain, metres] if unit or largest >= Decimal("0.1") else [metres, *plain])


def _round_step(step: Decimal) -> Decimal:
    """No display goes finer than a tenth of a micrometre; what is finer is how the number is written."""
    return max(step, Decimal("0.0001"))


# numbers that follow each other without an end


def _endless(data: bytes) -> Iterator[Proposal]:
    text = data.decode("latin-1")
    kinds = re.sub(r"[+-]", "s", re.sub(r"\d", "d", text))
    for length in _LENGTHS:
        if len(kinds) < 4 * length:
            return
        alike = sum(a == b for a, b in zip(kinds, kinds[length:], strict=False)) / (len(kinds) - length)
        if alike >= _ALIKE and len(set(kinds[:length])) > 1:
            break
    else:
        return
    start = max(kinds.find("s"), 0) % length
    pieces = [text[i : i + length] for i in range(start, len(text) - length + 1, length)]
    cells = kinds[start : start + length]
    body = "".join(r"\d" if c == "d" else re.escape(c) for c in cells.lstrip("s"))
    sign = r"(?P<sign>[+-])" if cells[0] == "s" else "(?P<sign>)"
    found = [re.sub(r"[^\d.,]", "", p).replace(",", ".") for p in pieces]
    if "d" not in cells or len(set(found)) < 2 or any(c not in "ds.," for c in cells):
        return
    keys = {"use": "text-line", "length": length, "pattern": f"^{sign}(?P<value>{body})$"}
    for more, guessed in scales(found, None):
        yield {**keys, **more}, guessed


# unit and step


def unit_of(texts: Sequence[str]) -> str | None:
    """Unit that the commonest of these words says."""
    if not texts:
        return None
    return "mm" if Counter(texts).most_common(1)[0][0].lower() in ("mm", "millimetre", "millimeter") else "in"


def scales(values: list[str], unit: str | None) -> Iterator[Proposal]:
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


def likely_units(unit: str | None, digits: int) -> list[str]:
    """Units to try, the likelier first, for a value with so many decimal places."""
    return [unit] if unit else _likely(digits)


def _step_of(values: list[str]) -> Decimal:
    return _step(values, max(len(v.partition(".")[2]) for v in values))


def _step(values: list[str], digits: int) -> Decimal:
    """Display step: one in the last place, or five or two of it if all values say so."""
    counts = {int(Decimal(v).scaleb(digits)) for v in values if len(v.partition(".")[2]) == digits}
    common = reduce(gcd, counts, 0) if len(counts) >= _ENOUGH_VALUES else 1
    size = next((n for n in (5, 2) if common % n == 0), 1)
    return Decimal(size).scaleb(-digits)
