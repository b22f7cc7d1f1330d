"""A kind of entry, and the fields that several kinds have."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from analysis.job import rules
from analysis.job.fields import Field, choice, flag, length, text, unit_of, whole
from analysis.job.several import figures

Data = Mapping[str, object]
Faults = list[tuple[str, str]]

PHASES = ("as-found", "trial", "final")

TEXT, FLAG, LENGTH = Field(text), Field(flag), Field(length)
PERSON = Field(text, says="who did it")
REF = Field(whole(1, 10**6), True, "the number of the entry it is about")
REASON = Field(text, True, "why, in words; it stays with the job")
PHASE = Field(choice(*PHASES), True, "as-found, trial or final")
UNIT = Field(unit_of("length"), True, "mm or in; it is never assumed")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry."""

    title: str
    fields: Mapping[str, Field]
    rule: Callable[[Data], Faults] = rules.nothing


def one_of(*options: str, required: bool = False) -> Field:
    """A field that holds one of these."""
    return Field(choice(*options), required, "one of: " + ", ".join(options))


def figures_from(fewest: int) -> Field:
    """A field that holds so many figures at least."""
    return Field(figures(fewest), True, f"{fewest} or more figures")
