"""Distribution functions in plain arithmetic.

The statistics library these could come from takes longer to import than the whole analysis may take to
start, so the few that are needed are written out here and held against it in the tests.

Sources: incomplete gamma and beta by series and continued fraction (Lentz), standard texts on special functions;
quantiles by bracketing and Newton steps on those.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()
_TINY = 1e-300
_EPS = 1e-16


def normal_sf(x: float) -> float:
    """P(X > x) for the standard normal."""
    return 0.5 * math.erfc(x / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """Value the standard normal stays below with probability `p`, 0 < p < 1."""
    return _NORMAL.inv_cdf(p)


def _lower_gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma by its series (x < a + 1)."""
    term = total = 1.0 / a
    n = a
    for _ in range(10000):
        n += 1.0
        term *= x / n
        total += term
        if term < total * _EPS:
            break
    return total * math.exp(-x + a * math.log(x) - math.lgamma(a))


def _upper_gamma(a: float, x: float) -> float:
    """Regularised upper incomplete gamma by its continued fraction (x >= a + 1)."""
    b = x + 1.0 - a
    c = 1.0 / _TINY
    d = 1.0 / b
    h = d
    for i in range(1, 10000):
        an = -i * (i - a)
        b += 2.0
        d = an * d + b
        d = 1.0 / (d if abs(d) > _TINY else _TINY)
        c = b + an / c
        c = c if abs(c) > _TINY else _TINY
        h *= d * c
        if abs(d * c - 1.0) < _EPS * 4:
            break
    return h * math.exp(-x + a * math.log(x) - math.lgamma(a))


def chi2_cdf(x: float, dof: float) -> float:
    """P(X <= x) for chi-square with `dof` degrees of freedom."""
    if x <= 0:
        return 0.0
    a, h = 0.5 * dof, 0.5 * x
    return _lower_gamma(a, h) if h < a + 1 else 1.0 - _upper_gamma(a, h)


def chi2_sf(x: float, dof: float) -> float:
    """P(X > x) for chi-square with `dof` degrees of freedom."""
    if x <= 0:
        return 1.0
    a, h = 0.5 * dof, 0.5 * x
    return 1.0 - _lower_gamma(a, h) if h < a + 1 else _upper_gamma(a, h)


def _beta_fraction(a: float, b: float, x: float) -> float:
    qab, qap, qam = a + b, a + 1.0, a - 1.0
    c = 1.0
    d = 1.0 - qab * x / qap
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    h = d
    for m in range(1, 10000):
        for aa in (
            m * (b - m) * x / ((qam + 2 * m) * (a + 2 * m)),
            -(a + m) * (qab + m) * x / ((a + 2 * m) * (qap + 2 * m)),
        ):
            d = 1.0 + aa * d
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = 1.0 + aa / c
            c = c if abs(c) > _TINY else _TINY
            h *= d * c
        if abs(d * c - 1.0) < _EPS * 4:
            break
    return h


def _stirling_rest(z: float) -> float:
    """What Stirling's formula leaves of ln gamma(z), z >= 20."""
    w = 1.0 / (z * z)
    return (1 / 12 - w * (1 / 360 - w * (1 / 1260 - w / 1680))) / z


def _log_beta(a: float, b: float) -> float:
    """ln B(a, b), without the cancellation of large ln gamma values."""
    a, b = max(a, b), min(a, b)
    if a < 20.0:
        return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
    shift = (a - 0.5) * math.log1p(b / a) + b * math.log(a + b) - b + _stirling_rest(a + b) - _stirling_rest(a)
    return math.lgamma(b) - shift


def _log(x: float, y: float) -> float:
    """ln x, from its complement `y` = 1 - x where x is close to 1."""
    return math.log1p(-y) if y < 0.5 else math.log(x)


def incomplete_beta(a: float, b: float, x: float, y: float | None = None) -> float:
    """Regularised incomplete beta I_x(a, b); `y` = 1 - x may be given where x is close to 1."""
    y = 1.0 - x if y is None else y
    if x <= 0:
        return 0.0
    if y <= 0:
        return 1.0
    front = math.exp(a * _log(x, y) + b * _log(y, x) - _log_beta(a, b))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, y) / b


def t_sf(x: float, dof: float) -> float:
    """P(T > x) for Student's t with `dof` degrees of freedom (any positive number, or inf)."""
    if math.isinf(dof) or dof > 1e9:
        return normal_sf(x)
    if x < 0:
        return 1.0 - t_sf(-x, dof)
    w = dof / (dof + x * x)
    return 0.5 * incomplete_beta(0.5 * dof, 0.5, w, x * x / (dof + x * x))


def t_cdf(x: float, dof: float) -> float:
    """P(T <= x) for Student's t."""
    return t_sf(-x, dof)


def _t_density(x: float, dof: float) -> float:
    return math.exp(-0.5 * math.log(dof) - _log_beta(0.5 * dof, 0.5) - 0.5 * (dof + 1) * math.log1p(x * x / dof))


def _check(name: str, p: float, *dofs: float) -> None:
    if not 0.0 < p < 1.0 or not all(dof > 0.0 for dof in dofs):
        shown = ", ".join(str(dof) for dof in dofs)
        raise ValueError(f"{name} quantile of p = {p}, dof = {shown}: p must lie between 0 and 1 and dof above 0")


@lru_cache(maxsize=1024)
def t_quantile(p: float, dof: float) -> float:
    """Value Student's t stays below with probability `p`, 0 < p < 1; `dof` any positive number, or inf.

    Raises
    ------
    ValueError
        If `p` or `dof` is out of range.
    """
    _check("t", p, dof)
    if math.isinf(dof) or dof > 1e9:
        return normal_quantile(p)
    if p == 0.5:
        return 0.0
    # The smaller tail is solved for as it stands: 1 - p would lose a small p.
    tail = min(p, 1.0 - p)
    x = _solve(lambda x: t_sf(x, dof) - tail, lambda x: -_t_density(x, dof), 0.1 - normal_quantile(tail))
    return x if p > 0.5 else -x


def chi2_quantile(p: float, dof: float) -> float:
    """Value chi-square stays below with probability `p`, 0 < p < 1.

    Raises
    ------
    ValueError
        If `p` or `dof` is out of range.
    """
    _check("chi-square", p, dof)
    a = 0.5 * dof

    def density(x: float) -> float:
        return math.exp((a - 1) * math.log(0.5 * x) - 0.5 * x - math.lgamma(a)) * 0.5

    guess = dof * max(0.02, 1 - 2 / (9 * dof) + normal_quantile(p) * math.sqrt(2 / (9 * dof))) ** 3
    if p < 0.5:
        return _solve(lambda x: chi2_cdf(x, dof) - p, density, guess)
    return _solve(lambda x: chi2_sf(x, dof) - (1 - p), lambda x: -density(x), guess)


def f_sf(x: float, dof1: float, dof2: float) -> float:
    """P(F > x) with `dof1` and `dof2` degrees of freedom; either may be inf."""
    if x <= 0:
        return 1.0
    if math.isinf(dof1) and math.isinf(dof2):
        return 0.0 if x >= 1 else 1.0
    if math.isinf(dof2):
        return chi2_sf(x * dof1, dof1)
    if math.isinf(dof1):
        return chi2_cdf(dof2 / x, dof2)
    total = dof2 + dof1 * x
    return incomplete_beta(0.5 * dof2, 0.5 * dof1, dof2 / total, dof1 * x / total)


def f_cdf(x: float, dof1: float, dof2: float) -> float:
    """P(F <= x); either number of degrees of freedom may be inf."""
    if x <= 0:
        return 0.0
    return f_sf(1.0 / x, dof2, dof1)  # 1/F has the degrees of freedom the other way round


def f_quantile(p: float, dof1: float, dof2: float) -> float:
    """Value F stays below with probability `p`, 0 < p < 1; either number of degrees of freedom may be inf.

    Raises
    ------
    ValueError
        If `p` or a number of degrees of freedom is out of range.
    """
    _check("F", p, dof1, dof2)
    if math.isinf(dof1) and math.isinf(dof2):
        return 1.0
    if math.isinf(dof2):
        return chi2_quantile(p, dof1) / dof1
    if math.isinf(dof1):
        return dof2 / chi2_quantile(1.0 - p, dof2)
    a, b = 0.5 * dof1, 0.5 * dof2
    constant = a * math.log(dof1 / dof2) - _log_beta(a, b)

    def density(x: float) -> float:
        return math.exp(constant + (a - 1) * math.log(x) - (a + b) * math.log1p(dof1 * x / dof2))

    if p < 0.5:
        return _solve(lambda x: f_cdf(x, dof1, dof2) - p, density, 0.8)
    return _solve(lambda x: f_sf(x, dof1, dof2) - (1 - p), lambda x: -density(x), 1.5)


def _solve(f: Callable[[float], float], slope: Callable[[float], float], guess: float) -> float:
    """Root of a monotone `f` on x > 0: Newton steps kept inside a bracket that shrinks."""
    low, high = 0.0, max(guess, 1e-6)
    rising = f(high * 1e6) > f(high * 1e-6)
    for _ in range(400):
        if (f(high) > 0) == rising:
            break
        low, high = high, high * 2.0
    x = min(max(guess, low + 1e-12), high)
    for _ in range(200):
        y = f(x)
        if y == 0:
            return x
        if (y > 0) == rising:
            high = x
        else:
            low = x
        d = slope(x)
        step = x - y / d if d else 0.5 * (low + high)
        new = step if low < step < high else 0.5 * (low + high)
        if abs(new - x) <= 1e-14 * max(abs(x), 1e-300):
            return new
        x = new
    return x
