"""``python -m tests.long.simulate --seeds N``: whole scenarios in fake time, each from its seed.

An indicator is unplugged, plugged in again, held by another program, falls silent; lines arrive in pieces; the computer's clock is
set; the disk fills up or fails; sets are begun; and the machine may be cut off at the end.  A seed that fails fails again.
"""

from __future__ import annotations

import argparse
import itertools
import json
import logging
import random
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture import running_set as set_module
from capture.analyse import replay_into
from capture.profiles import load_profile
from capture.rawstream import Rx, StreamWriter, read_records
from capture.rawstream import writer as writer_module
from tests.capture.fake_time import Cable, FakeClock, Watched, World
from tests.capture.faulty_disk import FaultyDisk

NOTICED_S = 1.0
BACK_S = 3.0
LENGTH_S = 45.0


@dataclass
class Story:
    """What happens, and what is watched meanwhile."""

    seed: int
    period: float = 0.1
    sent: dict[int, float] = field(default_factory=dict)
    unplugged: list[float] = field(default_factory=list)
    available: list[float] = field(default_factory=list)
    silences: list[tuple[float, float]] = field(default_factory=list)
    steps: int = 0
    disk_trouble: bool = False
    safe: list[tuple[float, int]] = field(default_factory=list)
    full: list[tuple[float, float]] = field(default_factory=list)


def simulate(seed: int, folder: Path) -> Story:
    """Play one scenario and hold it against every promise.

    Raises
    ------
    AssertionError
        Naming the promise that was broken.
    """
    rng = random.Random(seed)
    story = Story(seed, period=rng.choice([0.05, 0.1, 0.2, 0.5]))
    world = World(FakeClock(), LENGTH_S)
    cable = Cable(world)
    disks: list[FaultyDisk] = []

    def writer(path: Path, *a: Any, **k: Any) -> StreamWriter:
        disks.append(FaultyDisk(how="full"))
        return StreamWriter(path, *a, disk=disks[-1], **k)

    kept = set_module.StreamWriter, writer_module.SYNC_S
    set_module.StreamWriter, writer_module.SYNC_S = writer, 1e9  # type: ignore[assignment,misc]
    try:
        profile = load_profile({"use": "text-line", "rate": 1 / story.period})
        station = Watched(cable, profile=profile, record_to=folder, clock=world.clock)
        _indicator(rng, story, world, cable)
        _troubles(rng, story, world, cable, station, disks)
        station.run_to_the_end(world)
        for d in disks:
            d.count = 0
        # The machine may be cut off before anything is closed.
        cuts = (
            [d.power_cut(folder.parent / f"cut{seed}-{n}") for n, d in enumerate(disks)] if rng.random() < 0.5 else []
        )
        assert station._set.writer is not None
        safe_lines = station._set.writer.synced_lines
        station.close()
    finally:
        set_module.StreamWriter, writer_module.SYNC_S = kept  # type: ignore[misc]
    _check_link(story, station)
    _check_readings(story, station, cable, folder)
    if cuts:
        lines = [x for p in sorted(cuts[-1].glob("stream*.jsonl")) for x in p.read_bytes().splitlines()]
        found = list(read_records(cuts[-1] / "stream.jsonl"))
        assert len(lines) >= safe_lines
        whole = list(read_records(max(folder.glob("*/stream.jsonl"), key=lambda p: p.parent.name[-3:])))
        assert found[: len(whole)] == whole[: len(found)], "a power cut left other records than were written"
    return story


def _indicator(rng: random.Random, story: Story, world: World, cable: Cable) -> None:
    """Sends readings all the time, in pieces now and then, with silences."""
    t, k = 0.05, 1
    while t < LENGTH_S:
        if rng.random() < 0.004:
            length = rng.uniform(1.0, 4.0)
            story.silences.append((t, t + length))
            t += length
        data = f"{k / 1000:+08.3f}\r\n".encode()
        cut = rng.randrange(len(data)) if rng.random() < 0.3 else 0

        def send(part: bytes, k: int = 0) -> None:
            if cable.send(part) and k:
                story.sent[k] = world.clock.t

        # A return ends the line, whether or not its line feed still comes.
        whole = cut == len(data) - 1
        if cut:
            world.at(t, lambda d=data[:cut], k=k * whole: send(d, k))  # type: ignore[misc]
        world.at(t + (0.02 if cut else 0.0), lambda d=data[cut:], k=k * (not whole): send(d, k))  # type: ignore[misc]
        t += story.period
        k += 1


def _troubles(
    rng: random.Random, story: Story, world: World, cable: Cable, station: Watched, disks: list[FaultyDisk]
) -> None:
    t = 4.0

    def unplug() -> None:
        cable.plugged = False
        story.unplugged.append(world.clock.t)

    def plug(held: float) -> None:
        cable.plugged = True
        cable.held = held > 0
        if not held:
            story.available.append(world.clock.t)

    def free() -> None:
        cable.held = False
        story.available.append(world.clock.t)

    while t < LENGTH_S - 9:
        kind = rng.choice(["unplug", "unplug", "held", "clock", "disk", "sync", "set", "mark"])
        if kind in ("unplug", "held"):
            out = rng.uniform(0.05, 3.0)
            held = rng.uniform(0.2, 3.0) if kind == "held" else 0.0
            world.at(t, unplug)
            world.at(t + out, lambda held=held: plug(held))  # type: ignore[misc]
            if held:
                world.at(t + out + held, free)
            t += out + held + 4.0
        elif kind == "clock":
            step = rng.choice([3600.0, -3600.0, 2.5])
            story.steps += 1
            world.at(t, lambda s=step: setattr(world.clock, "wall_zero", world.clock.wall_zero + s))  # type: ignore[misc]
        elif kind in ("disk", "sync"):
            length = rng.uniform(0.5, 4.0)
            story.disk_trouble = True

            def fail(kind: str = kind) -> None:
                d = disks[-1]
                d.how, d.only = ("full", "write") if kind == "disk" else ("error", "sync")
                d.done = 0
                d.first, d.count = 0, 10**9

            world.at(t, fail)
            world.at(t + length, lambda: [setattr(d, "count", 0) for d in disks])
            story.full.append((t, t + length))
            t += length
        elif kind == "set":
            world.at(t, station.new_set)
        else:
            world.at(t, lambda: station.mark_now("reseat"))
        t += rng.uniform(0.3, 3.0)

    def sync() -> None:
        writer = station._set.writer
        assert writer is not None
        writer.sync()
        story.safe.append((world.clock.t, writer.synced_lines))

    for n in range(int(2 * LENGTH_S)):
        world.at(n / 2, sync)


def _check_link(story: Story, station: Watched) -> None:
    links = station.links()
    heard = [at for at, e in station.events if e["event"] == "reading"]
    for at in story.unplugged:
        noticed = [t for t, s, _ in links if s == "lost" and t >= at]
        assert noticed, f"the unplug at {at:.2f} was never noticed"
        assert noticed[0] - at <= NOTICED_S, f"the unplug at {at:.2f} was noticed at {noticed[0]:.2f}"
    for at in story.available:
        if any(a - 3.5 <= at < b for a, b in story.silences) or at > LENGTH_S - 4:
            continue
        again = [t for t in heard if t >= at]
        assert again, f"nothing heard after {at:.2f}"
        assert again[0] - at <= BACK_S + 2 * story.period, f"plugged in at {at:.2f}, heard at {again[0]:.2f}"
    for a, b in itertools.pairwise(heard):
        due = a + max(2 * story.period, 0.17) + 0.041
        if b - a > max(4 * story.period, 0.4):
            told = [t for t, s, _ in links if s in ("stale", "lost", "opened", "back") and a <= t <= due]
            assert told, f"silent from {a:.2f} to {b:.2f}, and nothing was told by {due:.2f}"
    assert station.counters.clock_steps == story.steps
    assert station.failure is None, station.failure
    failures = [e["why"] for _, e in station.events if e["event"] == "failure"]
    if failures:
        assert failures[-1] == "", "a disk that is well again is still told as failing"


def _check_readings(story: Story, station: Watched, cable: Cable, folder: Path) -> None:
    counts = [e["counts"] for _, e in station.events if e["event"] == "reading"]
    assert counts == sorted(set(counts)), "a reading came twice or out of order"
    assert set(counts) <= set(story.sent), "a reading that was never sent"
    paths = sorted(folder.glob("*/stream.jsonl"), key=lambda p: p.parent.name[-3:])
    streams = [list(read_records(p)) for p in paths]
    read = b"".join(d for _, d in cable.read)
    assert b"".join(r.data for s in streams for r in s if isinstance(r, Rx)) == read, "bytes lost or doubled"
    for s in streams:
        times = [r.t for r in s if isinstance(r, Rx)]
        assert times == sorted(times)
        assert not times or times[0] >= 0.0
    assert sum(replay_into(p).result()["readings"] for p in paths) == len(counts), "the replay reads otherwise"
    for a, b in story.full:
        inside = {n for t, n in story.safe if a + 0.02 < t < b - 0.02}
        assert len(inside) <= 1 + sum(e["event"] == "set" for t, e in station.events if a <= t <= b), (
            "acknowledged on a disk that takes nothing"
        )
    steps = sum("step_s" in json.loads(x) for p in folder.glob("*/*.jsonl") for x in p.read_bytes().splitlines())
    assert steps >= story.steps


def main(arguments: list[str] | None = None) -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.long.simulate")
    parser.add_argument("--seeds", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    a = parser.parse_args(arguments)
    begin = time.monotonic()
    logging.getLogger("shimwright").addHandler(logging.NullHandler())
    bad = 0
    for seed in range(a.first, a.first + a.seeds):
        with tempfile.TemporaryDirectory() as place:
            try:
                simulate(seed, Path(place) / "streams")
            except AssertionError as e:
                bad += 1
                sys.stdout.write(f"seed {seed}: {e}\n")
    took = time.monotonic() - begin
    sys.stdout.write(
        f"{a.seeds} scenarios of {LENGTH_S:.0f} s, {bad} failed; {took:.0f} s, {a.seeds * LENGTH_S / took:.0f} times as fast as real\n"
    )
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
