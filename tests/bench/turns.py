"""Invented ring gears turned by hand under an indicator, for judging the run-out estimator.

Nothing here is shared with the estimator.  The hand's speed is a random walk smoothed, with pauses where it takes a new hold; the face has
its wave a turn, overtones, a local dent and a ripple of the teeth; noise is partly correlated; arrivals are late or bunched.  Invented figures.

    python -m tests.bench.turns [COUNT]
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from tests.bench.plateaus import Bench, shown

Array = NDArray[np.float64]
DT = 0.004
FIRST_SEED = 800000
"""The thresholds were set on seeds below this."""


@dataclass(frozen=True)
class Gear:
    """One family of turned gears; lengths mm."""

    name: str
    wave: float = 0.030
    """Highest less lowest of the wave of one a turn."""
    second: float = 0.006
    third: float = 0.002
    teeth: int = 41
    ripple: float = 0.0
    turns: float = 2.0
    stated: int = 2
    turn_s: float = 8.0
    uneven: float = 0.25
    holds: int = 0
    """Pauses for a new hold a turn."""
    rate: float = 15.0
    step_mm: float = 0.001
    noise_mm: float = 0.0008
    warm_mm_per_min: float = 0.0
    wild_p: float = 0.0
    batch_s: float = 0.0
    loose_mm: float = 0.0
    """A bearing that gives: the face wanders."""


def make(b: Gear, seed: int) -> tuple[Array, NDArray[np.int64], float, float]:
    """Arrival times, counts, the face's highest less lowest (ripple left out), and the wave of one a turn."""
    rng = np.random.default_rng([seed, 70001])
    n = int(b.turns * b.turn_s * rng.uniform(0.8, 1.3) / DT)
    width = int(0.8 / DT)
    walk = np.convolve(np.cumsum(rng.normal(size=n + 2 * width)), np.ones(width) / width, "same")[width:-width]
    walk = (walk - walk.mean()) / (walk.std() or 1.0)
    x = np.linspace(0, 1, n)
    speed = np.exp(b.uneven * walk) * (np.minimum(1.0, np.minimum(x, 1 - x) * n * DT / 0.6) + 0.02)
    for _ in range(round(b.holds * b.turns)):
        at = int(rng.integers(n // 10, 9 * n // 10))
        speed[at : at + int(0.35 / DT)] *= 0.05
    angle = np.concatenate([[0.0], np.cumsum(speed[1:])])
    angle = 2 * np.pi * b.turns * angle / angle[-1]
    phase = rng.uniform(0, 2 * np.pi, 4)

    def face(a: Array) -> Array:
        out = 0.0 * a
        for k, size in ((1, b.wave), (2, b.second), (3, b.third)):
            out = out + 0.5 * size * np.cos(k * a + phase[k - 1])
        return np.asarray(out)

    mm = face(angle) + 0.5 * b.ripple * np.cos((b.teeth or 37) * angle + phase[3])
    if b.loose_mm:
        wander = np.convolve(np.cumsum(rng.normal(size=n + 2 * width)), np.ones(width) / width, "same")[width:-width]
        mm = mm + b.loose_mm * (wander - wander[0]) / (wander.std() or 1.0)
    before, after = int(rng.uniform(1.2, 2.5) / DT), int(rng.uniform(1.2, 2.5) / DT)
    mm = np.concatenate([np.full(before, mm[0]), mm, np.full(after, mm[-1])]) + rng.uniform(-0.3, 0.3)
    t = np.arange(mm.size) * DT
    mm = mm + b.warm_mm_per_min * t / 60
    link = Bench(b.name, rate=b.rate, step_mm=b.step_mm, noise_mm=b.noise_mm, wild_p=b.wild_p, batch_s=b.batch_s)
    when, counts = shown(rng, link, t, mm)
    one = face(np.linspace(0, 2 * np.pi, 721))
    return when, counts, float(np.ptp(one)), b.wave


BASE = Gear("0.030 mm, 15/s")
SOUND = (
    BASE,
    replace(BASE, name="10/s", rate=10.0),
    replace(BASE, name="50/s", rate=50.0),
    replace(BASE, name="three turns", turns=3.0, stated=3),
    replace(BASE, name="small 0.008 mm", wave=0.008, second=0.002, third=0.001),
    replace(BASE, name="large 0.12 mm", wave=0.12, second=0.02),
    replace(BASE, name="new holds", holds=3),
    replace(BASE, name="very uneven", uneven=0.45),
    replace(BASE, name="teeth 8 µm", ripple=0.008, rate=50.0),
    replace(BASE, name="warming", warm_mm_per_min=0.006),
    replace(BASE, name="wild readings", wild_p=0.01),
    replace(BASE, name="bunched 50 ms", rate=30.0, batch_s=0.05),
    replace(BASE, name="noise 2 µm", noise_mm=0.002),
    replace(BASE, name="0.01 mm", step_mm=0.01, wave=0.06),
    replace(BASE, name="0.0005 in", step_mm=0.0127, wave=0.06),
)
SPOILT = (
    replace(BASE, name="one turn", turns=1.0, stated=1, turn_s=12.0),
    replace(BASE, name="teeth nobody stated", ripple=0.008, teeth=0, rate=50.0),
    replace(BASE, name="one turn and a half", turns=1.5),
    replace(BASE, name="half a turn for one", turns=0.5, stated=1),
    replace(BASE, name="1.75 turns for two", turns=1.75),
    replace(BASE, name="one turn stated as two", turns=1.0, stated=2, turn_s=14.0),
    replace(BASE, name="loose bearing", loose_mm=0.02),
    replace(BASE, name="at rest", wave=0.0, second=0.0, third=0.0),
)


def run(when: Array, counts: NDArray[np.int64], b: Gear) -> object:
    """What comes out of a stream."""
    from analysis.readings import Reading, Scale
    from analysis.turning import TurningSession

    s = TurningSession(b.stated, (b.teeth or None) if b.ripple else None)
    scale = Scale(Decimal(repr(b.step_mm)), "mm")
    for t, c in zip(when.tolist(), counts.tolist(), strict=True):
        s.reading(Reading(t, c, scale))
    return s.found()


def main(count: int = 200) -> None:
    """Print bias, rms, coverage and refusals by family, on seeds the thresholds were not set on."""
    seeds = range(FIRST_SEED, FIRST_SEED + count)
    print(
        "| family | accepted | total bias µm | rms µm | worst µm | held in 95 % | wave bias µm | rms µm | held in 95 % | refused for |"
    )
    print("|---|---:|---:|---:|---:|---:|---:|---:|---:|---|")
    for b in (*SOUND, *SPOILT):
        rows, why = [], Counter[str]()
        for seed in seeds:
            when, counts, total, wave = make(b, seed)
            r: object = run(when, counts, b)
            why.update(r.reasons)  # type: ignore[attr-defined]
            if r.accepted:  # type: ignore[attr-defined]
                rows.append((r.total_mm - total, r.total_U95_mm, r.wave_mm - wave, r.wave_U95_mm))  # type: ignore[attr-defined]
        e = np.array(rows or [(np.nan,) * 4]) * 1e3
        held = [100 * float((np.abs(e[:, k]) <= e[:, k + 1]).mean()) for k in (0, 2)]
        print(
            f"| {b.name} | {len(rows)} of {count} | {e[:, 0].mean():+.2f} | {np.sqrt((e[:, 0] ** 2).mean()):.2f} | {np.abs(e[:, 0]).max():.1f} | "
            f"{held[0]:.1f} % | {e[:, 2].mean():+.2f} | {np.sqrt((e[:, 2] ** 2).mean()):.2f} | {held[1]:.1f} % | "
            f"{', '.join(f'{k} {n}' for k, n in why.most_common()) or '–'} |"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
