"""From a reading on the line to the event on the wire: ``python -m tests.bench.latency``.

A real pseudo-terminal, the real program, and one to ten readers of its event stream.  Also the processor share and memory of the program.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

import httpx
import numpy as np


async def _page(address: str, ready: asyncio.Event, done: asyncio.Event, arrived: dict[int, float]) -> None:
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
                arrived[json.loads(line[5:])["counts"]] = time.monotonic()
            if done.is_set():
                return


def _usage(pid: int) -> tuple[float, float]:
    """Processor seconds and resident MB of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    seconds = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return seconds, pages * os.sysconf("SC_PAGE_SIZE") / 1e6


async def measure(rate: float, pages: int, seconds: float) -> dict[str, float]:
    """Latencies in ms, processor share and memory for one load."""
    master, slave = os.openpty()
    tty.setraw(slave)
    with tempfile.TemporaryDirectory() as folder:
        command = [
            str(Path(sys.executable).with_name("shimwright")),
            "serve",
            f"serial:{os.ttyname(slave)}",
            "--rate",
            str(rate),
        ]
        command += ["--no-browser", "--port", "0", "--record", folder, "--store", f"{folder}/evidence.sqlite"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found
        done = asyncio.Event()
        arrived: list[dict[int, float]] = [{} for _ in range(pages)]
        ready = [asyncio.Event() for _ in range(pages)]
        tasks = [asyncio.create_task(_page(found.group(0), r, done, a)) for r, a in zip(ready, arrived, strict=True)]
        await asyncio.gather(*(r.wait() for r in ready))
        sent: dict[int, float] = {}

        def write() -> None:
            begin = time.monotonic()
            for i in range(int(rate * seconds)):
                wait = begin + i / rate - time.monotonic()
                if wait > 0:
                    time.sleep(wait)
                # A swing, so that sweeps are found and judged meanwhile; the last digits tell the readings apart.
                sent[i] = time.monotonic()
                os.write(master, f"{i * 0.001:+09.3f}\r\n".encode())

        before, start = _usage(process.pid)[0], time.monotonic()
        thread = threading.Thread(target=write)
        thread.start()
        while thread.is_alive():
            await asyncio.sleep(0.05)
        await asyncio.sleep(0.5)
        after, memory = _usage(process.pid)
        share = (after - before) / (time.monotonic() - start)
        done.set()
        process.terminate()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.to_thread(process.wait, 10)
    os.close(slave)
    os.close(master)
    late = np.array([1e3 * (a[i] - sent[i]) for a in arrived for i in sent if i in a])
    lost = sum(1 for a in arrived for i in list(sent)[1:] if i not in a)
    return {
        "p50": float(np.quantile(late, 0.5)),
        "p99": float(np.quantile(late, 0.99)),
        "worst": float(late.max()),
        "lost": lost,
        "cpu": share,
        "MB": memory,
    }


def main() -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.latency")
    parser.add_argument("--seconds", type=float, default=10.0)
    a = parser.parse_args()
    sys.stdout.write("readings/s | pages | p50 ms | p99 ms | worst ms | not delivered | processor | MB\n")
    for rate, pages in ((10, 1), (100, 1), (100, 10)):
        m = asyncio.run(measure(rate, pages, a.seconds))
        sys.stdout.write(
            f"{rate} | {pages} | {m['p50']:.1f} | {m['p99']:.1f} | {m['worst']:.1f} | {m['lost']:.0f} | {100 * m['cpu']:.1f} % | {m['MB']:.0f}\n"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
