"""Fields that hold several values: lists, tables, and the short text a list may be typed as."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from analysis.job.fields import Check, Described, Field, FieldError, fields_as_list, figure, form_of
from analysis.job.quantities import QuantityError, unit_named

MOST_ITEMS = 500

_BETWEEN = re.compile(r"[;\s]+|,\s+|,$")
_FIGURE = re.compile(r"[+-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)", re.ASCII)

SHORT_SEATINGS = '"1.553 1.551 1.554 mm; 1.548 1.549 mm; 1.551 1.552 1.550 mm"'
"""How seatings are typed in short: figures and their unit, seating by seating."""


def listed(
    inner: Check, fewest: int = 1, most: int = MOST_ITEMS, words: Callable[[str], list[str]] | None = None
) -> Check:
    """A list; a single value counts as a list of one, and a text of several words as they stand where `words` takes them apart."""

    def check(given: object) -> list[object]:
        if words is not None and isinstance(given, str):
            given = words(given)
        items = (
            list(given) if isinstance(given, Sequence) and not isinstance(given, str | bytes | bytearray) else [given]
        )
        if not fewest <= len(items) <= most:
            raise FieldError(f"{fewest} or more" if most == MOST_ITEMS else f"{fewest} to {most} of them")
        out = []
        for n, item in enumerate(items, start=1):
            try:
                out.append(inner(item))
            except FieldError as e:
                if len(items) == 1 and isinstance(items[0], str) and len(items[0].replace(",", " ").split()) > 1:
                    raise FieldError(f'{e}; several of them as a list, such as ["first", "second"]') from None
                raise FieldError(f"at place {n}: {e}") from None
        return out

    return Described(check, {"type": "list", "of": form_of(inner), "fewest": fewest, "most": most})


def names(fewest: int, most: int, inner: Check) -> Check:
    """Names without spaces, as a list or as one text with spaces between."""
    return listed(inner, fewest, most, lambda text: _BETWEEN.split(text.strip()))


def figures(fewest: int, most: int = MOST_ITEMS) -> Check:
    """Bare figures, as a list or as one text with spaces between and their unit, if it stands there, at the end."""
    return listed(figure, fewest, most, _figures_in)


def _figures_in(text: str) -> list[str]:
    words = _BETWEEN.split(text.strip())
    unit = "" if len(words) == 1 or _FIGURE.fullmatch(words[-1]) else f" {words.pop()}"
    if len(words) == 1 or not all(_FIGURE.fullmatch(w) for w in words):
        return [text]
    return [w + unit for w in words]


def table(fields: Mapping[str, Field], what: str) -> Check:
    """A table of fields."""

    def check(given: object) -> dict[str, object]:
        if not isinstance(given, Mapping):
            raise FieldError(f"a table: {what}")
        out: dict[str, object] = {}
        for key, value in given.items():
            if key not in fields:
                raise FieldError(f"{key!r} is not one of {', '.join(fields)}")
            try:
                out[str(key)] = fields[key].check(value)
            except FieldError as e:
                raise FieldError(f"{key}: {e}") from None
        missing = [k for k, f in fields.items() if f.required and k not in out]
        if missing:
            raise FieldError(f"{', '.join(missing)} too")
        return out

    return Described(check, {"type": "table", "fields": fields_as_list(fields)})


_PUSH_PULL = re.compile(r"[,\s]+push[-_ ]?pull\s+(.+)$")
_REJECTED = re.compile(r"[,\s]+rejected:?\s+(.+)$")


def seatings(inner: Check, most: int) -> Check:
    """Seatings as a list of tables, or in short: ``1.553 1.551 mm; 1.548 1.549 mm push-pull 0.004 mm; 1.679 1.662 mm rejected grit``."""
    whole = listed(inner, 1, most)

    def check(given: object) -> object:
        return whole(_seatings_in(given) if isinstance(given, str) else given)

    return Described(check, form_of(whole))


def _seatings_in(text: str) -> list[dict[str, object]]:
    out = []
    for n, part in enumerate((x for x in re.split(r"[;\n]", text) if x.strip()), start=1):
        row: dict[str, object] = {}
        line = f" {part.strip()}"
        for key, form in (("rejected", _REJECTED), ("push_pull", _PUSH_PULL)):
            found = form.search(line)
            if found:
                row[key], line = found[1].strip(), line[: found.start()]
        words = _BETWEEN.split(line.strip())
        try:
            unit = unit_named(words[-1], "length")
        except QuantityError:
            raise FieldError(
                f"at seating {n}: figures and their unit, such as {SHORT_SEATINGS}; the unit is never assumed"
            ) from None
        out.append({"readings": words[:-1], "unit": unit, **row})
    return out
