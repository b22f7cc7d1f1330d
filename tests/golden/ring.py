"""Recordings of a rocked or a turned ring gear: ``python -m tests.golden.ring NAME…`` makes them in real time.  All are invented."""

from __future__ import annotations

import sys
import threading
from dataclasses import MISSING, dataclass, fields
from pathlib import Path

from capture.clock import Clock
from capture.profiles import load_profile
from capture.rawstream import StreamWriter
from capture.simulator.ring import RingBench, RingTruth, simulate_ring
from tests.golden import compare
from tests.golden.record import _over_serial, _Recorder


@dataclass(frozen=True)
class Ring:
    """One recording to make: the bench, its seed, what it measures."""

    bench: RingBench
    seed: int
    measures: str
    use: str = "text-line"


RING = {
    r.bench.name: r
    for r in (
        Ring(RingBench("rocked-four-places", "A ring gear rocked at four places, 0.001 mm display."), 61, "backlash"),
        Ring(
            RingBench(
                "rocked-inch-mirrored",
                "Eight places, 0.0005 in display that falls where the gear moves out, the bench warming.",
                unit="in",
                resolution=0.0005,
                mirrored=True,
                rate=12.0,
                gaps=(0.20, 0.21, 0.215, 0.21, 0.20, 0.19, 0.185, 0.19),
                stops=4,
                warming_per_min=0.01,
            ),
            62,
            "backlash",
        ),
        Ring(
            RingBench(
                "rocked-soft-and-knocked",
                "Four places; at the second the pinion was not locked, at the third the bench was knocked.",
                soft_place=2,
                knock_place=3,
                rate=25.0,
                batch_s=0.05,
                lag=0.002,
            ),
            63,
            "backlash",
        ),
    )
}


def record(slug: str, folder: Path) -> None:
    """Make one recording; `folder` must not exist."""
    entry = RING[slug]
    s = entry.bench
    folder.mkdir(parents=True)
    table = {"use": entry.use, "unit": s.unit, "resolution": s.resolution, "rate": s.rate}
    clock = Clock()
    profile = load_profile(table)
    writer = StreamWriter(folder / "stream.jsonl", "serial:simulated-bench", table, clock.started_text)
    sink = _Recorder(writer)
    events, truth = simulate_ring(s, entry.seed)
    with _over_serial(profile, events, lambda _: None) as (source, perform):
        stop = threading.Event()
        reader = threading.Thread(target=source.run, args=(sink, clock, stop))
        reader.start()
        sink.opened.wait(10.0)
        perform()
        stop.wait(0.5)
        stop.set()
        reader.join(5.0)
    writer.close()
    (folder / "about.toml").write_text(_about(entry, truth), "utf-8")


def _about(entry: Ring, truth: RingTruth) -> str:
    s = entry.bench
    lines = [
        "# A simulated, invented bench, recorded through a pseudo-terminal by the serial source.",
        "simulated = true",
        "invented = true",
        f'measures = "{entry.measures}"',
        f'about = "{s.about}"',
        f"seed = {entry.seed}",
        "",
        "[scenario]",
    ]
    for f in fields(RingBench):
        value = getattr(s, f.name)
        if f.name in ("name", "about") or (f.default is not MISSING and value == f.default):
            continue
        shown = (
            str(list(value)) if isinstance(value, tuple) else f'"{value}"' if isinstance(value, str) else repr(value)
        )
        lines.append(f"{f.name} = {shown.lower() if isinstance(value, bool) else shown}")
    lines += ["", "[truth]", f"backlash_mm = {truth.gaps}" if truth.gaps else f"heights_mm = {truth.heights}"]
    return "\n".join(lines) + "\n"


def main(slugs: list[str]) -> None:
    """Make these recordings at once."""
    threads = [threading.Thread(target=record, args=(x, compare.ROOT / x)) for x in slugs]
    for t in threads:
        t.start()
    for t in threads:
        t.join()


if __name__ == "__main__":
    main(sys.argv[1:])
