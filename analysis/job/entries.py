"""An entry of a job: who, when, what; and the check before it is written down."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from analysis.job.fields import FieldError, fields_as_list
from analysis.job.kinds import KINDS
from analysis.job.variants import variants_of
from analysis.telling import printable, shown

_AT = re.compile(r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})$")

_UNSAID = ("Cc", "Cs")
"""Kinds of characters that are no part of a name: controls, and halves of a character."""


class Problem(NamedTuple):
    """One thing wrong with an entry."""

    field: str
    given: str
    allowed: str
    nearest: str | None = None

    def __str__(self) -> str:
        hint = f"; nearest valid name: {self.nearest}" if self.nearest else ""
        return f"{self.field}: given {self.given}; allowed: {self.allowed}{hint}"


class JobEntryError(ValueError):
    """An entry that cannot be taken; `problems` holds every fault found, and nothing was written."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing written down.

    Attributes
    ----------
    n : int
        Its number, from 1.
    at : str
        When, UTC or with its offset.
    by : str
        Who.
    kind : str
        One of `KINDS`; a kind of a later version is kept and not used.
    data : dict
        What, quantities as text with their unit.
    corrects : int or None
        Number of the entry this one puts right; the other stays visible.
    extra : dict
        Keys this version does not know.
    """

    n: int
    at: str
    by: str
    kind: str
    data: dict[str, object]
    corrects: int | None = None
    extra: dict[str, object] = field(default_factory=dict)


def check_entry(kind: str, data: Mapping[str, object]) -> dict[str, object]:
    """An entry's data as they are stored.

    Raises
    ------
    JobEntryError
        With every problem: field, what was given, what is allowed, nearest valid name.
    """
    spec = KINDS.get(kind)
    if spec is None:
        near = difflib.get_close_matches(str(kind), KINDS, 1, 0.5)
        raise JobEntryError(
            [Problem("kind", shown(kind), "one of " + ", ".join(sorted(KINDS)), near[0] if near else None)]
        )
    problems: list[Problem] = []
    out: dict[str, object] = {}
    for key, value in data.items():
        f = spec.fields.get(key)
        if f is None:
            near = difflib.get_close_matches(str(key), spec.fields, 1, 0.5)
            names = ", ".join(spec.fields)
            problems.append(
                Problem(printable(f"{kind}.{key}"), shown(value), f"one of {names}", near[0] if near else None)
            )
            continue
        if value is None:
            continue
        try:
            out[str(key)] = f.check(value)
        except FieldError as e:
            problems.append(Problem(f"{kind}.{key}", shown(value), str(e)))
    for key, f in spec.fields.items():
        if f.required and data.get(key) is None:
            problems.append(Problem(f"{kind}.{key}", "nothing", f.says or "this field must be given"))
    if not problems:
        for name, allowed in spec.rule(out):
            problems.append(Problem(f"{kind}.{name}", shown(out.get(name)), allowed))
    if problems:
        raise JobEntryError(problems)
    return out


def check_who_when(by: object, at: object) -> None:
    """Who and when.

    Raises
    ------
    JobEntryError
    """
    problems = []
    if not isinstance(by, str) or not by.strip() or len(by) > 80 or any(unicodedata.category(c) in _UNSAID for c in by):
        problems.append(Problem("by", shown(by), "the initials or name of whoever writes this down"))
    if not isinstance(at, str) or not _AT.fullmatch(at):
        problems.append(Problem("at", shown(at), "a moment, such as 2026-03-02T09:14:05Z"))
    if problems:
        raise JobEntryError(problems)


def kinds_as_list() -> list[dict[str, object]]:
    """Every kind of entry with its fields, for a list."""
    return [
        {
            "kind": name,
            "title": kind.title,
            "fields": fields_as_list(kind.fields),
            **({"variants": variants} if (variants := variants_of(name)) is not None else {}),
        }
        for name, kind in KINDS.items()
    ]
