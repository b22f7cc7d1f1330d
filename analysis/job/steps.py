"""The guided order: what comes next, and why.

Depth first, then pinion preload, then depth again, then the carrier's sum, then backlash by transfer, then the pattern: each changes
what comes after it.  Order and reasons: common practice, no source.  A step may be skipped, with a note.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from analysis.job import missing, missing_ring
from analysis.job.inches import with_inches, worked_in_inches
from analysis.job.plainly import plainly
from analysis.job.redo import asked_again, redo_list
from analysis.job.state import Job


class Step(NamedTuple):
    """A step of the order.

    `again` is the kind of reading that `say` asks for again, with why the old one does not hold; None where it asks for none.
    """

    name: str
    say: str
    why: str
    kind: str
    again: str | None = None


@dataclass(frozen=True, slots=True)
class _Rule:
    name: str
    kind: str
    why: str
    missing: Callable[[Job], str]


ORDER: tuple[_Rule, ...] = (
    _Rule(
        "intake",
        "intake",
        "The limits, the marks and the right to do the work hang on which unit it is.",
        missing.intake,
    ),
    _Rule(
        "limits",
        "limit",
        "A limit comes from the manual, is typed in with its page, and is never filled in.",
        missing.limits,
    ),
    _Rule(
        "family",
        "family",
        "Words do not say which way a shim moves the pinion; a sign does, and the wrong one costs a rebuild.",
        missing.family,
    ),
    _Rule(
        "instruments",
        "instrument",
        "The display is tied to a distance by the arbor or its master.",
        missing.instruments,
    ),
    _Rule(
        "direction",
        "direction",
        "The nearest point is the smallest or the largest reading: a push on the plunger proves which.",
        missing.direction,
    ),
    _Rule(
        "blind", "set", "Two people compare only if the second has not seen the first one's figure.", missing.covered
    ),
    _Rule(
        "zero-after",
        "zeroing",
        "What was measured on a zero that moved is void, and nobody knows until the master is read again.",
        missing.check_after,
    ),
    _Rule(
        "as-found",
        "set",
        "Without it there is nothing to compare the rebuild with, and no check on the mark's sign.",
        missing.as_found,
    ),
    _Rule(
        "marks",
        "gearset",
        "The mark sets the target; no mark is not 0, and three numbers on a face mean three things.",
        missing.marks,
    ),
    _Rule("old-shims", "piece", "The new stack is the old one, as measured, less the error.", missing.old_shims),
    _Rule(
        "convention",
        "gearset",
        "A unit that ran quietly stood near its target; if it seems not to, a convention is misread.",
        missing.convention,
    ),
    _Rule("trial", "set", "Only a reading in the right state counts.", missing.trial),
    _Rule(
        "closure",
        "fit",
        "A change that did not do what was predicted has a cause; find it before the next.",
        missing.loop,
    ),
    _Rule("depth", "fit", "Depth first: everything after depends on it.", missing.depth),
    _Rule(
        "pinion-preload",
        "preload",
        "The preload moves the pinion, so it comes before the last depth reading.",
        missing.torque("pinion-preload"),
    ),
    _Rule(
        "final-depth",
        "set",
        "The final nut, the gasket and the preload have moved the pinion; once the carrier is in, the arbor cannot go in.",
        missing.final,
    ),
    _Rule(
        "run-out",
        "run-out",
        "Backlash that differs round the ring is run-out, and moving the ring gear does not cure it.",
        missing_ring.run_out,
    ),
    _Rule(
        "carrier-preload",
        "preload",
        "The sum of both sides is fixed first; from then on shims only change sides.",
        missing_ring.carrier,
    ),
    _Rule("backlash", "backlash", "A change of depth or of the side shims changes it.", missing_ring.backlash),
    _Rule(
        "pattern",
        "pattern",
        "The pattern catches a wrong convention; it is a cross-check and never a number.",
        missing_ring.pattern,
    ),
    _Rule("close", "close", "What was not checked must stand on the sheet that stays with the unit.", missing.close),
)
STEPS = tuple(r.name for r in ORDER)


def steps(job: Job) -> Iterator[tuple[_Rule, str, bool]]:
    """Every step with what it still misses, an empty text if nothing; and whether that is also asked of the build's state."""
    for rule in ORDER:
        said = rule.missing(job)
        yield rule, _told(job, said), missing.asks_state(job, said)


def _told(job: Job, said: str) -> str:
    return with_inches(plainly(said)) if worked_in_inches(job) else plainly(said)


def next_step(job: Job) -> Step | None:
    """The next step with its reason; None when the job is closed."""
    if job.closed is not None:
        return None
    for rule in ORDER:
        if rule.name in job.skips:
            continue
        said = rule.missing(job)
        if said:
            again = next((str(r["kind"]) for r in redo_list(job) if asked_again(r) in said), None)
            return Step(rule.name, _told(job, said), rule.why, rule.kind, again)
    return None
