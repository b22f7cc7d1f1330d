"""``python -m tests.bench.listen_load``: what ``shimwright listen --record`` takes of the machine, over real pseudo-terminals.

One process a port, and eight ports in one process; processor time and memory are those of the whole process, start left out, as the
system counts them.  Added latency: from the write into the terminal to the printed line.
"""

from __future__ import annotations

import argparse
import json
import os
import selectors
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from capture.simulator.pty_bench import PtyBench

CASES = ((10, 1, 1), (100, 1, 1), (100, 8, 8), (100, 8, 1))
"""Readings a second, indicators, processes they are shared among."""

TICKS = os.sysconf("SC_CLK_TCK")


def processor_s(pid: int) -> float:
    """Processor time of a process, user and system, s."""
    parts = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / TICKS


def memory_mb(pid: int) -> tuple[float, float]:
    """Resident memory and the part of it that is the process's own, MB."""
    kept = {}
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text("ascii").splitlines():
        name, _, rest = line.partition(":")
        if rest.strip().endswith("kB"):
            kept[name] = int(rest.split()[0])
    return kept["Rss"] / 1024, (kept["Private_Dirty"] + kept["Private_Clean"]) / 1024


class Program:
    """Some indicators and the process that listens to them."""

    def __init__(self, folder: Path, number: int, indicators: int, rate: int) -> None:
        self.rate = rate
        self.benches = {f"serial:{b.link}": b for b in (PtyBench(folder / f"{number}-{n}") for n in range(indicators))}
        script = str(Path(sys.executable).with_name("shimwright"))
        self.process = subprocess.Popen(
            [script, "listen", *self.benches, "--rate", str(rate), "--record", str(folder / str(number))],
            stdout=subprocess.PIPE,
        )
        self.sent: dict[tuple[str, int], float] = {}
        self.late: list[float] = []
        self.got = 0
        self._stop = threading.Event()
        self._sender = threading.Thread(target=self._send, daemon=True)
        self._held = b""

    def begin(self) -> None:
        """Wait until it listens, then send."""
        assert self.process.stdout is not None
        for _ in self.benches:
            while b"opened" not in self.process.stdout.readline():
                pass
        os.set_blocking(self.process.stdout.fileno(), False)
        for bench in self.benches.values():
            bench.write(b"\r\n")
        self._sender.start()

    def _send(self) -> None:
        begin = time.monotonic()
        n = 0
        while not self._stop.wait(max(0.0, begin + n / self.rate - time.monotonic())):
            n += 1
            for source, bench in self.benches.items():
                self.sent[source, n] = time.monotonic()
                bench.write(f"{n % 1000000 / 1000:+08.3f}\r\n".encode())

    def take(self) -> None:
        """Readings that have been printed."""
        assert self.process.stdout is not None
        now = time.monotonic()
        *lines, self._held = (self._held + (self.process.stdout.read() or b"")).split(b"\n")
        only = next(iter(self.benches))
        for text in lines:
            printed = json.loads(text)
            key = printed.get("source", only), printed.get("counts")
            if key in self.sent:
                self.got += 1
                self.late.append(now - self.sent[key])

    def end(self) -> None:
        """Stop both."""
        self._stop.set()
        self._sender.join(5)
        self.process.terminate()
        self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()
        for bench in self.benches.values():
            bench.stop()


def measure(rate: int, indicators: int, processes: int, seconds: float) -> dict[str, float]:
    """Figures of one case."""
    with tempfile.TemporaryDirectory() as folder:
        all_ = [Program(Path(folder), n, indicators // processes, rate) for n in range(processes)]
        try:
            with selectors.DefaultSelector() as selector:
                for p in all_:
                    p.begin()
                    assert p.process.stdout is not None
                    selector.register(p.process.stdout, selectors.EVENT_READ, p)
                settle = time.monotonic() + 1.0
                begin: list[float] = []
                start = end = 0.0
                while True:
                    for key, _ in selector.select(0.05):
                        key.data.take()
                    now = time.monotonic()
                    if not begin and now >= settle:
                        begin = [processor_s(p.process.pid) for p in all_]
                        start = now
                        for p in all_:
                            p.late.clear()
                    if begin and now >= start + seconds:
                        end = now
                        break
                used = sum(processor_s(p.process.pid) - b for p, b in zip(all_, begin, strict=True))
                memory = [memory_mb(p.process.pid) for p in all_]
            late = sorted(x for p in all_ for x in p.late)
            missing = sum(len(p.sent) for p in all_) - sum(p.got for p in all_)
        finally:
            for p in all_:
                p.end()
    return {
        "cpu": 100 * used / (end - start),
        "rss": sum(m[0] for m in memory),
        "own": sum(m[1] for m in memory),
        "p50": 1000 * late[len(late) // 2],
        "p99": 1000 * late[int(0.99 * len(late))],
        "missing": missing,
    }


def main(arguments: list[str] | None = None) -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.listen_load")
    parser.add_argument("--seconds", type=float, default=20.0)
    a = parser.parse_args(arguments)
    sys.stdout.write(
        "| readings/s | processor, % of a core | resident, MB | own, MB | sent to printed p50 / p99, ms | on their way at the end |\n"
    )
    sys.stdout.write("|---|---|---|---|---|---|\n")
    for rate, indicators, processes in CASES:
        f = measure(rate, indicators, processes, a.seconds)
        name = f"{rate}" if indicators == 1 else f"{indicators} × {rate}, {processes} process{'es' * (processes > 1)}"
        sys.stdout.write(
            f"| {name} | {f['cpu']:.1f} | {f['rss']:.0f} | {f['own']:.0f} | {f['p50']:.2f} / {f['p99']:.2f} | {f['missing']:.0f} |\n"
        )
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
