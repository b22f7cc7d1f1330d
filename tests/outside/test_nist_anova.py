"""Statistical Reference Datasets (NIST), one-way analysis of variance (published), exact on counts."""

from __future__ import annotations

import math
from collections import defaultdict
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import scipy.stats as st

from analysis.precision import Exact, one_way

DATA = Path(__file__).parent / "data"
FIRST = (4, 3, 5, 3, 5, 3, 5, 3, 5)


def stored(name: str) -> list[list[Exact]]:
    groups: dict[str, list[Exact]] = defaultdict(list)
    for row in (DATA / f"{name}.txt").read_text().splitlines():
        group, value = row.split()
        groups[group].append(Decimal(value))
    return list(groups.values())


def simulated(base: int, size: int) -> list[list[Exact]]:
    """Counts of a tenth: base + 0.4, 0.3, 0.5 ... then 0.1 below and above by turns."""
    return [[10 * base + f, *[10 * base + f - 1, 10 * base + f + 1] * (size // 2)] for f in FIRST]


@pytest.mark.parametrize("size", [21, 201, 2001])
@pytest.mark.parametrize("base", [1, 10**6, 10**12])
def test_simulated_sets_to_the_last_digit(base: int, size: int) -> None:
    """SmLs01 to SmLs09: F is the group size exactly, whatever the leading digits."""
    a = one_way(simulated(base, size))
    assert a.f == float(size)
    assert a.ms_within == 1.0
    assert a.ms_between == float(size)
    assert (a.dof_between, a.dof_within) == (8, 9 * size - 9)
    assert a.sd_within == 1.0
    if base == 1 and size == 21:
        assert (a.ms_between * 8 / 100, a.ms_within * 180 / 100) == pytest.approx((1.68, 1.80), rel=1e-15)
        assert (a.ms_between / 100, a.ms_within / 100) == pytest.approx((0.21, 0.01), rel=1e-15)


def test_floating_point_loses_what_counts_keep() -> None:
    """Why counts: on SmLs07 the statistics library in doubles is off in the fifth digit."""
    groups = [np.array([float(Decimal(int(v)) / 10) for v in g]) for g in simulated(10**12, 21)]
    assert float(st.f_oneway(*groups).statistic) == pytest.approx(21.0, rel=1e-3)
    assert float(st.f_oneway(*groups).statistic) != pytest.approx(21.0, rel=1e-8)
    assert one_way(simulated(10**12, 21)).f == 21.0


@pytest.mark.parametrize(
    ("name", "f", "sd", "dofs"),
    [
        ("sirstv", 1.18046237440255, 0.104076068334656, (4, 20)),
        ("atmwtag", 15.9467335677930, None, (1, 46)),
    ],
)
def test_observed_sets(name: str, f: float, sd: float | None, dofs: tuple[int, int]) -> None:
    groups = stored(name)
    a = one_way(groups)
    assert a.f == pytest.approx(f, rel=1e-14)
    assert (a.dof_between, a.dof_within) == dofs
    if sd is not None:
        assert a.sd_within == pytest.approx(sd, rel=1e-14)
    assert a.p == pytest.approx(float(st.f.sf(f, *dofs)), rel=1e-9)


def test_nothing_varies_within() -> None:
    a = one_way([[3, 3], [4, 4]])
    assert math.isinf(a.f)
    assert a.p == 0.0
    still = one_way([[3, 3], [3, 3]])
    assert (still.f, still.p, still.sd_between) == (0.0, 1.0, 0.0)


@pytest.mark.parametrize("groups", [[[1, 2]], [[1, 2], []], [[1], [2]]])
def test_too_little_is_refused(groups: list[list[Exact]]) -> None:
    with pytest.raises(ValueError, match="at least 2 groups"):
        one_way(groups)
