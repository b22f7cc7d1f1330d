"""A set of sweeps taken together: its minimum, its scatter, and how sure both make us.

Model: ``minimum = mu + seating + heading + drift * time + noise``.  With three or more seatings the interval
comes from the seating means; with fewer it covers sweeping again, not seating the arbor
again, and a note says so.

Sources: random-effects weighting as in the analysis-of-variance example of GUM H.5; repeatability limit
2.8 s_r after ISO 5725-6; common practice elsewhere, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import t_sf
from analysis.precision import LIMIT_FACTOR
from analysis.results import INFINITE_DOF, BudgetLine, Heading, SetStatistics
from analysis.valley.pack import COARSE_MM

Array = NDArray[np.float64]

FIT_DOF = 6.0
"""What the fits' own uncertainties are worth against the scatter, in sweeps: judged on simulated sets."""

MODEL_MM = 0.0001
SLOWING_MM = 0.0003
SLOWING_FULL = 0.3
"""Hands and lags the fit does not take up, common to the sweeps of a set: for a hand that goes on at its pace, and for one that rests or loses
`SLOWING_FULL` of its pace over the bottom; judged on simulated sets."""

DRIFT_P = 0.003
"""Chance of seeing a drift where there is none from which it is allowed for: as much again as it made over the set may have gone before."""

OFF_MM = 0.010
"""Within this the seatings of sound work lie (common practice, no source)."""

APART_MM = 0.3
"""Spread of a set that neither bearing play (0.05 to 0.2 mm; common practice, no source) nor a seating makes."""

STEP_SHARE, STEP_SHARE_STOPPING = 0.03, 0.16
"""Share of the display step that all sweeps of a set have in common after the fit: of a hand that goes on across many steps, and of one that
stops and goes, which reads the same step about the bottom each time wherever in it the bottom lies; judged on simulated sets."""

STOPPING, STOPPING_FULL = (0.1, 0.3), 0.3
"""Loss of pace over the bottom from which a hand stops and where it does so in full; and what a coarse display shows beyond the noise expected, less one, of
one that does in full."""


@dataclass(frozen=True, slots=True)
class Bottoms:
    """Accepted sweeps as columns; lengths mm, times s."""

    minimum: Array
    u: Array
    t: Array
    seat: NDArray[np.int64]
    heading: tuple[Heading, ...]
    step_mm: float
    slowing: Array = field(default_factory=lambda: np.zeros(1))
    """How much slower the hand went over the bottom, 0 to 1."""
    lag: Array = field(default_factory=lambda: np.zeros(1))
    """Part of `u` that the doubt about plunger lag gives; common to all sweeps."""
    unsteady: Array = field(default_factory=lambda: np.ones(1))
    """What a coarse display shows beyond the noise expected, as a factor: a hand the curve could not follow."""
    pace: Array = field(default_factory=lambda: np.zeros(0))
    """Change of the scaled angle over the bottom, mm^0.5 per second."""


def summarise(
    b: Bottoms,
    rejected: int,
    repeatability_mm: float | None = None,
    notes: tuple[str, ...] = (),
    common: tuple[BudgetLine, ...] = (),
) -> SetStatistics:
    """Statistics of a set.

    Parameters
    ----------
    b : Bottoms
        Accepted sweeps.
    rejected : int
        Sweeps left out, for the record.
    repeatability_mm : float, optional
        The indicator's stated standard deviation on a still surface: a floor for the scatter.
    notes : tuple of str
        What else must be said of the set.
    common : tuple of BudgetLine
        What else all sweeps have in common.

    Returns
    -------
    SetStatistics
        Lengths None while no sweep is accepted.
    """
    n = b.minimum.size
    seats = np.unique(b.seat)
    if n == 0:
        return SetStatistics(0, rejected, 0, None, None, None, None, None, None, None, None, notes=notes)
    floor = max(repeatability_mm or 0.0, 0.2 * b.step_mm, 0.0002)
    # What the sweeps have in common does not average away and stands on a line of its own.
    own_u = np.sqrt(np.maximum(b.u**2 - b.lag**2, 0.1 * b.u**2))
    between = _extra_variance(b.minimum, own_u)
    w = 1.0 / (own_u**2 + between)
    mean = float((w * b.minimum).sum() / w.sum())
    fit_var = 1.0 / float((own_u**-2.0).sum())
    sd, _ = _within_seats(b)
    s_r = max(sd if sd is not None else 0.0, floor)
    said = list(notes)
    lines: list[BudgetLine] = [x for x in common if x.kind == "A"]
    seat_sd: float | None = None
    if seats.size >= 2:
        means = np.array([_weighted(b.minimum[b.seat == s], w[b.seat == s]) for s in seats])
        seat_sd = float(means.std(ddof=1))
    if seats.size >= 3:
        assert seat_sd is not None
        mean = float(means.mean())
        u_type_a = max(seat_sd / math.sqrt(seats.size), math.sqrt(fit_var))
        lines.append(
            BudgetLine("seatings", u_type_a, "A", float(seats.size - 1), f"means of {seats.size} seatings", "t")
        )
    else:
        scatter_var = _scatter_variance(b, mean, w)
        if scatter_var is None:
            u2, dof = fit_var, FIT_DOF
        else:
            shrunk = (FIT_DOF * fit_var + (n - 1) * scatter_var) / (FIT_DOF + n - 1)
            u2 = max(shrunk, fit_var * 0.8, scatter_var if scatter_var > 2 * fit_var else 0.0)
            dof = FIT_DOF + n - 1 if scatter_var <= 2 * fit_var else float(n - 1)
        lines.append(BudgetLine("sweeps", math.sqrt(u2), "A", dof, f"{n} sweeps, {seats.size} seating(s)", "t"))
        if seats.size == 2 and seat_sd is not None:
            # Two seatings that differ say that seating matters, and hardly how much.
            own = math.hypot(*(1.0 / math.sqrt(float((1.0 / b.u[b.seat == s] ** 2).sum())) for s in seats))
            apart = math.sqrt(max(0.0, 2.0 * seat_sd**2 - own**2)) / 2.0
            if apart > 0.0:
                lines.append(BudgetLine("two seatings", apart, "A", 1.0, "half of what they differ by", "t"))
        said.append("Seating the arbor again is not covered: re-seat it at least twice more.")
    if (lag := float(b.lag.mean())) > 0.0:
        lines.append(BudgetLine("plunger lag", lag, "B", INFINITE_DOF, "flanks of the sweeps, common to all", "normal"))
    lines.append(
        BudgetLine(
            "bottom of the sweep",
            math.hypot(
                MODEL_MM, _step_share(b) * b.step_mm, SLOWING_MM * min(1.0, float(b.slowing.mean()) / SLOWING_FULL)
            ),
            "B",
            INFINITE_DOF,
            "hand and display common to all sweeps, judged on simulated sets",
            "normal",
        )
    )
    lines += [x for x in common if x.kind == "B"]
    slope, p = _drift(b)
    if slope is not None and p is not None and p < DRIFT_P:
        # Zero or master were set before the first sweep: by then it had drifted by nobody knows how much.  What it does between
        # seatings their means show.
        half = abs(slope) / 60.0 * max(float(np.ptp(b.t[b.seat == s])) for s in seats)
        lines.append(
            BudgetLine(
                "drift",
                half / math.sqrt(3.0),
                "B",
                INFINITE_DOF,
                f"{slope:+.4f} mm a minute over the set",
                "rectangular",
            )
        )
    if float(np.ptp(b.minimum)) > APART_MM:
        said.append(_apart(b))
    elif seats.size >= 3:
        said += _off_seating(seats, means, s_r)
    u = math.sqrt(sum(x.u_mm**2 for x in lines))
    dof = u**4 / sum(x.u_mm**4 / x.dof for x in lines if math.isfinite(x.dof))
    return SetStatistics(
        accepted=n,
        rejected=rejected,
        seats=int(seats.size),
        minimum_mm=mean,
        sd_mm=sd,
        seat_sd_mm=seat_sd,
        repeatability_limit_mm=LIMIT_FACTOR * s_r,
        u_mm=u,
        dof=dof,
        drift_mm_per_min=slope,
        drift_p=p,
        budget=tuple(lines),
        notes=tuple(said),
    )


def _off_seating(seats: NDArray[np.int64], means: Array, scatter_mm: float) -> list[str]:
    """One seating that stands off while the others agree: it is counted, and asked about."""
    at = int(np.abs(means - np.median(means)).argmax())
    others = np.delete(means, at)
    off = float(means[at] - others.mean())
    agree = max(float(np.ptp(others)), 2.0 * scatter_mm)
    if abs(off) < max(OFF_MM, 3.0 * agree):
        return []
    return [
        f"Seating {seats[at]} stands {abs(off):.3f} mm off ({off:+.3f} mm on the display) while the others agree within {agree:.3f} mm. "
        "Likely dirt or a burr under the arbor, a cap not at torque, or the arbor on the other side of its play: clean, push and pull, "
        "seat again. It counts until you begin a new set."
    ]


def _apart(b: Bottoms) -> str:
    """What to ask when nearest points lie farther apart than play or a seating puts them."""
    order = np.argsort(b.t)
    at = int(np.abs(np.diff(b.minimum[order])).argmax()) + 1
    return (
        f"The nearest points lie {float(np.ptp(b.minimum)):.3f} mm apart, most of it from {float(b.t[order][at]):.0f} s on: more than play "
        "or a seating makes. Was the zero key pressed, did the indicator slip in its clamp, or was a blade put in or taken out? "
        "Begin a new set."
    )


def _step_share(b: Bottoms) -> float:
    """Share of the display step in common, as the hand went."""
    if b.step_mm <= COARSE_MM:
        return STEP_SHARE
    low, full = STOPPING
    stopping = max((float(b.slowing.mean()) - low) / (full - low), (float(b.unsteady.mean()) - 1.0) / STOPPING_FULL)
    return math.hypot(STEP_SHARE, STEP_SHARE_STOPPING * min(max(stopping, 0.0), 1.0))


def _weighted(x: Array, w: Array) -> float:
    return float((w * x).sum() / w.sum())


def _extra_variance(m: Array, u: Array) -> float:
    """Variance between sweeps beyond their own uncertainties (method of moments), mm^2."""
    if m.size < 2:
        return 0.0
    w = 1.0 / u**2
    mean = (w * m).sum() / w.sum()
    q = float((w * (m - mean) ** 2).sum())
    c = float(w.sum() - (w**2).sum() / w.sum())
    return max(0.0, (q - (m.size - 1)) / c)


def _scatter_variance(b: Bottoms, mean: float, w: Array) -> float | None:
    """Variance of the weighted mean from the sweeps' own scatter, mm^2."""
    n = b.minimum.size
    if n < 2:
        return None
    return float((w * (b.minimum - mean) ** 2).sum() / ((n - 1) * w.sum()))


def _within_seats(b: Bottoms) -> tuple[float | None, int]:
    """Pooled standard deviation within seatings, mm, and its degrees of freedom."""
    total, dof = 0.0, 0
    for s in np.unique(b.seat):
        x = b.minimum[b.seat == s]
        if x.size >= 2:
            total += float(((x - x.mean()) ** 2).sum())
            dof += x.size - 1
    return (math.sqrt(total / dof), dof) if dof else (None, 0)


def _drift(b: Bottoms) -> tuple[float | None, float | None]:
    """Slope against time, mm/min, and its two-sided p value; seatings may differ in level."""
    seats = np.unique(b.seat)
    dof = b.minimum.size - seats.size - 1
    if dof < 1:
        return None, None
    x, y = b.t.astype(float).copy(), b.minimum.astype(float).copy()
    for s in seats:
        i = b.seat == s
        x[i] -= x[i].mean()
        y[i] -= y[i].mean()
    sxx = float((x * x).sum())
    if sxx <= 0:
        return None, None
    slope = float((x * y).sum()) / sxx
    rest = float(((y - slope * x) ** 2).sum())
    floor = float(np.mean(b.u**2)) * 0.25 * dof
    se = math.sqrt(max(rest, floor) / dof / sxx)
    return slope * 60.0, min(1.0, 2.0 * t_sf(abs(slope) / se, dof))
