"""Readings typed in by hand: which seatings count, their statistic, and a unit that cannot be.

Statistic: the median of the passes in each seating, then the mean of the seating medians; its uncertainty comes from the seatings.
Nothing is averaged away: a seating that is left out stays in the record with its reason.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from analysis.job.quantities import quantity
from analysis.precision import LIMIT_FACTOR
from analysis.results import BudgetLine, SetStatistics
from analysis.uncertainty import resolution

PUSH_PULL_MM = Decimal("0.010")
"""Play of the arbor from which a seating is not used, where no limit is stated (common practice, no source)."""

INCH = 25.4
NEAR = 0.05

Data = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Seating:
    """One seating of typed readings.

    Attributes
    ----------
    median_mm : float
        Exact median, rounded to a float once.
    left_out : str
        Why it does not count; empty when it does.
    """

    n: int
    passes_mm: tuple[Fraction, ...]
    median_mm: Fraction
    step_mm: float
    left_out: str


def seatings_of(data: Data, push_pull_limit_mm: Decimal | None = None) -> list[Seating]:
    """Seatings of a typed set, those left out too."""
    rows = data.get("seatings")
    if not isinstance(rows, list):
        return []
    most = PUSH_PULL_MM if push_pull_limit_mm is None else push_pull_limit_mm
    out: list[Seating] = []
    for n, row in enumerate(rows, start=1):
        values = [quantity(x, "length", str(row["unit"])) for x in row["readings"]]
        passes = tuple(Fraction(v.mm) for v in values)
        step = min(
            float(Decimal(1).scaleb(int(v.value.as_tuple().exponent))) * (INCH if v.unit == "in" else 1) for v in values
        )
        out.append(Seating(n, passes, statistics.median(passes), step, _left_out(row, most)))
    return out


def _left_out(row: Data, most: Decimal) -> str:
    if "rejected" in row:
        return str(row["rejected"])
    if "push_pull" in row and "accepted_because" not in row:
        play = quantity(row["push_pull"], "length")
        if play.mm > most:
            return f"push and pull moved the display by {play}, more than {most.normalize():f} mm: clean and seat again, or say accepted_because"
    return ""


def unit_doubts(data: Data) -> list[str]:
    """Questions where one seating's readings make sense only in the other unit."""
    seatings = seatings_of(data)
    counted = [s for s in seatings if not s.left_out and s.median_mm]
    out = []
    for s in counted:
        others = [abs(float(o.median_mm)) for o in counted if o.n != s.n]
        if not others:
            continue
        ratio = abs(float(s.median_mm)) / statistics.median(others)
        # Of two seatings either may be the odd one: the question is asked of the larger.
        if abs(ratio / INCH - 1) < NEAR or (len(others) > 1 and abs(ratio * INCH - 1) < NEAR):
            rows = data["seatings"]
            assert isinstance(rows, list)
            unit = str(rows[s.n - 1]["unit"])
            other = "mm" if unit == "in" else "in"
            out.append(
                f"Seating {s.n} reads {'25.4 times' if ratio > 1 else '1/25.4 of'} the others: was the display in {other} and not in {unit}? Correct its "
                "unit, or confirm that it is right; until then the set is not used."
            )
    return out


def typed_statistics(
    data: Data, push_pull_limit_mm: Decimal | None = None, step_mm: float | None = None
) -> SetStatistics:
    """The set's statistic from typed readings; lengths None while nothing counts.

    Parameters
    ----------
    step_mm : float, optional
        Display step of the indicator, below which no scatter is believed; left out, the last digit typed stands for it.
    """
    seatings = seatings_of(data, push_pull_limit_mm)
    used = [s for s in seatings if not s.left_out]
    passes = sum(len(s.passes_mm) for s in used)
    lost = sum(len(s.passes_mm) for s in seatings) - passes
    if not used:
        return SetStatistics(0, lost, 0, None, None, None, None, None, None, None, None)
    medians = [s.median_mm for s in used]
    mean = float(sum(medians, Fraction(0)) / len(medians))
    within = [_squares(s.passes_mm) for s in used]
    dof_within = sum(len(s.passes_mm) - 1 for s in used)
    sd = math.sqrt(math.fsum(within) / dof_within) if dof_within else None
    floor = resolution(step_mm if step_mm is not None else min(s.step_mm for s in used))
    notes: list[str] = []
    seat_sd: float | None = None
    if len(used) > 1:
        seat_sd = math.sqrt(_squares(tuple(medians)) / (len(used) - 1))
        u, dof = max(seat_sd / math.sqrt(len(used)), floor), float(len(used) - 1)
        source = f"medians of {len(used)} seatings"
    elif sd is not None:
        u, dof = max(sd / math.sqrt(passes), floor), float(dof_within)
        source = f"{passes} passes, one seating"
    else:
        u, dof, source = floor, math.inf, "one reading, its last digit alone"
        notes.append("One reading says nothing of how well it repeats.")
    apart = seatings_apart(used)
    if apart:
        notes.append(apart)
    if len(used) < 3:
        notes.append("Seating the arbor again is not covered: three seatings are needed for that.")
    line = BudgetLine("seatings" if len(used) > 1 else "passes", u, "A", dof, source, "t")
    limit = None if sd is None else LIMIT_FACTOR * sd
    return SetStatistics(passes, lost, len(used), mean, sd, seat_sd, limit, u, dof, None, None, (line,), tuple(notes))


SEATINGS_APART_MM = Fraction(1, 100)
"""How far apart the medians of seatings may lie before a cause is looked for (common practice, no source)."""


def seatings_apart(used: Sequence[Seating]) -> str:
    """What to do about seatings that differ by more than seating again does; empty where they do not.

    A display too coarse to show the difference is allowed two of its steps.
    """
    if len(used) < 2:
        return ""
    low, high = (f(used, key=lambda s: s.median_mm) for f in (min, max))
    apart = high.median_mm - low.median_mm
    room = max(SEATINGS_APART_MM, 2 * Fraction(Decimal(repr(max(s.step_mm for s in used)))))
    if apart <= room:
        return ""
    return (
        f"Seatings {low.n} and {high.n} differ by {float(apart):.4f} mm, more than {float(room):.3f} mm: look for dirt, a burr or an arbor that is "
        "not home, and seat again. Their mean takes that into the figure; it does not take it out."
    )


def _squares(values: tuple[Fraction, ...]) -> float:
    mean = sum(values, Fraction(0)) / len(values)
    return float(sum(((v - mean) ** 2 for v in values), Fraction(0)))
