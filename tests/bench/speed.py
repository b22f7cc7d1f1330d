"""How fast, and how right, on one core: ``python -m tests.bench.speed``.

The same simulated streams through the whole of ``analyse`` (file, decoder, sweeps, fit, set, play, JSON) and through a plain script of a
peak finder and a parabola.  Processor time, so that other work on the machine does not count.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from capture.analyse import analyse_stream
from tests.bench.hands import FAMILIES, STEADY, Case, Made, make
from tests.bench.plain_script import bottoms

CASES: tuple[Case, ...] = (
    replace(STEADY, sweeps=60),
    replace(STEADY, name="steady 20/s", rate=20, sweeps=60),
    replace(STEADY, name="steady 100/s", rate=100, noise_rho=0.6, sweeps=60),
    replace(next(c for c in FAMILIES if c.name == "0.01 mm"), sweeps=60),
    replace(STEADY, name="sets of ten, 10/s", sweeps=10),
)


def write_stream(path: Path, case: Case, made: Made) -> None:
    """A simulated set as a raw stream of text lines."""
    with open(path, "w", encoding="utf-8") as file:
        head = {"format": "shimwright-stream/1", "started": "2026-01-01T00:00:00Z", "source": "simulated"}
        profile = {"use": "text-line", "unit": "mm", "resolution": case.step_mm, "rate": case.rate}
        file.write(json.dumps({**head, "profile": profile}) + "\n")
        places = 4 if case.step_mm < 0.001 or case.step_mm == 0.0127 else 3
        for t, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
            file.write(json.dumps({"t": round(t, 6), "rx": f"{c * case.step_mm:+09.{places}f}\r\n"}) + "\n")


def _error(found: list[tuple[float, float]], made: Made) -> float:
    """Root mean square error of the bottoms nearest the true ones, µm."""
    t = np.array([x[0] for x in found])
    z = np.array([x[1] for x in found])
    e = [
        z[int(np.argmin(np.abs(t - at)))] - m
        for at, m in zip(made.sweep_t, made.sweep_mm, strict=True)
        if np.abs(t - at).min() < 1.0
    ]
    return 1e3 * float(np.sqrt(np.mean(np.square(e))))


def _ours(path: Path) -> list[tuple[float, float]]:
    return [(s["bottom_s"], s["minimum_mm"]) for s in analyse_stream(path)["sweeps"] if s["accepted"]]


def _timed(
    work: Callable[[Path], list[tuple[float, float]]], paths: list[Path]
) -> tuple[float, list[list[tuple[float, float]]]]:
    for p in paths:
        work(p)
    spent, results = [], []
    for _ in range(3):
        begin = time.process_time()
        results = [work(p) for p in paths]
        spent.append(time.process_time() - begin)
    return statistics.median(spent), results


def start_up_s() -> float:
    """Median wall time of ``shimwright analyse`` on one small stream, compiled files there."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stream.jsonl"
        write_stream(path, STEADY, make(replace(STEADY, sweeps=2), 1))
        program = Path(sys.executable).with_name("shimwright")
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        spent = []
        for _ in range(8):
            begin = time.monotonic()
            subprocess.run([program, "analyse", str(path), "--json"], check=True, capture_output=True, env=environment)
            spent.append(time.monotonic() - begin)
        return statistics.median(spent[1:])


def rows() -> list[list[str]]:
    """One row a case."""
    out = []
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            made = [make(case, 900_000 + i) for i in range(6)]
            paths = []
            for i, m in enumerate(made):
                path = Path(folder) / f"{CASES.index(case)}-{i}.jsonl"
                write_stream(path, case, m)
                paths.append(path)
            sweeps = sum(m.sweep_t.size for m in made)
            ours, found = _timed(_ours, paths)
            plain, simple = _timed(bottoms, paths)
            out.append(
                [
                    case.name,
                    f"{sweeps / ours:.0f}",
                    f"{np.mean([_error(f, m) for f, m in zip(found, made, strict=True)]):.2f}",
                    f"{sweeps / plain:.0f}",
                    f"{np.mean([_error(f, m) for f, m in zip(simple, made, strict=True)]):.2f}",
                    f"{ours / plain:.2f}",
                ]
            )
    return out


HEAD = ["streams", "analyse: sweeps/s", "rms µm", "plain script: sweeps/s", "rms µm", "time ratio"]


def main() -> int:
    """Exit code."""
    sys.stdout.write(" | ".join(HEAD) + "\n")
    for r in rows():
        sys.stdout.write(" | ".join(r) + "\n")
    sys.stdout.write(f"start-up of analyse: {start_up_s():.2f} s\n")
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    raise SystemExit(main())
