"""How good the answers are: ``python -m tests.bench.accuracy``.

Simulated benches whose hands, links and displays the estimator does not assume (`tests.bench.hands`), by family; held-out
seeds.  With ``--write`` the table goes to ``tests/bench/RESULTS.md`` with the commit it was measured on.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

import numpy as np

from analysis.distributions import t_quantile
from analysis.readings import Reading, Scale
from analysis.results import PlayFinding, SetStatistics, Sweep
from analysis.ruling import rule_on
from analysis.session import Session
from tests.bench.hands import AVERAGING, FAMILIES, HARD, NO_PLAY, PLAY, PLAY_SHAPES, SPOILT, Case, Made, make

HELD_OUT = 500_000
"""First seed of the table; development uses small ones."""

TOLERANCE_MM = 0.010


@dataclass
class Tally:
    """What one set gave."""

    sweep_error: list[float] = field(default_factory=list)
    sweep_u: list[float] = field(default_factory=list)
    sweep_bound: list[float] = field(default_factory=list)
    good: int = 0
    lost: int = 0
    bad: int = 0
    kept_bad: int = 0
    set_error: float | None = None
    set_u: float = 0.0
    set_covered: bool = False
    wrong: int = 0
    ruled: int = 0
    finding: str = ""
    pattern: str = ""
    size_covered: bool | None = None
    reasons: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    sweeps: int = 0


def run(case: Case, made: Made) -> tuple[tuple[Sweep, ...], SetStatistics, PlayFinding]:
    """Analysis of one simulated set, without a set-up."""
    scale = Scale(Decimal(str(case.step_mm)), "mm")
    session = Session()
    reseats = list(made.reseats)
    for t, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
        while reseats and t >= reseats[0]:
            session.mark(reseats.pop(0), "reseat")
        session.reading(Reading(t, c, scale))
    session.close()
    return session.sweeps, session.statistics, session.play


def bound_mm(case: Case, made: Made, at: float) -> float:
    """Cramér–Rao bound for the bottom of one sweep, mm.

    For a hand whose angle against time is an unknown cubic over the readings within 0.1 mm of the bottom (at least 15), readings with
    independent errors of the display's noise and step, and measurement times known.
    """
    near = int(np.argmin(np.abs(made.device_t - at)))
    k = case.distance_mm - case.tip_mm
    rise = k / np.cos(made.angle) - k
    height = 0.1
    while True:
        a = near
        while a > 0 and rise[a - 1] < height:
            a -= 1
        b = near
        while b < rise.size - 1 and rise[b + 1] < height:
            b += 1
        if b - a + 1 >= 15 or height > 0.9:
            break
        height *= 1.25
    theta = made.angle[a : b + 1]
    t = made.device_t[a : b + 1]
    x = (t - t.mean()) / max(float(np.ptp(t)), 1e-9)
    slope = k * np.sin(theta) / np.cos(theta) ** 2
    columns = np.stack([np.ones_like(x), slope, slope * x, slope * x**2, slope * x**3], axis=1)
    rho = case.noise_rho
    variance = case.noise_mm**2 * (1 + rho) / (1 - rho) + case.step_mm**2 / 12
    scale = np.abs(columns).max(axis=0)
    information = (columns / scale).T @ (columns / scale) / variance
    return float(np.sqrt(np.linalg.pinv(information)[0, 0]))


def measure(case: Case, seed: int) -> Tally:
    """One set, held against the truth."""
    made = make(case, seed)
    begin = time.perf_counter()
    sweeps, stats, play = run(case, made)
    out = Tally(seconds=time.perf_counter() - begin, sweeps=len(sweeps), finding=play.finding, pattern=play.pattern)
    kept: set[int] = set()
    for s in sweeps:
        out.reasons.update(s.reasons)
        i = int(np.argmin(np.abs(made.sweep_t - s.bottom_s)))
        if s.accepted and s.minimum_mm is not None and s.u_mm is not None:
            kept.add(i)
            if not made.bad[i]:
                out.sweep_error.append(s.minimum_mm - float(made.sweep_mm[i]))
                out.sweep_u.append(s.u_mm)
                out.sweep_bound.append(bound_mm(case, made, float(made.sweep_t[i])))
    for i, bad in enumerate(made.bad.tolist()):
        if bad:
            out.bad += 1
            out.kept_bad += i in kept
        else:
            out.good += 1
            out.lost += i not in kept
    if stats.minimum_mm is not None and stats.u_mm is not None and stats.dof is not None:
        error = stats.minimum_mm - made.bottom_mm - 0.5 * case.play_mm
        out.set_error, out.set_u = error, stats.u_mm
        out.set_covered = abs(error) <= t_quantile(0.975, stats.dof) * stats.u_mm
        rng = np.random.default_rng([seed, 17])
        for true in rng.uniform(-2 * TOLERANCE_MM, 2 * TOLERANCE_MM, 20).tolist():
            verdict = rule_on(true + error, stats.u_mm, stats.dof, TOLERANCE_MM, "one-sided").verdict
            out.ruled += verdict != "not proven"
            out.wrong += (verdict == "within" and abs(true) > TOLERANCE_MM) or (
                verdict == "outside" and abs(true) < TOLERANCE_MM
            )
    if case.play_mm and play.size_low_mm is not None and play.size_high_mm is not None:
        out.size_covered = play.size_low_mm <= case.play_mm <= play.size_high_mm
    return out


def _rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean(x**2))) if x.size else float("nan")


def _share(hits: int, of: int) -> str:
    return f"{100 * hits / of:.1f} %" if of else "–"


def accuracy_row(case: Case, tallies: list[Tally]) -> list[str]:
    """Errors of sweeps and sets."""
    e = np.array([x for t in tallies for x in t.sweep_error]) * 1e3
    u = np.array([x for t in tallies for x in t.sweep_u]) * 1e3
    bound = np.array([x for t in tallies for x in t.sweep_bound]) * 1e3
    sets = [t for t in tallies if t.set_error is not None]
    s = np.array([t.set_error for t in sets], dtype=float) * 1e3
    good, lost = sum(t.good for t in tallies), sum(t.lost for t in tallies)
    inside = int((np.abs(e) <= 1.96 * u).sum())
    if not sets:
        return [case.name, *["–"] * 9, _share(lost, good), "no set"]
    return [
        case.name,
        f"{e.mean():+.2f}",
        f"{_rms(e):.2f}",
        f"{_rms(e) / _rms(bound):.2f}",
        _share(inside, e.size),
        f"{s.mean():+.2f}",
        f"{_rms(s):.2f}",
        f"{np.abs(s).max():.2f}",
        f"{np.mean([t.set_u for t in sets]) * 1e3:.2f}",
        _share(sum(t.set_covered for t in sets), len(sets)),
        _share(lost, good),
        f"{sum(t.wrong for t in tallies)} of {sum(t.ruled for t in tallies)}",
    ]


def spoilt_row(case: Case, tallies: list[Tally]) -> list[str]:
    """What became of bad sweeps, and of the set."""
    sets = [t for t in tallies if t.set_error is not None]
    s = np.array([t.set_error for t in sets], dtype=float) * 1e3
    bad, kept = sum(t.bad for t in tallies), sum(t.kept_bad for t in tallies)
    good, lost = sum(t.good for t in tallies), sum(t.lost for t in tallies)
    reasons: Counter[str] = Counter()
    for t in tallies:
        reasons.update(t.reasons)
    return [
        case.name,
        f"{bad - kept} of {bad}",
        _share(lost, good),
        f"{_rms(s):.2f}" if s.size else "no set",
        f"{np.abs(s).max():.2f}" if s.size else "–",
        _share(sum(t.set_covered for t in sets), len(sets)),
        ", ".join(f"{k} {v}" for k, v in reasons.most_common(3)) or "–",
    ]


def play_row(case: Case, tallies: list[Tally]) -> list[str]:
    """Findings on play."""
    n = len(tallies)
    count = Counter(t.finding for t in tallies)
    patterns = Counter(t.pattern for t in tallies)
    sized = [t for t in tallies if t.finding == "present" and t.size_covered is not None]
    return [
        case.name,
        _share(count["present"], n),
        _share(count["suspected"], n),
        _share(count["none"], n),
        ", ".join(f"{k} {v}" for k, v in patterns.most_common(3)),
        _share(sum(bool(t.size_covered) for t in sized), len(sized)) if case.play_mm else "–",
    ]


def _job(item: tuple[Case, int]) -> Tally:
    return measure(*item)


def tallies_of(case: Case, seeds: range, pool: ProcessPoolExecutor) -> list[Tally]:
    """All sets of a family."""
    return list(pool.map(_job, [(case, seed) for seed in seeds], chunksize=4))


def table(head: list[str], rows: list[list[str]]) -> str:
    """Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "|".join(["---"] + ["---:"] * (len(head) - 1)) + "|"]
    return "\n".join(lines + ["| " + " | ".join(r) + " |" for r in rows])


ACCURACY = [
    "family",
    "sweep bias µm",
    "sweep rms µm",
    "rms / bound",
    "sweeps in 95 %",
    "set bias µm",
    "set rms µm",
    "set worst µm",
    "set u µm",
    "sets in 95 %",
    "good sweeps lost",
    "wrong rulings",
]
BAD = ["family", "bad sweeps rejected", "good sweeps lost", "set rms µm", "set worst µm", "sets in 95 %", "reasons"]
FOUND = ["family", "play present", "suspected", "none", "patterns", "size within its interval"]


def main() -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.accuracy")
    parser.add_argument("--seeds", type=int, default=40, help="sets a family")
    parser.add_argument("--first", type=int, default=0, help=f"first seed; the table uses {HELD_OUT}")
    parser.add_argument("--only", default="", help="families whose name contains this")
    parser.add_argument(
        "--group", default="good,averaging,hard,spoilt,play", help="any of good, averaging, hard, spoilt, play"
    )
    parser.add_argument("--write", action="store_true", help="write tests/bench/RESULTS.md from held-out seeds")
    a = parser.parse_args()
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    first = HELD_OUT if a.write else a.first
    seeds = range(first, first + a.seeds)
    groups = (
        ("good", "Sound sweeps", FAMILIES, accuracy_row, ACCURACY),
        ("averaging", "Displays that average: one sweep cannot tell, the set can", AVERAGING, accuracy_row, ACCURACY),
        ("hard", "Where it falls short", HARD, accuracy_row, ACCURACY),
        ("spoilt", "Spoilt sweeps", SPOILT, spoilt_row, BAD),
        (
            "play",
            "Bearing play, and what must not be called play",
            PLAY + PLAY_SHAPES + NO_PLAY + FAMILIES + AVERAGING,
            play_row,
            FOUND,
        ),
    )
    parts: list[str] = []
    cache: dict[str, list[Tally]] = {}
    with ProcessPoolExecutor(os.cpu_count() or 1) as pool:
        for key, title, cases, make_row, head in groups:
            if key not in a.group.split(","):
                continue
            rows = []
            sys.stdout.write(f"\n{title}: " + " | ".join(head) + "\n")
            for case in cases:
                if a.only not in case.name:
                    continue
                tallies = cache.setdefault(case.name, tallies_of(case, seeds, pool) if case.name not in cache else [])
                rows.append(make_row(case, tallies))
                spent = sum(t.seconds for t in tallies) / max(1, sum(t.sweeps for t in tallies))
                sys.stdout.write(" | ".join(rows[-1]) + f"   [{1e3 * spent:.2f} ms a sweep]\n")
                sys.stdout.flush()
            parts.append(f"## {title}\n\n{table(head, rows)}")
    if a.write:
        commit = subprocess.run(
            ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True
        ).stdout.strip()
        path = Path(__file__).with_name("RESULTS.md")
        head = (
            f"# Accuracy on simulated benches\n\nMeasured on commit {commit} by `python -m tests.bench.accuracy --write --seeds {a.seeds}`: {a.seeds} sets a family, "
            f"about ten sweeps a set, seeds from {HELD_OUT}, on benches the estimator does not assume. All benches are invented. The bound is the Cramér–Rao bound of "
            "a hand known up to a cubic; a rougher hand can only do worse. Rulings are made for twenty true errors a set, spread over twice a tolerance of "
            f"±{TOLERANCE_MM} mm, from the sweeps' own uncertainty. Over an open hole, with a flat tip and in passes that are too fast no sweep is sound: there all of them lost is what is wanted.\n\n"
        )
        path.write_text(head + "\n\n".join(parts) + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
