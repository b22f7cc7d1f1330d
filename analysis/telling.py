"""A value as a message tells it: on one line, and without what a terminal or a file would take for something else."""

from __future__ import annotations

from collections.abc import Mapping

LONGEST = 60
"""Characters of a value that are told."""


def printable(text: str) -> str:
    """Text that any file, terminal and answer can carry: what cannot be printed is written as an escape."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def shown(value: object) -> str:
    """A value for a message, cut to a line."""
    if value is None:
        return "nothing"
    if isinstance(value, str):
        value = printable(value)
        return f'"{value}"' if len(value) <= LONGEST else f'"{value[: LONGEST - 3]}…"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)[:LONGEST]
