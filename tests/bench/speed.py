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


def write_day(path: Path, swinging: bool, hours: float) -> int:
    """A stream of 10 readings/s as a day leaves it; number of readings.

    Parameters
    ----------
    swinging : bool
        Swung without a pause; else for 40 s each half hour, the indicator left lying in between.
    """
    rng = np.random.default_rng(24)
    n = int(hours * 36_000)
    t = np.arange(n) * 0.1 + rng.uniform(0, 0.002, n)
    z = 59.8 / np.cos(np.radians(10.0 * np.cos(np.pi * t / 3.1 + 0.2 * np.sin(0.7 * t)))) - 59.8
    if not swinging:
        z = np.where(t % 1800 < 40, z, 0.31)
    z = np.round(z + 0.478 + rng.normal(0, 0.001, n), 3)
    with open(path, "w", encoding="utf-8") as file:
        profile = {"use": "text-line", "unit": "mm", "resolution": 0.001, "rate": 10}
        head = {"format": "shimwright-stream/1", "started": "2026-01-01T00:00:00Z", "source": "simulated"}
        file.write(json.dumps({**head, "profile": profile}) + "\n")
        for a, b in zip(t.tolist(), z.tolist(), strict=True):
            file.write(f'{{"t":{a:.6f},"rx":"{b:+09.3f}\\r\\n"}}\n')
    return n


_DAY = """
import json, sys, time
from pathlib import Path
from capture.analyse import analyse_stream
begin = time.process_time()
r = analyse_stream(Path(sys.argv[1]))
spent = time.process_time() - begin
# not ru_maxrss: that one keeps what the parent had before it became this program
peak = int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024
sys.stdout.write(json.dumps([len(r["sweeps"]), spent, peak]))
"""


def days() -> list[list[str]]:
    """Time and peak memory over the length of the stream, each in a process of its own."""
    out = []
    with tempfile.TemporaryDirectory() as folder:
        for name, swinging in (("left lying, swung now and then", False), ("swung without a pause", True)):
            for hours in (6.0, 24.0):
                path = Path(folder) / "day.jsonl"
                n = write_day(path, swinging, hours)
                done = subprocess.run([sys.executable, "-c", _DAY, str(path)], check=True, capture_output=True)
                sweeps, spent, peak = json.loads(done.stdout)
                out.append([name, f"{hours:.0f}", str(n), str(sweeps), f"{spent:.1f}", f"{peak:.0f}"])
    return out


HEAD = ["streams", "analyse: sweeps/s", "rms µm", "plain script: sweeps/s", "rms µm", "time ratio"]


DAYS = ["day", "hours", "readings", "sweeps", "s", "peak MB"]


def main() -> int:
    """Exit code."""
    sys.stdout.write(" | ".join(HEAD) + "\n")
    for r in rows():
        sys.stdout.write(" | ".join(r) + "\n")
    sys.stdout.write("\n" + " | ".join(DAYS) + "\n")
    for r in days():
        sys.stdout.write(" | ".join(r) + "\n")
    sys.stdout.write(f"\nstart-up of analyse: {start_up_s():.2f} s\n")
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    raise SystemExit(main())
