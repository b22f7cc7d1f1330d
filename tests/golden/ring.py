"""Recordings of a rocked or a turned ring gear: ``python -m tests.golden.ring NAME…`` makes them in real time.  All are invented."""

from __future__ import annotations

import sys
import tempfile
import threading
from dataclasses import MISSING, dataclass, fields
from pathlib import Path

from capture.clock import Clock
from capture.profiles import load_profile
from capture.rawstream import StreamWriter
from capture.simulator.pty_bench import PtyBench
from capture.sources.serial_port import SerialSource
from tests.fakes.ring_bench import RingBench, RingTruth, simulate_ring
from tests.golden import compare
from tests.golden.record import _Recorder


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
        Ring(
            RingBench(
                "turned-two-turns",
                "A ring gear turned twice by hand, the plunger on its back face.",
                gaps=(),
                wave=0.034,
                second=0.005,
                turns=2,
                rate=15.0,
            ),
            64,
            "run-out",
        ),
        Ring(
            RingBench(
                "turned-not-whole",
                "A ring gear turned once and seven tenths, taken for two turns.",
                gaps=(),
                wave=0.034,
                second=0.005,
                turns=1.7,
            ),
            65,
            "run-out",
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
    with tempfile.TemporaryDirectory() as place:
        link = Path(place) / "indicator"
        bench = PtyBench(link)
        source, stop = SerialSource(str(link), profile), threading.Event()
        reader = threading.Thread(target=source.run, args=(sink, clock, stop))
        try:
            reader.start()
            sink.opened.wait(10.0)
            bench.start(events)
            bench.finished.wait(600.0)
            stop.wait(0.5)
        finally:
            stop.set()
            reader.join(5.0)
            bench.stop()
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
    lines += ["", "[truth]", f"backlash_mm = {truth.gaps}" if truth.gaps else f"run_out_mm = {truth.run_out:.6f}"]
    return "\n".join(lines) + "\n"


def main(slugs: list[str]) -> None:
    """Make these recordings at once."""
    for slug in slugs or [""]:
        if slug not in RING or (compare.ROOT / slug).exists():
            sys.exit(f"{slug or 'no name'}: allowed: a name that is not recorded yet, of {', '.join(RING)}")
    threads = [threading.Thread(target=record, args=(x, compare.ROOT / x)) for x in slugs]
    for t in threads:
        t.start()
    for t in threads:
        t.join()


if __name__ == "__main__":
    main(sys.argv[1:])
