"""Bottoms of the sweeps of one set, fitted together."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import DEFAULT_SWING_RADIUS_MM, climb_and_slope
from analysis.valley.coarse import Posterior, bottom_u, told_apart
from analysis.valley.lag import LAG_MOST_MM, LAG_PRIOR_MM, Lag, lag_column
from analysis.valley.noise import noise_mm, prior_for, trembling_together
from analysis.valley.pack import REST_HEIGHT_MM, columns_at, pack, rest_columns
from analysis.valley.search import Search, State
from analysis.valley.shapes import Shapes
from analysis.valley.spline import TERMS, basis, basis_slope
from analysis.valley.tremor import tremor_of
from analysis.valley.types import Bottom, Window

Array = NDArray[np.float64]

FEWEST = 5
"""Readings without which no bottom is fitted."""

MOST = 36
"""Readings per window before neighbours are averaged."""

TURNS = 4
"""Times the noise is estimated anew."""

WIDEN, WIDEN_COARSE = 1.14, 0.92
"""What the approximations leave out of a sweep's uncertainty, on a fine and on a coarse display: judged on simulated sets."""

UNSTEADY = 1.8
"""Noise on a coarse display, as a multiple of the noise expected, from which the rest is the hand's."""

SETTLED = 0.05
"""Change of the noise that is none."""

NEGLIGIBLE = 1e-3
"""Weight below which a value of the grid is dropped."""

PACE_S = 0.15
"""Time about the bottom over which the hand's pace is taken: about as long as displays average."""

REFIT_MM, REFITS = 0.0025, 2
"""Lag, not yet taken out, from which it is taken out of the readings and they are fitted again; and how often."""

_DENSE = np.linspace(0.0, 1.0, 201)
_DENSE_BASIS = basis(_DENSE)
_DENSE_SLOPE = basis_slope(_DENSE)


def fit_bottoms(
    windows: Sequence[Window],
    *,
    swing_radius_mm: float = DEFAULT_SWING_RADIUS_MM,
    repeatability_mm: float | None = None,
    most: int = MOST,
) -> list[Bottom]:
    """Bottoms of the sweeps of one set, fitted together.

    Parameters
    ----------
    windows : sequence of Window
        Each with at least 5 readings.
    swing_radius_mm : float
        Axis to face less tip radius, mm.
    repeatability_mm : float, optional
        The indicator's stated standard deviation on a still surface.
    most : int
        Readings per window before neighbours are averaged.

    Returns
    -------
    list of Bottom
        In the order given.

    Raises
    ------
    ValueError
        If a window holds fewer than 5 readings.
    """
    if not windows:
        return []
    if min(w.clock.size for w in windows) < FEWEST:
        raise ValueError(f"a window holds fewer than {FEWEST} readings; the bottom of a sweep needs at least {FEWEST}")
    search = Search(pack(windows, swing_radius_mm, most), swing_radius_mm)
    prior = prior_for(2.0 * float(search.pack.half_step.max()), search.coarse, repeatability_mm)
    sigma = max(prior.sd_mm, prior.floor_mm)
    st = search.anchor(sigma)
    # One fit tells most of what the noise is: the grid starts from there.
    cov, evidence, used = search.posterior(st)
    sigma = noise_mm(search, st, cov, np.ones_like(used), used, sigma, prior)
    st = search.spread_out(st, sigma)
    told = np.flatnonzero(_share(search.evidence(st)).max(axis=0) > NEGLIGIBLE)
    search.narrow(told)
    st = search.again(st.x[:, told], sigma, 10 if search.coarse else 6)
    for turn in range(TURNS):
        cov, evidence, used = search.posterior(st)
        share = _share(evidence)
        new = noise_mm(search, st, cov, share, used, sigma, prior)
        if turn == 0 and not search.coarse:
            search.tremor, new = tremor_of(search, st, share, used, new)
            new = max(new, prior.floor_mm)
        elif turn == 1 and search.tremor:
            search.tremor *= math.sqrt(trembling_together(search, st, cov, share, used))
        if (not (turn == 0 and search.tremor) and abs(new / sigma - 1) < SETTLED) or turn == TURNS - 1:
            break
        sigma = new
        st = search.again(st.x, sigma, 4 if search.coarse else 3)
    found = _told_apart(search, Posterior(st, cov, share, used, np.ones(search.s)), sigma)
    expected = max(prior.sd_mm, prior.floor_mm)
    # What a coarse display shows far beyond the noise expected is a hand the curve could not follow: it errs together.
    unsteady = min(max(1.0, sigma / (UNSTEADY * expected)), 3.0) if search.coarse else 1.0
    slowing = _slowing(search, found.state, found.share, windows)
    shapes = Shapes(search, found.state, found.cov, found.share, found.used)
    lag = shapes.lag(np.maximum(slowing, unsteady - 1.0))
    taken, level = 0.0, np.zeros_like(search.pack.z)
    for _ in range(REFITS):
        if lag.mm - taken < REFIT_MM:
            break
        # So much lag bends the hand's curve: with it out of the readings both come out truer.
        taken = min(lag.mm, LAG_MOST_MM)
        before, level = level, taken * lag_column(shapes.picked_u, taken)
        search.pack.less(level - before)
        st = search.again(found.state.x, sigma, 4)
        cov, evidence, used = search.posterior(st)
        found = _told_apart(search, Posterior(st, cov, _share(evidence), used, np.ones(search.s)), sigma)
        shapes = Shapes(search, found.state, found.cov, found.share, found.used)
        lag = shapes.lag(np.maximum(slowing, unsteady - 1.0), taken)
    return _collect(search, shapes, found, sigma, windows, unsteady, slowing, lag, taken)


def _told_apart(search: Search, plain: Posterior, sigma: float) -> Posterior:
    return told_apart(search, plain, _share, sigma) if search.coarse else plain


def _share(evidence: Array) -> Array:
    """Weights over the unevenness grid: each sweep's own evidence, and a share of the others'."""
    own = evidence - evidence.max(axis=1, keepdims=True)
    s = own.shape[0]
    others = (own.sum(axis=0, keepdims=True) - own) / max(1.0, 0.35 * s + 0.65)
    total = own + others
    total -= total.max(axis=1, keepdims=True)
    w = np.exp(total)
    return np.asarray(w / w.sum(axis=1, keepdims=True))


def _collect(
    search: Search,
    shapes: Shapes,
    found: Posterior,
    sigma: float,
    windows: Sequence[Window],
    unsteady: float,
    slowing: Array,
    lag: Lag,
    taken_mm: float,
) -> list[Bottom]:
    rows, st = np.arange(search.s), found.state
    mean, own_u = bottom_u(st.x[..., 0], found.cov, found.share)
    pick = found.share.argmax(axis=1)
    widen = WIDEN_COARSE * unsteady if search.coarse else WIDEN
    x = st.x[rows, pick]
    at = _nearest(x)
    pace = _pace(x, at, search)
    mean = mean + lag.tilt * (lag.mm - taken_mm)
    lag_share = np.abs(lag.tilt) * lag.u_mm
    var = (found.wider * own_u) ** 2 + lag_share**2
    cusp, u_cusp = shapes.cusp()
    p = search.pack
    u_packed, mu_packed = st.u[rows, pick], st.mu[rows, pick]
    out: list[Bottom] = []
    for i, window in enumerate(windows):
        n = window.clock.size
        if p.entries[i] == n:
            u, mu = u_packed[i, :n], mu_packed[i, :n]
        else:
            u, mu = _at(search, x[i], i, window)
        sd2 = sigma**2 + p.half_step[i] ** 2 / 3.0
        if search.tremor:
            sd2 = sd2 + (climb_and_slope(u, search.radius)[1] * search.tremor) ** 2
        if p.timing[i] * p.span[i] > 1e-3:
            where = np.clip((window.t - p.start[i]) / p.span[i], 0.0, 1.0)
            speed = basis_slope(where) @ x[i, 1 : 1 + TERMS]
            sd2 = sd2 + (climb_and_slope(u, search.radius)[1] * speed * p.timing[i]) ** 2
        out.append(
            Bottom(
                minimum_mm=float(mean[i]),
                u_mm=widen * math.sqrt(float(var[i])),
                bottom_s=float(np.interp(p.start[i] + _DENSE[at[i]] * p.span[i], window.t, window.clock)),
                noise_mm=sigma,
                residual=window.z - mu - taken_mm * lag_column(u, max(taken_mm, LAG_PRIOR_MM)),
                u=u,
                sd=np.broadcast_to(np.sqrt(sd2), u.shape),
                lag_share=float(lag_share[i]),
                cusp=float(cusp[i]),
                u_cusp=float(u_cusp[i]),
                readings=int(p.entries[i]),
                slowing=float(slowing[i]),
                pace=float(pace[i]),
                unsteady=unsteady,
            )
        )
    return out


def _nearest(x: Array) -> NDArray[np.int64]:
    """Place in `_DENSE` at which each sweep's scaled angle is nought."""
    return np.asarray(np.abs(x[:, 1 : 1 + TERMS] @ _DENSE_BASIS.T).argmin(axis=1))


def _slowing(search: Search, st: State, share: Array, windows: Sequence[Window]) -> Array:
    """Loss of speed at the bottom against the mean over the window, 0 to 1; 1 for a rest."""
    x = st.x[np.arange(search.s), share.argmax(axis=1)]
    at = _nearest(x)
    c = x[:, 1 : 1 + TERMS]
    ends = c @ _DENSE_BASIS[[0, -1]].T
    mean = np.maximum(ends[:, 1] - ends[:, 0], 1e-6)
    here = (c * _DENSE_SLOPE[at]).sum(axis=1)
    rested = np.array([w.rest is not None for w in windows])
    return np.where(rested, 1.0, np.clip(1.0 - here / mean, 0.0, 1.0))


def _pace(x: Array, at: NDArray[np.int64], search: Search) -> Array:
    """Change of the scaled angle per second about the bottom, `PACE_S` either side where the window reaches so far."""
    span = search.pack.span
    half = np.maximum(1, np.round(PACE_S / span * (_DENSE.size - 1)).astype(np.int64))
    a, b = np.maximum(at - half, 0), np.minimum(at + half, _DENSE.size - 1)
    c = x[:, 1 : 1 + TERMS]
    way = (c * (_DENSE_BASIS[b] - _DENSE_BASIS[a])).sum(axis=1)
    return np.asarray(np.abs(way) / (_DENSE[b] - _DENSE[a]) / span)


def _at(search: Search, x: Array, i: int, window: Window) -> tuple[Array, Array]:
    """Scaled angle and level at every reading of a window whose neighbours were averaged."""
    p = search.pack
    where = np.clip((window.t - p.start[i]) / p.span[i], 0.0, 1.0)
    resting, after = rest_columns(window).T
    u = columns_at(where, after) @ x[1:-1]
    climb = climb_and_slope(u, search.radius)[0]
    return u, x[0] + np.where(resting > 0, x[-1] + REST_HEIGHT_MM, climb)
