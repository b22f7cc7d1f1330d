"""When a hands-free set has enough sweeps.

Looking after every sweep and stopping once the interval is narrow enough stops too often on a lucky small
scatter: a plain 95 % interval then holds the truth in as few as 90 cases of 100.  The half width is therefore
widened by a fixed factor, set by how early the first look comes, and the widened figure is the one that is
compared with the aim and stated.

Sources: factors derived here by simulation (tests/outside/test_sequential_stopping.py repeats it); sample size of
two-stage and fixed-scatter rules, standard texts on sequential estimation (value from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.distributions import chi2_quantile, t_quantile
from analysis.results import INFINITE_DOF, SetStatistics

LEVEL = 0.95

SEATINGS = 3
SWEEPS_A_SEATING = 3
SWEEPS = 6
"""Fewest seatings, sweeps in each, and sweeps where one seating was chosen, before a set may stop."""

MOST_SEATINGS = 12
MOST_SWEEPS = 30
"""Patience: a set that would need more is called off with its reason (common practice, no source)."""

_FACTORS = ((10, 1.08), (5, 1.15), (3, 1.30))
"""First look after this many repeats, and the factor that keeps 95 % from there on."""

SURE_P = 0.05
"""Chance of calling off a set that would have got there, from its scatter so far."""


@dataclass(frozen=True, slots=True)
class Decision:
    """Whether to go on.

    Attributes
    ----------
    stop : bool
        The set ends here.
    reached : bool
        The aim is reached; a set that stops without it says why in `say`.
    half_width_mm : float or None
        Half width of the 95 % interval, widened for having looked after every sweep; None before the first two sweeps.
    say : str
        What to do next, or why the set ends.
    """

    stop: bool
    reached: bool
    half_width_mm: float | None
    say: str


def widening(first_look: int) -> float:
    """Factor on the half width for a set first looked at after `first_look` repeats (3 or more)."""
    for fewest, factor in _FACTORS:
        if first_look >= fewest:
            return factor
    raise ValueError(f"a set cannot be looked at after {first_look} repeats: take at least {_FACTORS[-1][0]}")


def half_width(u_mm: float, dof: float, factor: float = 1.0) -> float:
    """Half width of the 95 % interval, mm, times `factor`."""
    return factor * t_quantile(0.5 + 0.5 * LEVEL, dof) * u_mm


def needed(sd_mm: float, aim_mm: float, *, dof: float | None = None, factor: float = 1.0, first: int = 2) -> int:
    """Repeats after which the half width comes down to the aim, if the scatter stays as it is.

    Parameters
    ----------
    sd_mm, aim_mm : float
        Scatter of one repeat, and half width wanted.
    dof : float, optional
        Degrees of freedom the scatter is known with (a first stage, a pooled history, or inf).  Left out: one fewer
        than the repeats.
    factor : float
        Widening.
    first : int
        Fewest repeats.
    """
    if dof is not None:
        return max(first, math.ceil((half_width(sd_mm, dof, factor) / aim_mm) ** 2))
    n = max(2, first, math.ceil((half_width(sd_mm, INFINITE_DOF, factor) / aim_mm) ** 2))
    while half_width(sd_mm / math.sqrt(n), n - 1, factor) > aim_mm:
        n += 1
    return n


def decide(stats: SetStatistics, aim_mm: float, one_seating: bool = False) -> Decision:
    """Whether a hands-free set may stop, and what to say.

    Parameters
    ----------
    stats : SetStatistics
        The set so far.
    aim_mm : float
        Half width of the 95 % interval wanted, mm, above 0.
    one_seating : bool
        The user chose not to seat the arbor again: six sweeps are enough to look, and re-seating is not covered.

    Raises
    ------
    ValueError
        If the aim is not a positive number.
    """
    if not (aim_mm > 0 and math.isfinite(aim_mm)):
        raise ValueError(f"the aim is {aim_mm} mm: it must be a number above 0, such as a quarter of the tolerance")
    if stats.u_mm is None or stats.dof is None:
        return Decision(False, False, None, "No good sweep yet.")
    seatings = not one_seating or stats.seats >= SEATINGS
    n, first, most = (stats.seats, SEATINGS, MOST_SEATINGS) if seatings else (stats.accepted, SWEEPS, MOST_SWEEPS)
    factor = widening(first)
    half = half_width(stats.u_mm, stats.dof, factor) if stats.accepted >= 2 else None
    wait = _not_yet(stats, seatings)
    if wait or half is None:
        return Decision(False, False, half, wait)
    if half <= aim_mm:
        covers = "" if seatings or stats.seats > 1 else " Seating the arbor again is not covered."
        return Decision(True, True, half, f"Enough: ±{_up(half)} mm at 95 %, aim ±{aim_mm:.4f} mm.{covers}")
    known = math.sqrt(sum(x.u_mm**2 for x in stats.budget if x.kind == "B"))
    settled = math.sqrt(sum(x.u_mm**2 for x in stats.budget if x.kind == "B" and x.name != "drift"))
    if half_width(known, INFINITE_DOF, factor) >= aim_mm > half_width(settled, INFINITE_DOF, factor):
        return Decision(True, False, half, _drifts(half, known, factor, aim_mm))
    if half_width(known, INFINITE_DOF, factor) >= aim_mm:
        return Decision(True, False, half, _too_coarse(half, known, factor, aim_mm))
    sd = math.sqrt(max(stats.u_mm**2 - known**2, 0.0) * n)
    if n >= most or _hopeless(sd, n, most, known, factor, aim_mm):
        return Decision(True, False, half, _too_scattered(stats, seatings, half, sd, n, most, aim_mm))
    room = math.sqrt(aim_mm**2 - half_width(known, INFINITE_DOF, factor) ** 2)
    more = max(1, min(needed(sd, room, factor=factor, first=first), most) - n)
    what = f"seating{'s' * (more > 1)} of {SWEEPS_A_SEATING} sweeps" if seatings else f"sweep{'s' * (more > 1)}"
    return Decision(
        False, False, half, f"±{_up(half)} mm so far, aim ±{aim_mm:.4f} mm: about {more} more {what} at this scatter."
    )


def _not_yet(stats: SetStatistics, seatings: bool) -> str:
    """What is missing before the first look, or nothing."""
    if not seatings:
        left = SWEEPS - stats.accepted
        return f"{left} more good sweep{'s' * (left > 1)} before the set can be judged." if left > 0 else ""
    left = SWEEPS_A_SEATING * max(stats.seats, 1) - stats.accepted
    if left > 0:
        return f"{left} more good sweep{'s' * (left > 1)} in this seating."
    again = SEATINGS - stats.seats
    if again > 0:
        return f"Seat the arbor again ({again} more seating{'s' * (again > 1)} of {SWEEPS_A_SEATING} sweeps)."
    return ""


def _hopeless(sd: float, n: int, most: int, known: float, factor: float, aim_mm: float) -> bool:
    """Even the smallest scatter these repeats allow would not do within patience."""
    least = sd * math.sqrt((n - 1) / chi2_quantile(1.0 - SURE_P, n - 1))
    return half_width(math.hypot(least / math.sqrt(most), known), most - 1, factor) > aim_mm


def _too_coarse(half: float, known: float, factor: float, aim_mm: float) -> str:
    alone = half_width(known, INFINITE_DOF, factor)
    return (
        f"The aim of ±{aim_mm:.4f} mm will not be reached: the display and the finding of the bottom alone leave "
        f"±{_up(alone)} mm, however many sweeps. It stands at ±{_up(half)} mm. A finer indicator or a wider aim is needed."
    )


def _drifts(half: float, known: float, factor: float, aim_mm: float) -> str:
    alone = half_width(known, INFINITE_DOF, factor)
    return (
        f"The aim of ±{aim_mm:.4f} mm will not be reached: the minima drift, and that leaves ±{_up(alone)} mm, however many sweeps. "
        f"It stands at ±{_up(half)} mm. Let the housing and the indicator settle, set zero or master again, and begin a new set."
    )


def _too_scattered(
    stats: SetStatistics, seatings: bool, half: float, sd: float, n: int, most: int, aim_mm: float
) -> str:
    what = "seatings" if seatings else "sweeps"
    causes = []
    if stats.drift_p is not None and stats.drift_p < 0.01:
        causes.append("the minima drift: let the housing and the indicator settle")
    if stats.rejected > stats.accepted:
        causes.append(f"{stats.rejected} of {stats.rejected + stats.accepted} sweeps were rejected: see their reasons")
    if seatings and stats.sd_mm is not None and sd > 3.0 * stats.sd_mm:
        causes.append("seatings differ far more than sweeps do: clean the bores and the arbor, look for burrs")
    if not causes:
        causes.append("look for dirt, a loose indicator or bearing play")
    return (
        f"The aim of ±{aim_mm:.4f} mm will not be reached within {most} {what}: after {n} they scatter by {sd:.4f} mm "
        f"(standard deviation) and it stands at ±{_up(half)} mm. Likely: {'; '.join(causes)}. Or widen the aim."
    )


def _up(mm: float) -> str:
    """Four decimals, never rounded down: a stated interval must not shrink in the printing."""
    return f"{math.ceil(mm * 1e4 - 1e-9) / 1e4:.4f}"
