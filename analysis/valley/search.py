"""Scoring iterations for every pair of sweep and unevenness at once.

Unknowns of one problem: the bottom, the spline's coefficients, the hand's way during a rest, the height it rests at.  Arrays are (sweeps, grid, …).  One value of the grid is brought home
first; the others start from its linear model, a step or two from home.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import climb_and_slope
from analysis.valley.likelihood import Told, told
from analysis.valley.pack import EXTRA, REST_HEIGHT_MM, REST_SPREAD_MM, Pack
from analysis.valley.spline import PENALTY, RANK, TERMS

Array = NDArray[np.float64]

UNEVENNESS: Array = np.array([6e-4, 4e-3, 0.02, 0.1, 0.5, 2.0])
"""Grid of standard deviations of the spline's third differences, relative to the window's half width."""

ANCHOR = 4
"""The value of the grid that is brought home first."""

UNKNOWNS = 1 + TERMS + EXTRA + 1
_JITTER = 1e-6
_KINK = 0.01
_CLOSE = 0.02
"""Gain in log likelihood that ends the search: what is left is far below the answer's own uncertainty."""

_HOLD = 1e-9
"""Share of the largest diagonal term that holds a singular fit where it is."""

_NO_WEIGHT = 50.0
"""Log evidence below the others at which a value of the grid is as good as gone."""


@dataclass(slots=True)
class State:
    """Everything known at one point of the search; (sweeps, grid) or (sweeps, grid, readings)."""

    x: Array
    u: Array
    mu: Array
    slope: Array
    var: Array
    told: Told
    objective: Array

    def only(self, rows: NDArray[np.int64]) -> State:
        """The state of some sweeps."""
        return self.with_rows(lambda own, _: own[rows], self)

    def with_rows(self, put: Callable[[Array, Array], Array], other: State) -> State:
        """The state with each array put together from its own and another's."""
        plain = ("x", "u", "mu", "slope", "var", "objective")
        told_ = Told(*(put(a, b) for a, b in zip(self.told, other.told, strict=True)))
        return State(told=told_, **{name: put(getattr(self, name), getattr(other, name)) for name in plain})


class Search:
    """The search over one pack.

    Parameters
    ----------
    pack : Pack
    radius_mm : float
        Swing radius.
    ridge : float
        Coefficient of a ``-|u|`` term in the climb, mm^0.5: a flat tip of radius `a` makes ``a * sqrt(2 / radius)``, and two false
        bottoms ``ridge**2 / 4`` deep; 0 for a ball tip.
    """

    def __init__(self, pack: Pack, radius_mm: float, ridge: float = 0.0) -> None:
        self.pack, self.radius, self._ridge = pack, radius_mm, ridge
        # Trembling of the hand, mm^0.5 of scaled angle: nothing at the bottom, much on the flanks.
        self.tremor = 0.0
        s, n = pack.t.shape
        self.s, self.n, self.k = s, n, UNEVENNESS.size
        size = np.sqrt(pack.height)[:, None] * UNEVENNESS
        self.log_size = np.log(size)
        self.coarse = pack.coarse
        self.spread = np.maximum(pack.height, 0.05)[:, None, None]
        self._half = pack.half_step[:, None, None]
        self._z = pack.z[:, None, :]
        self._w = pack.w[:, None, :]
        self._count = pack.count[:, None, :]
        self._resting = pack.resting[:, None, :]
        self._moving = 1.0 - self._resting
        self._across = np.ascontiguousarray(pack.columns.transpose(0, 2, 1))
        c = TERMS + EXTRA
        self._outer = (pack.columns[..., :, None] * pack.columns[..., None, :]).reshape(s, n, c * c)
        # A jitter of a hundredth of a millisecond moves no reading.
        self._jitter = bool((pack.timing * pack.span).max() > 1e-3)
        self._limit = 0.6 * math.sqrt(radius_mm / 2)  # 34°, well inside the secant's pole
        self._base = np.zeros((s, 1, UNKNOWNS, UNKNOWNS))
        self._base[:, 0, 1 : 1 + TERMS, 1 : 1 + TERMS] = _JITTER * np.eye(TERMS)
        self._base[:, 0, -2, -2] = pack.slack**-2.0
        self._base[:, 0, -1, -1] = REST_SPREAD_MM**-2.0
        self.prior = np.repeat(self._base, self.k, axis=1)
        self.prior[:, :, 1 : 1 + TERMS, 1 : 1 + TERMS] += PENALTY * (size**-2.0)[:, :, None, None]

    def start(self) -> Array:
        """Bottom and coefficients read off the heights of the readings; (sweeps, 1, UNKNOWNS)."""
        p = self.pack
        b = p.columns[..., :TERMS]
        # On a ridge only the readings outside the two false bottoms tell which side they are on.
        deep = 0.25 * self._ridge**2
        w = p.w * (p.u0**2 >= deep)
        u0 = p.u0 + np.copysign(0.5 * self._ridge, p.u0)
        lhs = np.matmul((b * w[..., None]).transpose(0, 2, 1), b) + (0.001 * PENALTY + 1e-6 * np.eye(TERMS))
        rhs = np.matmul(b.transpose(0, 2, 1), (w * u0)[..., None])
        c = np.linalg.solve(lhs, rhs)[..., 0]
        return np.concatenate([p.low[:, None] + deep, c, np.zeros((self.s, EXTRA + 1))], axis=1)[:, None, :]

    def evaluate(self, x: Array, sigma: float, prior: Array) -> State:
        """State at `x` (sweeps, grid, UNKNOWNS) for noise `sigma` (mm)."""
        p = self.pack
        u = np.clip(np.matmul(x[..., 1:-1], self._across), -self._limit, self._limit)
        climb, slope = climb_and_slope(u, self.radius)
        if self._ridge:
            # The edge's kink is rounded off over a tenth of a degree, so that the search has a slope to follow.
            root = np.sqrt(u * u + _KINK**2)
            climb, slope = climb - self._ridge * (root - _KINK), slope - self._ridge * u / root
        slope = slope * self._moving
        mu = x[..., :1] + climb * self._moving + (x[..., -1:] + REST_HEIGHT_MM) * self._resting
        var: Array = sigma**2 / self._count
        if not self.coarse:
            var = var + self._half**2 / 3.0 / self._count
        if self.tremor:
            var = var + (slope * self.tremor) ** 2 / self._count
        if self._jitter:
            du = np.matmul(x[..., 1:-1], p.slopes.transpose(0, 2, 1))
            var = var + (slope * du * p.timing[:, None, None]) ** 2
        told_ = told(mu, np.sqrt(var), self._z, self._half, self.coarse, self.spread)
        rough = (np.matmul(x[..., None, :], prior)[..., 0, :] * x).sum(axis=-1)
        objective = -(told_.loglik * self._w).sum(axis=-1) + 0.5 * rough
        return State(x, u, mu, slope, np.broadcast_to(var, mu.shape), told_, objective)

    def information(self, st: State, weight: Array | None = None) -> Array:
        """Information of the readings in the unknowns; (sweeps, grid, UNKNOWNS, UNKNOWNS)."""
        s, k = st.objective.shape
        w = st.told.weight * self._w if weight is None else weight
        ws = w * st.slope
        out = np.empty((s, k, UNKNOWNS, UNKNOWNS))
        out[..., 0, 0] = w.sum(axis=-1)
        out[..., 0, 1:-1] = out[..., 1:-1, 0] = np.matmul(ws, self.pack.columns)
        c = TERMS + EXTRA
        out[..., 1:-1, 1:-1] = np.matmul(ws * st.slope, self._outer).reshape(s, k, c, c)
        wr = w * self._resting
        out[..., -1, 1:-1] = out[..., 1:-1, -1] = np.matmul(wr * st.slope, self.pack.columns)
        out[..., 0, -1] = out[..., -1, 0] = wr.sum(axis=-1)
        out[..., -1, -1] = (wr * self._resting).sum(axis=-1)
        return out

    def score(self, st: State) -> Array:
        """Slope of the readings' log likelihood in the unknowns; (sweeps, grid, UNKNOWNS)."""
        return self.against(st.told.score * self._w, st.slope)

    def against(self, g: Array, slope: Array) -> Array:
        """Sums of `g` (sweeps, any, readings) times each unknown's column; (sweeps, any, UNKNOWNS)."""
        ways = np.matmul(g * slope, self.pack.columns)
        return np.concatenate(
            [g.sum(axis=-1, keepdims=True), ways, (g * self._resting).sum(axis=-1, keepdims=True)], axis=-1
        )

    def only(self, rows: NDArray[np.int64]) -> Search:
        """The search over some of the sweeps."""
        part = copy(self)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                setattr(part, name, value[rows])
        part.pack, part.s = (
            replace(self.pack, **{f.name: getattr(self.pack, f.name)[rows] for f in fields(Pack)}),
            rows.size,
        )
        return part

    def gradients(self, st: State) -> Array:
        """What each unknown does to the level of each reading; (sweeps, grid, readings, UNKNOWNS)."""
        g = np.empty((*st.mu.shape, UNKNOWNS))
        g[..., 0] = 1.0
        g[..., 1:-1] = st.slope[..., None] * self.pack.columns[:, None]
        g[..., -1] = self._resting
        return g

    def covariance(self, st: State, weight: Array) -> Array:
        """Covariances with readings of these weights."""
        h = self.information(st, weight) + self.prior
        eye = np.arange(UNKNOWNS)
        h[..., eye, eye] += 1e-9
        return _inverse(h)

    @property
    def penalty_size(self) -> Array:
        """What the size of the hand's unevenness takes off the log evidence; (sweeps, grid)."""
        return RANK * self.log_size

    def anchor(self, sigma: float) -> State:
        """The anchor's fit from scratch; (sweeps, 1, …)."""
        one = self.prior[:, ANCHOR : ANCHOR + 1]
        x = self.start()
        if self._ridge:
            # From afar every reading looks wild: come nearer in two goes.
            x = self._improve(self.evaluate(x, 5.0 * sigma, one), 5.0 * sigma, one, 10).x
        return self._improve(self.evaluate(x, sigma, one), sigma, one, 14)

    def spread_out(self, st: State, sigma: float) -> State:
        """The whole grid, from the linear model about the anchor's fit; all of it but a step or two from home."""
        info = self.information(st)
        rhs = np.matmul(info, st.x[..., None])[..., 0] + self.score(st)
        x = _solved(info + self.prior, np.broadcast_to(rhs, (self.s, self.k, UNKNOWNS)))
        return self.evaluate(np.asarray(x), sigma, self.prior)

    def again(self, x: Array, sigma: float, rounds: int) -> State:
        """From a point near home."""
        return self._improve(self.evaluate(x, sigma, self.prior), sigma, self.prior, rounds)

    def evidence(self, st: State) -> Array:
        """Log evidence over the grid (sweeps, grid)."""
        sign, logdet = np.linalg.slogdet(self.information(st) + self.prior)
        return usable(np.asarray(-st.objective - RANK * self.log_size - 0.5 * logdet), sign)

    def narrow(self, columns: NDArray[np.int64]) -> None:
        """Go on with some values of the grid only."""
        self.k = columns.size
        self.log_size = self.log_size[:, columns]
        self.prior = self.prior[:, columns]

    def _improve(self, st: State, sigma: float, prior: Array, rounds: int) -> State:
        damp = np.zeros(st.objective.shape)
        eye = np.arange(UNKNOWNS)
        for _ in range(rounds):
            h = self.information(st) + prior
            g = self.score(st) - np.matmul(prior, st.x[..., None])[..., 0]
            h[..., eye, eye] = h[..., eye, eye] * (1.0 + damp[..., None]) + 1e-9
            step = _solved(h, g)
            new = self.evaluate(st.x + step, sigma, prior)
            better = new.objective <= st.objective + 1e-9
            gain = float(np.where(better, st.objective - new.objective, 1.0).max())
            if better.all():
                st, damp = new, damp * 0.1
            else:
                st = _pick(better, new, st)
                damp = np.where(better, damp * 0.1, np.maximum(damp * 12.0, 1e-3))
            if gain < _CLOSE:
                break
        return st

    def posterior(self, st: State) -> tuple[Array, Array, Array]:
        """Covariances, log evidence over the grid, and readings' worth used up by each fit."""
        info = self.information(st)
        columns = slice(ANCHOR, ANCHOR + 1) if st.objective.shape[1] < self.k else slice(None)
        h = info + self.prior[:, columns]
        eye = np.arange(UNKNOWNS)
        h[..., eye, eye] += 1e-9
        cov = _inverse(h)
        sign, logdet = np.linalg.slogdet(h)
        evidence = usable(np.asarray(-st.objective - RANK * self.log_size[:, columns] - 0.5 * logdet), sign)
        used = (info * cov.transpose(0, 1, 3, 2)).sum(axis=(-1, -2))
        return np.asarray(cov), evidence, np.asarray(used)


def _solved(h: Array, g: Array) -> Array:
    """``h x = g``, held where it is in ways nothing speaks of: where every reading looks wild, the information is singular."""
    try:
        return np.asarray(np.linalg.solve(h, g[..., None])[..., 0])
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.solve(_held(h), g[..., None])[..., 0])


def _held(h: Array) -> Array:
    eye = np.arange(h.shape[-1])
    steady = h.copy()
    steady[..., eye, eye] += _HOLD * h[..., eye, eye].max(axis=-1, keepdims=True)
    return steady


def _inverse(h: Array) -> Array:
    """Covariances; a matrix singular to rounding is held, since its plain inverse may show a variance below nothing."""
    try:
        cov = np.asarray(np.linalg.inv(h))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.inv(_held(h)))
    bad = ~(cov[..., 0, 0] > 0.0)
    if bad.any():
        cov[bad] = np.linalg.inv(_held(h[bad]))
    return cov


def usable(evidence: Array, sign: Array) -> Array:
    """Evidence with no weight left where the information is singular to rounding: minutes of stillness and one dip at their end."""
    bad = (sign <= 0) | ~np.isfinite(evidence)
    if not bad.any():
        return evidence
    least = np.where(bad, np.inf, evidence).min(axis=1, keepdims=True)
    return np.where(bad, np.where(np.isfinite(least), least, 0.0) - _NO_WEIGHT, evidence)


def _pick(better: NDArray[np.bool_], new: State, old: State) -> State:
    deep = better[..., None]

    def choose(a: Array, b: Array) -> Array:
        return np.where(deep, a, b)

    return State(
        x=choose(new.x, old.x),
        u=choose(new.u, old.u),
        mu=choose(new.mu, old.mu),
        slope=choose(new.slope, old.slope),
        var=choose(new.var, old.var),
        told=Told(*(choose(a, b) for a, b in zip(new.told, old.told, strict=True))),
        objective=np.where(better, new.objective, old.objective),
    )
