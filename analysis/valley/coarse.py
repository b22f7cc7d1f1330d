"""What a coarse display leaves open about the fit.

In the middle of a step a reading tells nothing at the likeliest point itself and much a little way off, so the bend of the likelihood
there says nothing of how far the fit may be moved.  Each reading's interval is therefore stood for by the normal factor that, together with all
the others, has the mean and the variance of the truth; a reading that repeats what its neighbours have said then adds little.

Source: expectation propagation, standard texts on Bayesian computation (all factors at once, damped).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.valley.likelihood import told
from analysis.valley.search import Search, State, usable

Array = NDArray[np.float64]

TURNS = 2
"""Times the factors are found anew; more change nothing."""

NEW_SHARE = 0.7
"""How far each turn goes towards the new factors."""


SURE_STEPS = 0.2
"""Standard uncertainty, in display steps, up to which the likeliest point says enough."""

VAGUE = 2.0
"""Standard uncertainty at the likeliest point, as a multiple of the factors', from which the factors stand for the sweep; and how much wider than theirs its
interval is then: sweeps of one set often lie alike in their steps, and what that does to them they have in common (judged on simulated sets)."""


class Posterior(NamedTuple):
    """A state with its covariances, weights over the grid and readings' worth used up by each fit, and how much wider each sweep is to be taken."""

    state: State
    cov: Array
    share: Array
    used: Array
    wider: Array


def told_apart(search: Search, plain: Posterior, share_of: Callable[[Array], Array], sigma: float) -> Posterior:
    """The fit at its likeliest point, and for sweeps of which that says too little, the fit with every interval stood for by a normal factor.

    Parameters
    ----------
    search : Search
        Over a coarse display.
    plain : Posterior
        Brought home, over the whole grid that is left.
    share_of : callable
        Weights over the grid from log evidence.
    sigma : float
        Noise of a reading, mm.
    """
    plain_u = bottom_u(plain.state.x[..., 0], plain.cov, plain.share)[1]
    rows = np.flatnonzero(plain_u > SURE_STEPS * 2.0 * search.pack.half_step)
    if rows.size == 0:
        return plain
    part, st = search.only(rows), plain.state.only(rows)
    f = _factors(part, st)
    share = share_of(f.evidence)
    vague = plain_u[rows] > VAGUE * bottom_u(st.x[..., 0] + f.moved[..., 0], f.cov, share)[1]
    there = part.evaluate(st.x + f.moved, sigma, part.prior)
    there.told = there.told._replace(score=f.mean_times - f.precision * f.at, weight=f.precision)

    def put(old: Array, new: Array) -> Array:
        out = old.copy()
        out[rows[vague]] = new[vague]
        return out

    return Posterior(
        plain.state.with_rows(put, there),
        put(plain.cov, f.cov),
        put(plain.share, share),
        put(plain.used, f.used),
        put(np.ones(search.s), np.full(rows.size, VAGUE)),
    )


def bottom_u(m: Array, cov: Array, share: Array) -> tuple[Array, Array]:
    """Bottom of each sweep and its standard uncertainty, all values of the grid together, mm; `m` the bottoms by value of the grid."""
    mean = (share * m).sum(axis=1)
    return mean, np.sqrt((share * (cov[..., 0, 0] + (m - mean[:, None]) ** 2)).sum(axis=1))


class _Factors(NamedTuple):
    """Normal factors of the readings, and the fit with them: way from the likeliest point, covariances, levels, log evidence, readings' worth used up."""

    precision: Array
    mean_times: Array
    moved: Array
    cov: Array
    at: Array
    evidence: Array
    used: Array


def _factors(search: Search, st: State) -> _Factors:
    p, w = search.pack, search.pack.w[:, None, :]
    half = np.broadcast_to(p.half_step[:, None, None], st.mu.shape)
    z = np.broadcast_to(p.z[:, None, :], st.mu.shape)
    g = search.gradients(st)
    pull = -np.matmul(search.prior, st.x[..., None])[..., 0]
    precision = w / (st.var + half**2 / 3.0)
    mean_times = precision * (z - st.mu)
    moved, cov, eta = _joined(search, st, g, pull, precision, mean_times)
    at, var = _levels(g, moved, cov)
    for turn in range(TURNS):
        # What all the other readings and the hand leave open of this one's level.
        open_var = 1.0 / np.maximum(1.0 / var - precision, 1e-6)
        open_at = open_var * (at / var - mean_times)
        said = told(st.mu + open_at, np.sqrt(st.var + open_var), z, half, True, search.spread)
        room = np.maximum(1.0 - said.weight * open_var, 1e-6)
        go = NEW_SHARE if turn else 1.0
        precision = precision + go * (w * said.weight / room - precision)
        mean_times = mean_times + go * (w * (open_at * said.weight + said.score) / room - mean_times)
        moved, cov, eta = _joined(search, st, g, pull, precision, mean_times)
        at, var = _levels(g, moved, cov)
    grown = 1.0 + precision * open_var
    bent = mean_times * (mean_times * open_var + 2.0 * open_at) - precision * open_at**2
    fit = (w * (said.loglik + 0.5 * np.log(grown) - 0.5 * bent / grown)).sum(axis=-1)
    evidence = fit + 0.5 * ((eta * moved).sum(axis=-1) + (pull * st.x).sum(axis=-1))
    sign, logdet = np.linalg.slogdet(cov)
    evidence = usable(evidence + 0.5 * logdet - search.penalty_size, sign)
    used = (precision * var).sum(axis=-1)
    return _Factors(precision, mean_times, moved, cov, at, evidence, used)


def _levels(g: Array, moved: Array, cov: Array) -> tuple[Array, Array]:
    """Means and variances of the readings' levels about the likeliest point."""
    return np.matmul(g, moved[..., None])[..., 0], np.maximum((np.matmul(g, cov) * g).sum(axis=-1), 1e-14)


def _joined(
    search: Search, st: State, g: Array, pull: Array, precision: Array, mean_times: Array
) -> tuple[Array, Array, Array]:
    """Mean, covariance and its inverse times the mean, with these factors."""
    cov = search.covariance(st, precision)
    eta = pull + np.matmul(mean_times[..., None, :], g)[..., 0, :]
    return np.matmul(cov, eta[..., None])[..., 0], cov, eta
