"""The bottom of a sweep: exact geometry under a hand of unknown, uneven speed.

Model.  A reading is ``y = m + f(u(t)) + noise`` with `f` the exact climb of the secant
(`analysis.geometry`) and `u(t)` the scaled angle, a cubic spline whose third differences are
penalised.  How uneven the hand is (the size of those differences) is not chosen once: every value on
a grid is fitted, each is weighed by its marginal likelihood (Laplace approximation over the
spline), the sweeps of a set share what they say about hand and noise, and the answer is the weighted mixture.  Its
variance therefore holds the doubt about the hand, which one penalty picked by cross-validation
leaves out.

Display.  A reading says only that the true value lay within half a step.  Where the step
is not small against the noise the likelihood of that interval is used as it stands, so
twenty equal readings at the bottom count as one fact and the moments at which the display
changes carry the information.

Many sweeps are fitted at once: arrays are (problems, readings, unknowns), one problem per sweep and
unevenness.

Sources: penalised splines after the literature on P-splines (uniform knots, difference penalty);
Laplace approximation and marginal likelihood: standard texts on Bayesian computation; grouped (interval)
likelihood: standard texts on rounded data.  Derived here where combined.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import DEFAULT_SWING_RADIUS_MM, rise_mm, rise_slope, scaled_angle

Array = NDArray[np.float64]

SPLINE_TERMS = 14
"""Cubic B-splines over the window: finer than any hand speed that ten readings could show."""

UNEVENNESS = np.array([6e-4, 4e-3, 0.02, 0.1, 0.5, 2.0])
"""Grid of standard deviations of the spline's third differences, relative to the window's half width."""

LAG_PRIOR_MM = 0.0015
"""Plunger lag (hysteresis) thought likely before the flanks have shown it: a good indicator has 1 to 3 µm
(common practice, no source)."""

NOISE_PRIOR_MM = 0.0012
NOISE_PRIOR_DOF = 3.0
"""Display noise assumed before any sweep has been seen, and how many readings that is worth."""


@dataclass(frozen=True, slots=True)
class Window:
    """Readings around one bottom, ready to be fitted.

    Attributes
    ----------
    clock : ndarray
        Times, s.
    t : ndarray
        The same with a rest at the bottom taken out (`analysis.windows.without_rest`), s.
    z : ndarray
        Readings, mm, smallest nearest the face.
    step_mm : float
        Display step.
    timing_s : float
        Standard deviation of the times, s.
    """

    clock: Array
    t: Array
    z: Array
    step_mm: float
    timing_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Bottom:
    """Fitted bottom of one sweep.

    Attributes
    ----------
    minimum_mm, u_mm : float
        Reading at the nearest point and its standard uncertainty (fit and noise).
    bottom_s : float
        Time of the nearest point.
    noise_mm : float
        Standard deviation of a reading about the fit, display step excluded.
    residual : ndarray
        Readings minus fit, mm, one per reading of the window.
    u : ndarray
        Scaled angle at each reading, mm^0.5 (negative before the bottom).
    sd : ndarray
        Expected standard deviation of each residual, mm.
    lag_share : float
        Part of `u_mm` that the doubt about plunger lag gives; the sweeps of a set have it in common, mm.
    cusp, u_cusp : float
        Coefficient of a ``-|u|`` term (a flat tip or a bridged hole) and its standard uncertainty.
    step, u_step : float
        Size of a step of the face inside the sweep at its likeliest place, and its standard uncertainty, mm.
    readings : int
        Readings used.
    """

    minimum_mm: float
    u_mm: float
    bottom_s: float
    noise_mm: float
    residual: Array
    u: Array
    sd: Array
    lag_share: float
    cusp: float
    u_cusp: float
    step: float
    u_step: float
    readings: int


def _basis(x: Array, terms: int) -> Array:
    """Uniform cubic B-splines on [0, 1]; `x` (..., n) gives (..., n, terms)."""
    segments = terms - 3
    s = x * segments
    cell = np.clip(np.floor(s), 0, segments - 1).astype(np.int64)
    f = s - cell
    g = 1.0 - f
    w = np.stack([g**3 / 6, (3 * f**3 - 6 * f**2 + 4) / 6, (3 * g**3 - 6 * g**2 + 4) / 6, f**3 / 6], axis=-1)
    out = np.zeros((*x.shape, terms))
    np.put_along_axis(out, cell[..., None] + np.arange(4), w, axis=-1)
    return out


_D3 = np.diff(np.eye(SPLINE_TERMS), n=3, axis=0)
_PENALTY = _D3.T @ _D3
_RANK = SPLINE_TERMS - 3
_SQRT2PI = math.sqrt(2 * math.pi)


def _phi(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x * x) / _SQRT2PI)


def _cdf(x: Array) -> Array:
    """Normal distribution function, absolute error below 1.2e-7 (value from memory: a published rational
    approximation of erfc); ample inside a likelihood that is then differentiated exactly elsewhere."""
    z = np.abs(x) / math.sqrt(2)
    t = 1.0 / (1.0 + 0.5 * z)
    poly = -1.26551223 + t * (
        1.00002368
        + t
        * (
            0.37409196
            + t
            * (
                0.09678418
                + t
                * (
                    -0.18628806
                    + t * (0.27886807 + t * (-1.13520398 + t * (1.48851587 + t * (-0.82215223 + t * 0.17087277))))
                )
            )
        )
    )
    erfc = t * np.exp(-z * z + poly)
    return np.asarray(np.where(x > 0, 1.0 - 0.5 * erfc, 0.5 * erfc))


@dataclass(slots=True)
class _Pack:
    """Windows padded to one length: (sweeps, readings)."""

    t: Array
    z: Array
    w: Array  # 1 for a reading, 0 for padding
    count: Array  # readings averaged into each entry
    half_step: Array  # (sweeps,)
    timing: Array  # (sweeps,)
    start: Array
    span: Array
    basis: Array
    u0: Array
    height: Array
    index: list[NDArray[np.int64]]


def _grouped(window: Window, most: int) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """At most about `most` entries: neighbours averaged (fine display) or runs thinned (coarse)."""
    t, z, n = window.t, window.z, window.t.size
    if n <= most:
        return t, z, np.ones(n), np.arange(n)
    height = float(z.max() - z.min())
    if window.step_mm > 0.004:
        # Inside a run of equal values a reading says nothing its neighbours do not.
        same = np.zeros(n, dtype=bool)
        same[1:-1] = (z[1:-1] == z[:-2]) & (z[1:-1] == z[2:])
        keep = np.flatnonzero(~same)
        if keep.size > 2 * most:
            keep = keep[np.linspace(0, keep.size - 1, 2 * most).astype(np.int64)]
        spare = np.flatnonzero(same)
        room = max(0, 2 * most - keep.size)
        if spare.size and room:
            spare = spare[np.linspace(0, spare.size - 1, min(room, spare.size)).astype(np.int64)]
            keep = np.sort(np.concatenate([keep, spare]))
        return t[keep], z[keep], np.ones(keep.size), keep
    per = math.ceil(n / most)
    edges = [0]
    first = 0
    for i in range(1, n):
        if i - first >= per or abs(z[i] - z[first]) > height / 10:
            edges.append(i)
            first = i
    starts = np.array(edges, dtype=np.int64)
    counts = np.diff(np.append(starts, n)).astype(float)
    return np.add.reduceat(t, starts) / counts, np.add.reduceat(z, starts) / counts, counts, starts


def _pack(windows: Sequence[Window], radius_mm: float, most: int) -> _Pack:
    parts = [_grouped(w, most) for w in windows]
    s, n = len(parts), max(p[0].size for p in parts)
    t, z, w, count = np.zeros((s, n)), np.zeros((s, n)), np.zeros((s, n)), np.ones((s, n))
    u0, start, span, height = np.zeros((s, n)), np.zeros(s), np.ones(s), np.ones(s)
    for j, (tj, zj, cj, _) in enumerate(parts):
        k = tj.size
        start[j], span[j] = tj[0], max(float(tj[-1] - tj[0]), 1e-6)
        t[j, :k] = (tj - tj[0]) / span[j]
        z[j, :k], w[j, :k], count[j, :k] = zj, 1.0, cj
        low, base = _lowest(zj)
        rise = np.maximum(zj - base, 0.0)
        height[j] = max(float(np.quantile(rise, 0.9)), 1e-3)
        root = scaled_angle(rise, radius_mm)
        u0[j, :k] = np.where(np.arange(k) < low, -root, root)
    return _Pack(
        t=t,
        z=z,
        w=w,
        count=count,
        half_step=np.array([0.5 * x.step_mm for x in windows]),
        timing=np.array([x.timing_s for x in windows]),
        start=start,
        span=span,
        basis=_basis(t, SPLINE_TERMS),
        u0=u0,
        height=height,
        index=[p[3] for p in parts],
    )


def _lowest(z: Array) -> tuple[int, float]:
    """Middle of the lowest readings and their level, safe against one wild reading."""
    if z.size >= 5:
        m3 = np.sort(np.stack([z[:-2], z[1:-1], z[2:]]), axis=0)[1]
        level = float(m3.min())
        at = np.flatnonzero(m3 <= level + 1e-12) + 1
    else:
        level = float(z.min())
        at = np.flatnonzero(z <= level + 1e-12)
    return int(at[at.size // 2]), level


@dataclass(slots=True)
class _State:
    """Everything the fit knows at one point of its search; arrays (problems, …)."""

    x: Array  # m and spline coefficients
    mu: Array
    slope: Array
    weight: Array  # information per reading
    score: Array
    second: Array  # expected squared deviation, for the noise
    objective: Array
    var: Array
    keep: Array  # probability that a reading is a sound one


def _likelihood(mu: Array, sd: Array, z: Array, half: Array, coarse: bool, spread: Array) -> tuple[Array, ...]:
    """Log likelihood of each reading, its slope and information in `mu`, E[(y - mu)^2] and soundness.

    One reading in a hundred may be anything within `spread` (mm): a knock or a garbled value.
    """
    r = z - mu
    if coarse:
        c = np.abs(r) / sd
        h = half / sd
        lo, hi = c - h, c + h
        p = np.maximum(_cdf(-lo) - _cdf(-hi), 1e-300)
        flo, fhi = _phi(lo), _phi(hi)
        d1 = np.sign(r) * (flo - fhi) / (p * sd)
        d2 = d1**2 - (lo * flo - hi * fhi) / (p * sd**2)
        far = p < 1e-290
        d1 = np.where(far, r / sd**2, d1)
        d2 = np.where(far, 1.0 / sd**2, np.maximum(d2, 0.0))
        logp = np.where(far, -0.5 * c * c - 600.0, np.log(p / (2 * half)))
        second = sd**2 * (1.0 - np.where(far, 0.0, (hi * fhi - lo * flo) / p))
        second = np.where(far, r**2, np.maximum(second, 0.0))
    else:
        logp = -0.5 * (r / sd) ** 2 - np.log(sd * _SQRT2PI)
        d1 = r / sd**2
        d2 = 1.0 / sd**2 + 0.0 * r
        second = r**2
    wild = math.log(0.01) - np.log(2 * spread)
    good = math.log(0.99) + logp
    top = np.maximum(good, wild)
    total = top + np.log(np.exp(good - top) + np.exp(wild - top))
    keep = np.exp(good - total)
    return total, keep * d1, keep * d2, second, keep


class _Search:
    """Damped scoring iterations for every (sweep, unevenness) pair at once."""

    def __init__(self, pack: _Pack, radius_mm: float, grid: Array) -> None:
        self.pack, self.radius, self.grid = pack, radius_mm, grid
        s, n = pack.t.shape
        self.s, self.n, self.k = s, n, grid.size
        self.rep = np.repeat(np.arange(s), self.k)
        size = np.sqrt(pack.height)[:, None] * grid[None, :]
        self.inv_var = (1.0 / size.reshape(-1)) ** 2
        self.log_size = np.log(size.reshape(-1))
        q = SPLINE_TERMS + 1
        self.prior = np.zeros((s * self.k, q, q))
        self.prior[:, 1:, 1:] = _PENALTY * self.inv_var[:, None, None] + np.eye(SPLINE_TERMS) * 1e-6
        self.basis = pack.basis[self.rep]
        self.coarse = bool(pack.half_step.max() > 0.0015)
        self.spread = np.maximum(pack.height, 0.05)[self.rep][:, None]
        self.x = self._start()
        self.state: _State | None = None

    def _start(self) -> Array:
        p = self.pack
        lhs = np.einsum("sn,sni,snj->sij", p.w, p.basis, p.basis) + (0.03 * _PENALTY + 1e-6 * np.eye(SPLINE_TERMS))
        rhs = np.einsum("sn,sni->si", p.w * p.u0, p.basis)
        c = np.linalg.solve(lhs, rhs[..., None])[..., 0]
        low = np.array([_lowest(z[w > 0])[1] for z, w in zip(p.z, p.w, strict=True)])
        return np.concatenate([low[:, None], c], axis=1)[self.rep]

    def evaluate(self, x: Array, sigma: Array) -> _State:
        p, rep = self.pack, self.rep
        u = np.matmul(self.basis, x[:, 1:, None])[..., 0]
        limit = 0.6 * math.sqrt(self.radius / 2)  # 34°, well inside the secant's pole
        u = np.clip(u, -limit, limit)
        mu = x[:, :1] + rise_mm(u, self.radius)
        slope = rise_slope(u, self.radius)
        var = sigma[rep][:, None] ** 2 / p.count[rep]
        timing = p.timing[rep] / p.span[rep]
        if timing.any():
            dc = np.matmul(_basis_slope(p.t), _diff(x[:, 1:]).reshape(self.s, self.k, -1).transpose(0, 2, 1))
            du = dc.transpose(0, 2, 1).reshape(len(rep), self.n)
            var = var + (slope * du * timing[:, None]) ** 2
        half = p.half_step[rep][:, None]
        if not self.coarse:
            var = var + half**2 / 3.0 / p.count[rep]
        loglik, d1, d2, second, keep = _likelihood(mu, np.sqrt(var), p.z[rep], half, self.coarse, self.spread)
        w = p.w[rep]
        rough = np.einsum("pi,ij,pj->p", x[:, 1:], _PENALTY, x[:, 1:]) * self.inv_var
        objective = -(loglik * w).sum(axis=1) + 0.5 * rough
        return _State(x, mu, slope, d2 * w, d1 * w, second, objective, var, keep)

    def jacobian(self, st: _State) -> Array:
        return np.concatenate([np.ones((*st.slope.shape, 1)), st.slope[..., None] * self.basis], axis=2)

    def hessian(self, st: _State) -> tuple[Array, Array]:
        j = self.jacobian(st)
        return np.matmul((j * st.weight[..., None]).transpose(0, 2, 1), j) + self.prior, j

    def run(self, sigma: Array, rounds: int) -> _State:
        st = self.evaluate(self.x, sigma)
        damp = np.full(self.x.shape[0], 1e-3)
        eye = np.arange(SPLINE_TERMS + 1)
        for _ in range(rounds):
            h, j = self.hessian(st)
            g = np.matmul(j.transpose(0, 2, 1), st.score[..., None])[..., 0] - np.einsum("pij,pj->pi", self.prior, st.x)
            g[:, 0] += self.prior[:, 0, 0] * st.x[:, 0]
            h[:, eye, eye] *= 1.0 + damp[:, None]
            h[:, eye, eye] += 1e-9
            step = np.linalg.solve(h, g[..., None])[..., 0]
            new = self.evaluate(st.x + step, sigma)
            better = new.objective <= st.objective + 1e-9
            gain = np.abs(st.objective - new.objective)
            damp = np.where(better, np.maximum(damp * 0.2, 1e-9), damp * 12.0)
            for name in ("x", "mu", "slope", "weight", "score", "second", "var", "keep"):
                a, b = getattr(st, name), getattr(new, name)
                setattr(st, name, np.where(better.reshape(-1, *([1] * (a.ndim - 1))), b, a))
            st.objective = np.where(better, new.objective, st.objective)
            if np.all(better & (gain < 1e-3)):
                break
        self.x = st.x
        return st


def _basis_slope(t: Array) -> Array:
    """Quadratic B-splines whose combination of coefficient differences is du/dx; (…, n, terms - 1)."""
    segments = SPLINE_TERMS - 3
    s = t * segments
    cell = np.clip(np.floor(s), 0, segments - 1).astype(np.int64)
    f = s - cell
    w = np.stack([0.5 * (1 - f) ** 2, 0.5 + f - f * f, 0.5 * f * f], axis=-1) * segments
    out = np.zeros((*t.shape, SPLINE_TERMS - 1))
    np.put_along_axis(out, cell[..., None] + np.arange(3), w, axis=-1)
    return out


def _diff(c: Array) -> Array:
    return np.asarray(np.diff(c, axis=-1))


def fit_bottoms(
    windows: Sequence[Window],
    *,
    swing_radius_mm: float = DEFAULT_SWING_RADIUS_MM,
    repeatability_mm: float | None = None,
    most: int = 36,
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
    if min(w.t.size for w in windows) < 5:
        raise ValueError("a window holds fewer than 5 readings; the bottom of a sweep needs at least 5")
    pack = _pack(windows, swing_radius_mm, most)
    search = _Search(pack, swing_radius_mm, UNEVENNESS)
    prior_sd, prior_dof = (
        (NOISE_PRIOR_MM, NOISE_PRIOR_DOF) if repeatability_mm is None else (max(repeatability_mm, 1e-4), 12.0)
    )
    step = 2.0 * float(pack.half_step.max())
    floor = 0.06 * step
    if search.coarse and repeatability_mm is None:
        # A coarse display hides the noise; what little it shows may not overrule what indicators are known to do.
        prior_sd, prior_dof = max(prior_sd, 0.12 * step), 40.0
    sigma = np.full(len(windows), max(prior_sd, floor))
    share = np.empty(0)
    for turn in range(4):
        st = search.run(sigma, 14 if turn == 0 else 5)
        cov, share, used = _weigh(search, st)
        new = _noise(search, st, cov, share, used, sigma[0], prior_sd, prior_dof, floor)
        done = abs(new / sigma[0] - 1) < 0.03
        sigma = np.full(len(windows), new)
        if done and turn:
            break
    return _collect(search, st, cov, share, used, sigma, windows)


def _weigh(search: _Search, st: _State) -> tuple[Array, Array, Array]:
    """Covariances, weights over the grid and readings' worth used up by each fit."""
    s, k = search.s, search.k
    h, _ = search.hessian(st)
    info = h - search.prior
    h[:, np.arange(h.shape[1]), np.arange(h.shape[1])] += 1e-9
    cov = np.asarray(np.linalg.inv(h), dtype=np.float64)
    logdet = np.asarray(np.linalg.slogdet(h)[1], dtype=np.float64)
    evidence = (-st.objective - _RANK * search.log_size - 0.5 * logdet).reshape(s, k)
    used: Array = np.einsum("pij,pji->p", info, cov).reshape(s, k)
    return cov, _share(evidence), used


def _noise(
    search: _Search,
    st: _State,
    cov: Array,
    share: Array,
    used: Array,
    sigma: float,
    prior_sd: float,
    prior_dof: float,
    floor: float,
) -> float:
    """Noise of a reading as the slow part of the fit feels it, mm.

    Only what a reading tells counts: a value in the middle of a coarse step tells nothing of the
    noise.  Neighbouring readings that err together weaken the fit as if the noise were larger by
    ``sqrt((1 + r) / (1 - r))``, r their correlation (value from memory: the effective number of readings of an autoregressive series).
    """
    pack, s, k = search.pack, search.s, search.k
    sound = st.keep * pack.w[search.rep]
    var = st.var
    told = np.clip(st.weight * var, 0.0, 1.0)
    told = np.where(sound > 0, told / np.maximum(sound, 1e-9), 0.0)
    squares = (sound * np.maximum(st.second - (1.0 - told) * var, 0.0) / var).sum(axis=1).reshape(s, k)
    worth = (sound * told).sum(axis=1).reshape(s, k)
    left = float((share * np.maximum(worth - used, 0.1)).sum())
    total = float((share * squares).sum()) * sigma**2
    new2 = (total + prior_dof * prior_sd**2) / (left + prior_dof)
    if not search.coarse:
        pick = np.arange(s) * k + share.argmax(axis=1)
        scale = np.sqrt(st.weight[pick])
        r = (pack.z - st.mu[pick]) * scale
        # What the fit itself leaves between neighbours when the noise is independent.
        g = search.jacobian(st)[pick] * scale[..., None]
        left_over = np.eye(search.n) - np.matmul(np.matmul(g, cov[pick]), g.transpose(0, 2, 1))
        both = np.matmul(left_over, left_over.transpose(0, 2, 1)) * (scale > 0)[:, :, None]
        own = float(np.trace(both, axis1=1, axis2=2).sum())
        next_to = float(np.trace(both, offset=1, axis1=1, axis2=2).sum())
        r1 = float((r[:, 1:] * r[:, :-1]).sum() / max(float((r * r).sum()), 1e-12)) - next_to / max(own, 1e-12)
        r1 = min(max(1.3 * r1 * left / (left + 15.0), 0.0), 0.75)
        new2 *= (1 + r1) / (1 - r1)
    return max(math.sqrt(new2), floor, 0.2 * prior_sd)


def _share(evidence: Array) -> Array:
    """Weights over the unevenness grid: each sweep's own evidence, and a share of the others'."""
    own = evidence - evidence.max(axis=1, keepdims=True)
    s = own.shape[0]
    others = (own.sum(axis=0, keepdims=True) - own) / max(1.0, 0.35 * s + 0.65)
    total = own + others
    total -= total.max(axis=1, keepdims=True)
    w = np.exp(total)
    return np.asarray(w / w.sum(axis=1, keepdims=True))


class _Shapes:
    """What one more term in the model would come to, given the fit: a lag, a cusp, a step.

    Each is one scoring step for an added column, with the hand free to answer it (the Schur complement of the fit's
    information), so a shape the hand could have made is not counted.
    """

    def __init__(self, search: _Search, st: _State, cov: Array, share: Array, used: Array) -> None:
        self.search, self.st, self.cov, self.share = search, st, cov, share
        self.used = (share * used).sum(axis=1)
        self.j = search.hessian(st)[1]
        self.u = np.matmul(search.basis, st.x[:, 1:, None])[..., 0]

    def _term(self, column: Array, rows: NDArray[np.int64]) -> tuple[Array, Array, Array]:
        """Size, its standard uncertainty, and what one unit of it does to the bottom."""
        st = self.st
        w = st.weight[rows]
        a = np.matmul(self.j[rows].transpose(0, 2, 1), (w * column)[..., None])[..., 0]
        ca = np.matmul(self.cov[rows], a[..., None])[..., 0]
        schur = np.maximum((w * column * column).sum(axis=1) - (a * ca).sum(axis=1), 1e-6)
        gain = (st.score[rows] * column).sum(axis=1)
        return gain / schur, 1.0 / np.sqrt(schur), -ca[:, 0]

    def lag(self) -> tuple[float, float, Array]:
        """Plunger lag of the set, mm, from how the rising flank hangs behind the falling one.

        Returns its value and standard uncertainty, prior included, and the bottom's answer to it per sweep.
        """
        s, k = self.search.s, self.search.k
        column = np.where(self.u < 0, 0.5, 0.5 - np.minimum(1.0, self.u**2 / 0.002))
        size, u, tilt = (x.reshape(s, k) for x in self._term(column, np.arange(s * k)))
        mean = (self.share * size).sum(axis=1)
        var = (self.share * (u**2 + (size - mean[:, None]) ** 2)).sum(axis=1)
        # Where the hand's freedom uses up most of the readings, a lag is what the spline could not follow.
        readings = self.search.pack.w.sum(axis=1)
        w = np.minimum(1.0, (1.0 - self.used / readings) * 1.6) ** 4 / var
        prior = 1.0 / LAG_PRIOR_MM**2
        precision = float(w.sum()) + prior
        return float((w * mean).sum()) / precision, 1.0 / math.sqrt(precision), (self.share * tilt).sum(axis=1)

    def cusp(self, pick: NDArray[np.int64]) -> tuple[Array, Array]:
        """Coefficient of ``-|u|`` per sweep, mm^0.5."""
        size, u, _ = self._term(-np.abs(self.u[pick]), pick)
        return size, u

    def step(self, pick: NDArray[np.int64]) -> tuple[Array, Array]:
        """Step of the face inside each sweep, at the one of seven places where it is clearest."""
        places = np.array([-0.25, -0.15, -0.07, 0.0, 0.07, 0.15, 0.25])
        tried = [self._term((self.u[pick] > p).astype(float), pick)[:2] for p in places]
        size, u = np.stack([x[0] for x in tried]), np.stack([x[1] for x in tried])
        at = np.argmax(np.abs(size) / u, axis=0)
        cols = np.arange(pick.size)
        return size[at, cols], u[at, cols]


def _collect(
    search: _Search, st: _State, cov: Array, share: Array, used: Array, sigma: Array, windows: Sequence[Window]
) -> list[Bottom]:
    s, k = search.s, search.k
    m = st.x[:, 0].reshape(s, k)
    v = cov[:, 0, 0].reshape(s, k)
    mean = (share * m).sum(axis=1)
    var = (share * (v + (m - mean[:, None]) ** 2)).sum(axis=1)
    best = share.argmax(axis=1)
    pick = np.arange(s) * k + best
    shapes = _Shapes(search, st, cov, share, used)
    lag, u_lag, tilt = shapes.lag()
    mean = mean + tilt * lag
    lag_share = np.abs(tilt) * u_lag
    var = var + lag_share**2
    cusp, u_cusp = shapes.cusp(pick)
    step, u_step = shapes.step(pick)
    out: list[Bottom] = []
    pack = search.pack
    dense = np.linspace(0.0, 1.0, 201)
    dense_basis = _basis(dense, SPLINE_TERMS)
    for i in range(s):
        size = int(pack.w[i].sum())
        coeff = st.x[pick[i], 1:]
        at = int(np.argmin(np.abs(dense_basis @ coeff)))
        full = windows[i]
        x = np.clip((full.t - pack.start[i]) / pack.span[i], 0.0, 1.0)
        uf = _basis(x, SPLINE_TERMS) @ coeff
        model = st.x[pick[i], 0] + rise_mm(uf, search.radius)
        slope_t = rise_slope(uf, search.radius) * (_basis_slope(x) @ np.diff(coeff)) / pack.span[i]
        sd = np.sqrt(sigma[i] ** 2 + (pack.half_step[i] ** 2) / 3.0 + (slope_t * full.timing_s) ** 2)
        out.append(
            Bottom(
                minimum_mm=float(mean[i]),
                u_mm=float(math.sqrt(var[i])),
                bottom_s=float(np.interp(pack.start[i] + dense[at] * pack.span[i], full.t, full.clock)),
                noise_mm=float(sigma[i]),
                residual=full.z - model,
                u=uf,
                sd=sd,
                lag_share=float(lag_share[i]),
                cusp=float(cusp[i]),
                u_cusp=float(u_cusp[i]),
                step=float(step[i]),
                u_step=float(u_step[i]),
                readings=size,
            )
        )
    return out
