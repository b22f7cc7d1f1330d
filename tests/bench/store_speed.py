"""How fast the evidence store is: ``python -m tests.bench.store_speed``.

Prints, measured on this machine: what a live feed costs at several rates, how many readings a second go in, how fast a rebuild is,
and how long a backup takes.  ``--store`` measures PostgreSQL instead of a new SQLite file.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path

from analysis.readings import Reading, Scale
from capture.analyse import replay_into
from capture.rawstream import StreamHeader, StreamWriter
from capture.store.database import Store
from capture.store.feed import StoreFeed
from capture.store.upkeep import load_into, rebuild
from tests.capture.store_live import HEADER, chunks

STEP = Scale(Decimal("0.001"), "mm")


@contextmanager
def cpu() -> Iterator[list[float]]:
    """Seconds of the clock and of the processor that a block took."""
    out: list[float] = []
    begin, used = time.perf_counter(), time.process_time()
    yield out
    out += [time.perf_counter() - begin, time.process_time() - used]


def live(where: str, folder: Path, rate: float, seconds: float, *, poll: bool) -> str:
    """Feed at a steady rate: what it costs, or (with `poll`, which costs something itself) how late rows are committed."""
    feed = StoreFeed(where)
    path = folder / f"live-{rate:g}-{poll}" / "stream.jsonl"
    header = StreamHeader(HEADER.started, f"{HEADER.source}-{rate:g}", HEADER.profile)
    writer = StreamWriter(path, header.source, header.profile, header.started)
    feed.begin_set(path, header)
    time.sleep(1.5)
    fed: list[float] = []
    late: list[float] = []
    longest = 0.0

    def look() -> None:
        now, done = time.perf_counter(), feed.committed
        while len(late) < done:
            late.append(now - fed[len(late)])

    with cpu() as took:
        begin = time.perf_counter()
        for n in range(int(rate * seconds)):
            at = begin + n / rate
            while (now := time.perf_counter()) < at:
                time.sleep(0.001 if poll else at - now)
                if poll:
                    look()
            fed.append(time.perf_counter())
            feed.reading(Reading(n / rate, n % 1000, STEP))
            longest = max(longest, time.perf_counter() - fed[-1])
    writer.close()
    feed.close(30.0)
    if not poll:
        return f"live, {rate:g} readings/s: {100 * took[1] / took[0]:.1f} % of a core; longest hold-up of the capture {1000 * longest:.2f} ms"
    late.sort()
    return (
        f"live, {rate:g} readings/s: committed after median {1000 * statistics.median(late):.0f} ms, "
        f"99 % within {1000 * late[int(0.99 * (len(late) - 1))]:.0f} ms"
    )


def burst(where: str, folder: Path, count: int) -> str:
    """As many as can be."""
    feed = StoreFeed(where, most_waiting=10**9)
    path = folder / "burst" / "stream.jsonl"
    header = StreamHeader(HEADER.started, f"{HEADER.source}-burst", HEADER.profile)
    writer = StreamWriter(path, header.source, header.profile, header.started)
    feed.begin_set(path, header)
    while not feed.ready:
        time.sleep(0.01)
    with cpu() as took:
        for n in range(1, count + 1):
            feed.reading(Reading(n / 100, n % 1000, STEP))
        while feed.committed < count:
            time.sleep(0.005)
    writer.close()
    feed.close(60.0)
    return f"live, as fast as can be: {count / took[0]:,.0f} readings/s written ({count:,} in {took[0]:.2f} s, {took[1]:.2f} s of the processor)"


def again(where: str, folder: Path, count: int) -> tuple[str, Path]:
    """Rebuild of one long stream."""
    path = folder / "long" / "stream.jsonl"
    writer = StreamWriter(path, HEADER.source, HEADER.profile, HEADER.started)
    for record in chunks(count):
        writer.rx(record.t, record.data)
    writer.close()
    with cpu() as judged:
        replay_into(path).result()
    with Store(where) as store:
        with cpu() as first:
            list(rebuild(store, [path]))
        with cpu() as second:
            list(load_into(store, path))
    return (
        f"rebuild: {count / first[0]:,.0f} readings/s into an empty store ({count:,} in {first[0]:.2f} s, of which "
        f"{judged[0]:.2f} s are decoding and judging; {first[1]:.2f} s of the processor); {count / second[0]:,.0f} readings/s over rows that are there"
    ), path


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", help="a PostgreSQL URL (an empty database) instead of a new SQLite file")
    parser.add_argument("--readings", type=int, default=200_000)
    parser.add_argument("--seconds", type=float, default=8.0, help="length of each live measurement")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        where = chosen.store or str(folder / "evidence.sqlite")
        with cpu() as took:
            Store(where).close()
        print(f"making an empty store: {took[0]:.2f} s, the libraries' import included")
        with cpu() as took:
            Store(where).close()
        print(f"opening it: {1000 * took[0]:.1f} ms")
        for rate in (10.0, 100.0, 800.0):
            print(live(where, folder, rate, chosen.seconds, poll=False), flush=True)
            print(live(where, folder, rate, chosen.seconds, poll=True), flush=True)
        print(burst(where, folder, chosen.readings), flush=True)
        said, _ = again(where, folder, chosen.readings)
        print(said, flush=True)
        with Store(where) as store:
            with cpu() as took:
                store.backup(folder / "copy.sqlite")
            size = os.path.getsize(folder / "copy.sqlite")
            with store.read() as c:
                count = c.exec_driver_sql("SELECT count(*) FROM readings").scalar() or 0
        print(
            f"backup: {size / 1e6:.1f} MB in {took[0]:.2f} s, checked; {size / count:.0f} bytes a reading in all ({count:,} readings)"
        )
    print(f"largest memory of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB")


if __name__ == "__main__":
    main()
