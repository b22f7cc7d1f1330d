"""Does the set show bearing play?

Sound bearings repeat to the instrument.  Play shows as scatter beyond the sweeps' own uncertainty, and in a
pattern: two levels, or one level for each heading.  A steady drift,
re-seating scatter, plunger lag and coarse display steps are taken out first and are never
called play.

Sources: chi-square test of a variance and two-sample t as in the e-handbook sections 1.3.5.8 and 1.3.5.3 (value from
memory); the combination, the least size and the correction for several tests are our own and judged on simulated sets.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import chi2_quantile, chi2_sf, t_quantile, t_sf
from analysis.repeatability import Bottoms
from analysis.results import Finding, Pattern, PlayFinding

Array = NDArray[np.float64]

PRESENT_P = 0.002
"""Chance of a false word of play on sound bearings, all tests together."""

SUSPECTED_P = 0.01

HARDLY_P = 0.0002
"""The same for scatter that is only large enough if the pinion floats anywhere in its play: sound sets with a drift hardly seen come near it."""

LEAST_MM = 0.004
"""Play smaller than this is not called play: below it lie grease, dirt and hand pressure."""

WIDEST = math.sqrt(12.0)
"""Play in standard deviations where the pinion floats in it, each place as likely; 2 where it lies at one end or the other."""

FEWEST = 5
"""Accepted sweeps below which play cannot be judged."""

NOT_ASSESSABLE = PlayFinding(
    "not assessable", None, None, None, "none", None, f"Play can't be judged from fewer than {FEWEST} good sweeps."
)


APART_MOST_MM = 0.05
"""Farther than this a sweep that stands apart has another cause than play."""


SEVERAL, SEVERAL_SHARE = 3, 0.2
"""Sweeps apart from the others, and their share, from which it is no longer chance."""


def one_apart(found: PlayFinding, drop_mm: float, u_mm: float, step_mm: float) -> PlayFinding:
    """Finding on a set in which one sweep went nearer than all others by `drop_mm` and was left out.

    A bump can do that, and so can play taken up only once: it is suspected, not found.
    """
    if found.finding != "none" or not max(LEAST_MM, 0.35 * step_mm) <= drop_mm <= APART_MOST_MM or drop_mm < 5.0 * u_mm:
        return found
    low, high = max(0.0, drop_mm - 2.0 * u_mm), drop_mm + 2.0 * u_mm
    say = (
        f"One sweep went {drop_mm:.3f} mm nearer than the others: a bump, or bearing play taken up once. "
        "Sweep more, and push and pull the pinion with the arbor held at the bottom."
    )
    return PlayFinding("suspected", drop_mm, low, high, "two-level", found.p_value, say)


def several_apart(found: PlayFinding, apart_mm: Sequence[float], accepted: int, step_mm: float) -> PlayFinding:
    """Finding on a set from which several sweeps were left out for nothing but where they stand.

    Parameters
    ----------
    apart_mm : sequence of float
        How far each of them stands from the middle of the accepted ones, mm.
    accepted : int
        Sweeps left in.

    Notes
    -----
    Play with more than two rests, or none, leaves no second level that repeats; a sweep or two that turned back leave no more than that.
    """
    near = [x for x in apart_mm if max(LEAST_MM, 0.35 * step_mm) <= x <= APART_MOST_MM]
    if found.finding != "none" or len(near) < SEVERAL or len(near) < SEVERAL_SHARE * (len(near) + accepted):
        return found
    say = (
        f"{len(near)} sweeps stand {min(near):.3f} to {max(near):.3f} mm apart from the others: the arbor turned back just before the nearest point, "
        "or bearing play. Sweep again right across the face, and push and pull the pinion with the arbor held at the bottom."
    )
    return PlayFinding("suspected", max(near), min(near), max(near), "none", found.p_value, say)


@dataclass(frozen=True, slots=True)
class _Hint:
    pattern: Pattern
    size: float
    low: float
    high: float
    p: float


def assess(b: Bottoms, basis: str = "") -> PlayFinding:
    """Judge play from the accepted sweeps of a set.

    Parameters
    ----------
    b : Bottoms
        Accepted sweeps.
    basis : str
        What the scatter was judged against, said with the finding.

    Returns
    -------
    PlayFinding
        Size with its 95 % interval where one is found.
    """
    seats = np.unique(b.seat)
    n = b.minimum.size
    dof = n - seats.size
    if n < FEWEST or dof < FEWEST - 2:
        return NOT_ASSESSABLE
    own = np.hypot(1.15 * b.u, 0.0004 + 0.03 * b.step_mm)
    level, drift_dof, drifting = _without_trend(b, own)
    left = dof - drift_dof
    if left < 2:
        return NOT_ASSESSABLE
    q = float(((level / own) ** 2).sum())
    p_scatter = chi2_sf(q, left)
    excess = math.sqrt(max(0.0, float((level**2).sum()) / left - float(np.mean(own**2))))
    hints: list[_Hint] = []
    heading = _by_heading(b, level, own)
    levels = _two_levels(level, own, left)
    if heading is not None:
        hints.append(heading)
    if levels is not None:
        hints.append(levels)
    # Scatter must carry the finding; the pattern says what kind.  Two levels that go with the heading are the heading's.
    best = min(hints, key=lambda h: h.p, default=None)
    if heading is not None and best is levels and heading.p < PRESENT_P and _heading_explains(b, level, own):
        best = heading
    size = best.size if best is not None else 2.0 * excess
    p = min(1.0, 3.0 * min([p_scatter, *[h.p for h in hints]]))
    least = max(LEAST_MM, 0.35 * b.step_mm)
    finding: Finding = "none"
    if size >= least and p < PRESENT_P:
        finding = "present"
    elif (size >= least and p < SUSPECTED_P) or (WIDEST * excess >= least and p < HARDLY_P):
        finding = "suspected"
    if finding == "none":
        pattern: Pattern = "drift" if drifting else "none"
        # Less than `least` would not have been called play, so that much is always left open.
        upper = max(least, 2.0 * _upper_excess(level, own, left))
        return PlayFinding("none", None, 0.0, upper, pattern, p, _say_none(upper, basis))
    if best is None or (best.p > 10 * p_scatter and best is not heading):
        low, high = _scatter_interval(level, own, left)
        most = 2.0 if levels is not None else WIDEST
        best = _Hint("two-level" if levels is not None else "none", 2.0 * excess, 2.0 * low, most * high, p_scatter)
    return PlayFinding(finding, best.size, best.low, best.high, best.pattern, p, _say(finding, best) + basis)


def _without_trend(b: Bottoms, own: Array) -> tuple[Array, int, bool]:
    """Minima less their seating's level and less a smooth trend where one shows, and what that cost."""
    seats = np.unique(b.seat)
    x = b.t - b.t.mean()
    scale = float(np.abs(x).max()) or 1.0
    columns = [np.asarray(b.seat == s, dtype=float) for s in seats]
    base = np.stack(columns, axis=1)
    y = b.minimum - b.minimum.mean()
    w = 1.0 / own

    def rest(a: Array) -> Array:
        coefficients = np.linalg.lstsq(a * w[:, None], y * w, rcond=None)[0]
        return np.asarray(y - a @ coefficients)

    plain = rest(base)
    line = np.column_stack([base, x / scale])
    straight = rest(line)
    dof = y.size - seats.size
    q0, q1 = float(((plain * w) ** 2).sum()), float(((straight * w) ** 2).sum())
    if dof < 4:
        return plain, 0, False
    f = (q0 - q1) / max(q1 / (dof - 1), 1e-12)
    if not (f > t_quantile(0.995, dof - 1) ** 2 and q0 - q1 > 9.0):
        return plain, 0, False
    if dof < 6:
        return straight, 1, True
    curve = rest(np.column_stack([line, (x / scale) ** 2]))
    q2 = float(((curve * w) ** 2).sum())
    if (q1 - q2) / max(q2 / (dof - 2), 1e-12) > t_quantile(0.995, dof - 2) ** 2 and q1 - q2 > 9.0:
        return curve, 2, True
    return straight, 1, True


def _by_heading(b: Bottoms, level: Array, own: Array) -> _Hint | None:
    out = np.array([h == "out" for h in b.heading])
    n1, n2 = int(out.sum()), int((~out).sum())
    if min(n1, n2) < 2:
        return None
    d = float(level[out].mean() - level[~out].mean())
    dof = n1 + n2 - 2
    s2 = float(((level[out] - level[out].mean()) ** 2).sum() + ((level[~out] - level[~out].mean()) ** 2).sum()) / dof
    se = math.sqrt(max(s2, float(np.mean(own**2))) * (1 / n1 + 1 / n2))
    p = 2.0 * t_sf(abs(d) / se, dof)
    if abs(d) < LEAST_MM * 0.75 or p > 0.05:
        return None
    k = t_quantile(0.975, dof)
    return _Hint("heading", abs(d), max(0.0, abs(d) - k * se), abs(d) + k * se, p)


def _two_levels(level: Array, own: Array, dof: int) -> _Hint | None:
    """Split at the widest gap; both groups must repeat by themselves."""
    order = np.argsort(level)
    x, s = level[order], own[order]
    gaps = np.diff(x)
    if x.size < 5:
        return None
    at = int(np.argmax(gaps)) + 1
    low, high = x[:at], x[at:]
    within = float(((low - low.mean()) ** 2).sum() + ((high - high.mean()) ** 2).sum())
    free = max(1, dof - 1)
    sd = max(math.sqrt(within / free), float(np.sqrt(np.mean(s**2))))
    size = float(high.mean() - low.mean())
    se = sd * math.sqrt(1 / low.size + 1 / high.size)
    if min(low.size, high.size) < 2 or size < 4.0 * sd:
        return None
    # Each possible split was looked at: correct by their number.
    p = min(1.0, 2.0 * (x.size - 1) * t_sf(size / se, free))
    k = t_quantile(0.975, free)
    return _Hint("two-level", size, max(0.0, size - k * se), size + k * se, p)


def _heading_explains(b: Bottoms, level: Array, own: Array) -> bool:
    """Whether no more is left within the headings than sound sweeps scatter."""
    out = np.array([h == "out" for h in b.heading])
    rest = np.where(out, level - level[out].mean(), level - level[~out].mean())
    return chi2_sf(float(((rest / own) ** 2).sum()), level.size - 2) > 0.001


def _upper_excess(level: Array, own: Array, dof: int) -> float:
    s2 = float((level**2).sum()) / chi2_quantile(0.05, dof)
    return math.sqrt(max(0.0, s2 - float(np.mean(own**2)) * 0.5))


def _scatter_interval(level: Array, own: Array, dof: int) -> tuple[float, float]:
    total, o2 = float((level**2).sum()), float(np.mean(own**2))
    low = total / chi2_quantile(0.975, dof) - o2
    high = total / chi2_quantile(0.025, dof) - o2
    return math.sqrt(max(0.0, low)), math.sqrt(max(0.0, high))


def _say_none(upper_mm: float, basis: str) -> str:
    return f"No bearing play found; play above {upper_mm:.3f} mm would have shown.{basis}"


_HOW: dict[Pattern, str] = {
    "two-level": "the minima stand at two levels",
    "heading": "sweeping out and back give different minima",
    "step": "the face moves inside a sweep",
    "none": "the minima scatter more than the indicator does",
    "drift": "the minima drift",
}


def _say(finding: Finding, h: _Hint) -> str:
    word = "Bearing play found" if finding == "present" else "Bearing play suspected"
    return (
        f"{word}, about {h.size:.3f} mm ({h.low:.3f} to {h.high:.3f}): {_HOW[h.pattern]}. "
        "Push and pull the pinion with the arbor held at the bottom to prove it; a depth measured with play is not valid."
    )
