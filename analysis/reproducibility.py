"""The same face measured by several people, or on several days: how far their figures lie apart, and who stands out.

Each person (or day) is one cell; its values are seatings, so that what is expected to vary by itself is seating the arbor again.

Sources: ISO 5725-2:1994 clause 7 (clause from memory): within-cell consistency by Cochran's test, between-cell by Grubbs' test, both at
5 % (straggler) and 1 % (outlier), then s_r, s_L and s_R; the standard lets the user decide on stragglers and outliers, so nothing is left out here.
Two cells: two-sample t, standard texts.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from analysis.distributions import t_quantile
from analysis.precision import Exact, OneWay, cochran, cochran_limit, grubbs, grubbs_limit, mean_and_sd, one_way

Standing = Literal["", "straggler", "outlier"]
"""Beyond the 5 % limit, beyond the 1 % limit, or neither."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One person's (or day's) values, in the unit given.

    Attributes
    ----------
    of : str
        Whose.
    n : int
    mean : float
    sd : float or None
        None from one value.
    scatter : {"", "straggler", "outlier"}
        Word of Cochran's test, for the cell that scatters most.
    level : {"", "straggler", "outlier"}
        Word of Grubbs' test, for the highest and the lowest mean.
    """

    of: str
    n: int
    mean: float
    sd: float | None
    scatter: Standing
    level: Standing


@dataclass(frozen=True, slots=True)
class Reproducibility:
    """Precision over cells, in the unit given.

    Attributes
    ----------
    cells : tuple of Cell
        In the order given.
    analysis : OneWay
        `sd_within` is s_r, `sd_between` s_L, `sd_total` s_R; the limits are 2.8 times s_r and s_R.
    cochran, cochran_5, cochran_1 : float or None
        Statistic and its limits at 5 % and 1 %; None with fewer than 3 cells of two values or more, or where nothing scatters.
    grubbs_high, grubbs_low, grubbs_5, grubbs_1 : float or None
        The same for the means; None with fewer than 3 cells.
    difference, difference_limit : float or None
        Of two cells only: second less first, and what it keeps within in 95 of 100 cases where both measure alike.
    say : str
        The finding in a sentence or two; lengths in mm if the values were.
    """

    cells: tuple[Cell, ...]
    analysis: OneWay
    cochran: float | None
    cochran_5: float | None
    cochran_1: float | None
    grubbs_high: float | None
    grubbs_low: float | None
    grubbs_5: float | None
    grubbs_1: float | None
    difference: float | None
    difference_limit: float | None
    say: str


def across(values: Mapping[str, Sequence[Exact | float]]) -> Reproducibility:
    """Repeatability, reproducibility and outlier tests over people or days.

    Parameters
    ----------
    values : mapping of str to sequence of number
        Values of each cell, in one unit; cells may differ in size.

    Raises
    ------
    ValueError
        With fewer than two cells, an empty one, no cell with two values, or a value that is not finite.
    """
    _check(values)
    names = list(values)
    x = [[Fraction(v) for v in values[name]] for name in names]
    table = one_way(x)
    means = [sum(v, Fraction(0)) / len(v) for v in x]
    sds = [mean_and_sd(v)[1] if len(v) > 1 else None for v in x]
    c, c5, c1, loose = _cochran(x, sds)
    high = low = g5 = g1 = None
    off: dict[int, Standing] = {}
    if len(x) >= 3:
        high, low = grubbs(means)
        g5, g1 = grubbs_limit(len(x)), grubbs_limit(len(x), 0.01)
        off[means.index(max(means))] = _standing(high, g5, g1)
        if low > high or means.index(min(means)) not in off:
            off[means.index(min(means))] = _standing(low, g5, g1)
    cells = tuple(
        Cell(name, len(v), float(m), s, loose.get(i, ""), off.get(i, ""))
        for i, (name, v, m, s) in enumerate(zip(names, x, means, sds, strict=True))
    )
    difference = limit = None
    if len(x) == 2:
        difference = float(means[1] - means[0])
        limit = t_quantile(0.975, table.dof_within) * table.sd_within * math.sqrt(1 / len(x[0]) + 1 / len(x[1]))
    return Reproducibility(
        cells, table, c, c5, c1, high, low, g5, g1, difference, limit, _say(cells, table, difference, limit)
    )


def _check(values: Mapping[str, Sequence[Exact | float]]) -> None:
    if len(values) < 2:
        raise ValueError(f"{len(values)} person or day: at least 2 are needed to compare")
    for name, cell in values.items():
        if not cell:
            raise ValueError(f"{name!r} has no value: leave it out or measure again")
        if not all(math.isfinite(v) for v in cell):
            raise ValueError(f"{name!r} has a value that is no finite number")
    if max(len(cell) for cell in values.values()) < 2:
        raise ValueError("each has one value only: at least one must have seated the arbor twice to say what repeats")


def _standing(statistic: float, five: float, one: float) -> Standing:
    return "outlier" if statistic > one else "straggler" if statistic > five else ""


def _cochran(
    x: Sequence[Sequence[Fraction]], sds: Sequence[float | None]
) -> tuple[float | None, float | None, float | None, dict[int, Standing]]:
    """Cochran's test; where cells differ in size the limit is that of the size most of them have."""
    at = [i for i, s in enumerate(sds) if s is not None]
    known = [s for s in sds if s is not None]
    if len(at) < 3 or max(known) == 0.0:
        return None, None, None, {}
    sizes = Counter(len(x[i]) for i in at)
    size = max(sizes, key=lambda n: (sizes[n], -n))
    c, which = cochran(known)
    five, one = cochran_limit(len(at), size), cochran_limit(len(at), size, 0.01)
    return c, five, one, {at[which]: _standing(c, five, one)}


def _say(cells: Sequence[Cell], a: OneWay, difference: float | None, limit: float | None) -> str:
    parts = [
        f"s_r {a.sd_within:.4f} mm, s_R {a.sd_total:.4f} mm: two seatings of one agree within {a.repeatability_limit:.4f} mm, "
        f"of different people or days within {a.reproducibility_limit:.4f} mm, in 95 of 100 cases."
    ]
    if difference is not None and limit is not None:
        much = (
            "no more than seating the arbor again does"
            if abs(difference) <= limit
            else "more than seating the arbor again does"
        )
        parts.append(
            f"{cells[1].of} reads {difference:+.4f} mm against {cells[0].of}; up to {limit:.4f} mm is expected: {much}."
        )
    if len(cells) == 3:
        parts.append("With three, an outlying mean can hardly be told.")
    for c in cells:
        sure = {"straggler": "perhaps by chance (beyond 5 %)", "outlier": "hardly by chance (beyond 1 %)"}
        if c.scatter:
            parts.append(f"{c.of} scatters more than the others, {sure[c.scatter]}.")
        if c.level:
            parts.append(f"The mean of {c.of} lies apart, {sure[c.level]}.")
    if any(c.scatter or c.level for c in cells):
        parts.append("Nothing was left out: look for the cause, then measure again.")
    return " ".join(parts)
