"""Jobs from rows of kind and data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.job import Entry, Job, check_entry, fold, job_as_dict

AT = "2026-03-02T09:14:05Z"


def entries(rows: Sequence[tuple[str, dict[str, Any]]]) -> list[Entry]:
    """Checked entries, numbered."""
    return [Entry(n, AT, "AB", kind, check_entry(kind, data)) for n, (kind, data) in enumerate(rows, start=1)]


def folded(rows: Sequence[tuple[str, dict[str, Any]]]) -> Job:
    """The job of these rows."""
    return fold(entries(rows))


def shown(rows: Sequence[tuple[str, dict[str, Any]]]) -> dict[str, Any]:
    """Its state as plain data."""
    return job_as_dict(folded(rows))


def corrected(rows: Sequence[tuple[str, dict[str, Any]]], n: int, kind: str, data: dict[str, Any]) -> Job:
    """The job after entry `n` was put right."""
    e = entries(rows)
    return fold([*e, Entry(len(e) + 1, AT, "CD", kind, check_entry(kind, data), n)])


def changed(rows: list[tuple[str, dict[str, Any]]], kind: str, **new: Any) -> list[tuple[str, dict[str, Any]]]:
    """Rows with fields of one kind changed; None takes a field out."""
    out = []
    for k, d in rows:
        both = {**d, **new} if k == kind else d
        out.append((k, {a: b for a, b in both.items() if b is not None}))
    return out
