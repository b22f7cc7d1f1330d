"""``python -m tests.long.kill_loop --kills N``: ``shimwright listen --record`` on a real pseudo-terminal, killed at random moments.

An indicator sends numbered readings without a pause.  The program is killed (SIGKILL), started again at once, and so on.  Every
reading it printed before it died must be in its raw stream once; no reading may be there twice, and none that was not sent.  A
reading is printed after it is in the file and acknowledged once the file is synced, so the printed ones include the acknowledged.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture.decoders import Frame
from capture.profiles import load_profile
from capture.rawstream import Link, Rx, read_records, repair_folder
from capture.simulator.pty_bench import PtyBench

AGAIN_S = 2.0
"""From the start of the program to its first reading, at most."""

PROFILE = load_profile("text-line")


@dataclass
class Tally:
    """What the kills showed."""

    kills: int = 0
    during_start: int = 0
    printed: int = 0
    recorded: int = 0
    torn: int = 0
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Nothing lost, nothing doubled, nothing invented, and always running again in time."""
        return not (self.lost or self.doubled or self.invented) and max(self.starts, default=0.0) <= AGAIN_S

    def __str__(self) -> str:
        starts = sorted(self.starts)
        p50 = starts[len(starts) // 2] if starts else 0.0
        return (
            f"{self.kills} kills ({self.during_start} before the first reading): {self.printed} readings printed, "
            f"{self.recorded} recorded, {self.torn} torn lines; lost {len(self.lost)}, doubled {len(self.doubled)}, "
            f"invented {len(self.invented)}; first reading after {p50:.2f} s, at most {max(starts, default=0):.2f} s"
        )


class _Indicator:
    """Sends 1, 2, 3, … thousandths for ever; what nobody takes is dropped, as on a real line."""

    def __init__(self, link: Path, rate: float) -> None:
        self.bench = PtyBench(link)
        self.sent = 0
        self._pause = 1.0 / rate
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, name="indicator", daemon=True)
        self._thread.start()

    def _send(self) -> None:
        while not self._stop.wait(self._pause):
            self.sent += 1
            # Numbers run round below the largest value an indicator shows.
            master = self.bench._master
            if master is None:
                return
            try:
                os.write(master, line_of(self.sent))
            except BlockingIOError:
                continue

    def stop(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join(5)
        self.bench.stop()


def line_of(n: int) -> bytes:
    """Reading number `n`, as it is sent."""
    return b"+%04d.%03d\r\n" % divmod(n % 9_000_000, 1000)


def run(
    kills: int, folder: Path, seed: int = 1, rate: float = 200.0, tell: Callable[[str], object] | None = None
) -> Tally:
    """Kill so many times.

    Parameters
    ----------
    kills : int
    folder : Path
        Where the terminal's link and the recordings go.
    seed : int
        Moments of the kills.
    rate : float
        Readings per second.
    tell : callable, optional
        Told how it goes, now and then.
    """
    rng = random.Random(seed)
    tally = Tally()
    link, streams = folder / "indicator", folder / "streams"
    indicator = _Indicator(link, rate)
    script = str(Path(sys.executable).with_name("shimwright"))
    command = [script, "listen", f"serial:{link}", "--rate", str(rate), "--record", str(streams)]
    try:
        for k in range(kills):
            before = indicator.sent
            begin = time.monotonic()
            with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
                # One in five dies while it starts, the others after some readings.
                early = rng.random() < 0.2
                wait = rng.uniform(0.0, 0.35) if early else rng.expovariate(1 / 0.12)
                first = None if early else _first_reading(process, begin, tally)
                time.sleep(wait)
                process.kill()
                assert process.stdout is not None
                out = (first or b"") + process.stdout.read()
                process.wait(10)
            tally.kills += 1
            tally.during_start += early
            _judge(k, out, before, indicator.sent, streams, tally)
            if tell is not None and (k + 1) % 100 == 0:
                tell(str(tally))
    finally:
        indicator.stop()
    return tally


def _first_reading(process: subprocess.Popen[bytes], begin: float, tally: Tally) -> bytes:
    assert process.stdout is not None
    out = b""
    while b'"counts"' not in out:
        text = process.stdout.readline()
        if not text:
            assert process.stderr is not None
            raise AssertionError(f"the program ended by itself: {process.stderr.read()!r}")
        out += text
    tally.starts.append(time.monotonic() - begin)
    return out


def _judge(k: int, out: bytes, before: int, after: int, streams: Path, tally: Tally) -> None:
    # A last line that was cut off in the pipe was printed too, but nobody can tell what it said.
    printed = [json.loads(x)["counts"] for x in out.split(b"\n")[:-1] if b'"counts"' in x]
    tally.printed += len(printed)
    folders = sorted(streams.glob("*"), key=lambda p: p.stat().st_mtime_ns) if streams.exists() else []
    recorded: list[int] = []
    made = [f for f in folders if (f / "stream.jsonl").exists()]
    new = [f for f in made if not (f / "seen").exists()]
    for f in new:
        (f / "seen").touch()
        counts, torn = readings(f / "stream.jsonl")
        recorded += counts
        tally.torn += torn
    if printed and not new:
        tally.lost.append(f"kill {k}: printed {len(printed)}, no stream")
    tally.recorded += len(recorded)
    missing = set(printed) - set(recorded)
    if missing:
        tally.lost.append(f"kill {k}: {sorted(missing)[:5]}")
    if len(recorded) != len(set(recorded)) or len(printed) != len(set(printed)):
        tally.doubled.append(f"kill {k}")
    stray = [c for c in recorded if not before - 1000 <= c <= after]
    if stray or recorded != sorted(recorded):
        tally.invented.append(f"kill {k}: {stray[:5]}")


def readings(path: Path) -> tuple[list[int], int]:
    """Readings of a stream, as every program of this project decodes them, and how many torn lines it has."""
    decoder = PROFILE.decoder()
    counts: list[int] = []
    torn = 0
    for record in read_records(path):
        if isinstance(record, Link) and record.state in ("opened", "lost"):
            decoder.reset()
        elif isinstance(record, Rx):
            counts += [i.counts for i in decoder.feed(record.data) if isinstance(i, Frame)]
        elif not isinstance(record, Link):
            torn += 1
    return counts, torn


def main(arguments: list[str] | None = None) -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.long.kill_loop")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    a = parser.parse_args(arguments)
    begin = time.monotonic()

    def tell(text: Any) -> None:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    with tempfile.TemporaryDirectory() as folder:
        tally = run(a.kills, Path(folder), a.seed, tell=tell)
        said = repair_folder(Path(folder) / "streams")
    tell(f"{tally}; {len(said)} torn streams repaired at the end; {time.monotonic() - begin:.0f} s")
    for what in (*tally.lost, *tally.doubled, *tally.invented):
        tell(what)
    return 0 if tally.good else 1


if __name__ == "__main__":
    raise SystemExit(main())
