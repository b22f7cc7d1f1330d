"""From a reading on the line to the event on the wire: ``python -m tests.bench.latency``.

A real pseudo-terminal, the real program with its recording and its store, and one to ten readers of its event stream.  What is sent are
swings across a face, one in three seconds, so that sweeps are found and judged meanwhile.  Also the processor share, the wake-ups and the
memory of the program, with nothing sent at all as well; its start is left out: loading the database library alone takes half a second.

Readings sent and events received are matched by their order: with one not delivered the times mean nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import os
import random
import re
import subprocess
import sys
import tempfile
import time
import tty
from contextlib import suppress
from pathlib import Path

import httpx
import numpy as np

QUIET_S = 0.02
"""Processor time in a second that is no longer that of a start."""


async def _page(address: str, ready: asyncio.Event, done: asyncio.Event, arrived: list[float]) -> None:
    async with (
        httpx.AsyncClient(timeout=httpx.Timeout(10, read=None)) as client,
        client.stream("GET", f"{address}api/events") as r,
    ):
        ready.set()
        name = ""
        async for line in r.aiter_lines():
            if line.startswith("event:"):
                name = line[6:].strip()
            elif line.startswith("data:") and name == "reading":
                arrived.append(time.monotonic())
            if done.is_set():
                return


def _processor_s(pid: int) -> float:
    """Processor time of a process, to the nanosecond: its clock, as Linux numbers it."""
    return time.clock_gettime((~pid << 3) | 2)


def _memory_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def _wakes(pid: int) -> int:
    """How often its threads have been woken."""
    count = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with suppress(FileNotFoundError):  # one that has ended
            found = re.search(r"^voluntary_ctxt_switches:\s+(\d+)", (thread / "status").read_text(), re.M)
            count += int(found[1]) if found else 0
    return count


async def _settled(address: str, pid: int) -> None:
    """Wait until the program has nothing more to do for its start."""
    async with httpx.AsyncClient() as client:
        await client.get(f"{address}api/state")
    quiet = 0
    while quiet < 3:
        before = _processor_s(pid)
        await asyncio.sleep(1.0)
        quiet = quiet + 1 if _processor_s(pid) - before < QUIET_S else 0


def _swing(t: float, noise: random.Random) -> bytes:
    """The display of an arbor swung to 9° and back in six seconds, 60 mm from its axis to the face."""
    angle = math.radians(9.0) * math.sin(2.0 * math.pi * t / 6.0)
    return f"{60.0 / math.cos(angle) - 59.6 + noise.gauss(0.0, 0.001):+09.3f}\r\n".encode()


async def measure(rate: float, pages: int, seconds: float, program: str) -> dict[str, float]:
    """Latencies in ms, processor share and memory for one load."""
    master, slave = os.openpty()
    tty.setraw(slave)
    with tempfile.TemporaryDirectory() as folder:
        command = [
            program,
            "serve",
            f"serial:{os.ttyname(slave)}",
            "--rate",
            str(rate or 10),
        ]
        command += [
            "--no-browser",
            "--port",
            "0",
            "--record",
            folder,
            "--store",
            f"{folder}/evidence.sqlite",
            "--jobs",
            f"{folder}/jobs",
        ]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found
        done = asyncio.Event()
        arrived: list[list[float]] = [[] for _ in range(pages)]
        ready = [asyncio.Event() for _ in range(pages)]
        tasks = [asyncio.create_task(_page(found.group(0), r, done, a)) for r, a in zip(ready, arrived, strict=True)]
        await asyncio.gather(*(r.wait() for r in ready))
        os.write(master, b"\r\n")
        await _settled(found.group(0), process.pid)
        sent: list[float] = []
        noise = random.Random(5)

        def write() -> None:
            begin = time.monotonic()
            for i in range(int(rate * seconds)):
                wait = begin + i / rate - time.monotonic()
                if wait > 0:
                    time.sleep(wait)
                line = _swing(i / rate, noise)
                sent.append(time.monotonic())
                os.write(master, line)
            time.sleep(max(0.0, begin + seconds - time.monotonic()))

        used, woken, start = -_processor_s(process.pid), -_wakes(process.pid), time.monotonic()
        await asyncio.to_thread(write)
        took = time.monotonic() - start
        used += _processor_s(process.pid)
        woken += _wakes(process.pid)
        memory = _memory_mb(process.pid)
        await asyncio.sleep(0.5)
        done.set()
        process.terminate()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.to_thread(process.wait, 10)
    os.close(slave)
    os.close(master)
    late = np.array([1e3 * (b - a) for got in arrived for a, b in zip(sent, got, strict=False)] or [math.nan])
    return {
        "p50": float(np.quantile(late, 0.5)),
        "p99": float(np.quantile(late, 0.99)),
        "worst": float(late.max()),
        "lost": sum(len(sent) - len(got) for got in arrived),
        "cpu": used / took,
        "wakes": woken / took,
        "MB": memory,
    }


def main() -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.latency")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument(
        "--program", default=str(Path(sys.executable).with_name("shimwright")), help="another one to compare with"
    )
    a = parser.parse_args()
    sys.stdout.write("readings/s | pages | p50 ms | p99 ms | worst ms | not delivered | processor | wake-ups/s | MB\n")
    for rate, pages in ((0, 1), (10, 1), (100, 1), (100, 10)):
        m = asyncio.run(measure(rate, pages, a.seconds, a.program))
        sys.stdout.write(
            f"{rate} | {pages} | {m['p50']:.1f} | {m['p99']:.1f} | {m['worst']:.1f} | {m['lost']:.0f} | {100 * m['cpu']:.2f} % | {m['wakes']:.0f} | {m['MB']:.0f}\n"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
