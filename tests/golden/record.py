"""Makes recordings: the simulated bench on a real pseudo-terminal or an emulated Bluetooth service, read by the real source."""

from __future__ import annotations

import os
import tempfile
import threading
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import MISSING, fields, replace
from heapq import merge
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import numpy as np

from capture.clock import Clock
from capture.profiles import Profile, load_profile
from capture.rawstream import StreamWriter
from capture.simulator.bench import Event, Truth, simulate
from capture.simulator.pty_bench import PtyBench
from capture.simulator.scenario import Scenario
from capture.sources import Source, open_source, serial_port
from capture.sources.serial_port import SerialSource
from tests.capture.faulty_disk import FaultyDisk
from tests.golden.catalogue import ENTRIES, Entry

if TYPE_CHECKING:
    from tests.fakes.bluetooth_bench import BluetoothBench


class _Recorder:
    """Writes what the source reads, nothing else."""

    def __init__(self, writer: StreamWriter) -> None:
        self.writer = writer
        self.opened = threading.Event()

    def chunk(self, t: float, data: bytes) -> None:
        self.writer.rx(t, data)

    def link(self, t: float, state: str, why: str = "") -> None:
        self.writer.link(t, state, why)
        self.opened.set()

    def mark(self, t: float, mark: str) -> None:
        self.writer.mark(t, mark)


def profile_table(entry: Entry) -> dict[str, Any]:
    """Profile table of a recording."""
    s = entry.scenario
    return {"use": "text-line", "unit": s.unit, "resolution": s.resolution, "rate": s.rate, **entry.profile}


def record(slug: str, folder: Path) -> None:
    """Make one recording in real time; `folder` must not exist."""
    entry = ENTRIES[slug]
    folder.mkdir(parents=True)
    table = profile_table(entry)
    clock = Clock()
    link = "ble" if entry.value_bytes else "serial"
    disk = FaultyDisk(count=0, only="sync")
    path = folder / "stream.jsonl"
    writer = StreamWriter(path, f"{link}:simulated-bench", table, clock.started_text, disk=disk)
    sink = _Recorder(writer)

    def happened(event: Event) -> None:
        if event.kind in ("reseat", "set-end"):
            sink.mark(clock.now(), event.kind)

    events, truth = simulate(entry.scenario, entry.seed)
    if entry.cut:
        events = cut_short(events, entry.cut, entry.seed)
    if entry.hurt:
        events = as_a_driver_tells(events, entry.hurt, entry.seed)
    if entry.disk_fails_at is not None:
        events = _failing(events, entry.disk_fails_at, disk)
    if entry.ends_at is not None:
        events = merge(events, [Event(entry.ends_at, "set-end")], key=lambda event: event.t)
    play = _over_bluetooth if link == "ble" else _over_serial
    with play(load_profile(table), events, happened, entry) as (source, perform):
        stop = threading.Event()
        reader = threading.Thread(target=source.run, args=(sink, clock, stop))
        reader.start()
        sink.opened.wait(10.0)
        begin = clock.now()
        perform()
        stop.wait(0.5)
        stop.set()
        reader.join(5.0)
    writer.close()
    if entry.killed:
        path.write_bytes(path.read_bytes()[:-9])
        path.with_name("stream.jsonl.sha256").unlink()
    (folder / "about.toml").write_text(about(entry, truth, begin), "utf-8")
    if entry.setup:
        (folder / "setup.toml").write_text(entry.setup, "utf-8")


Happened = Callable[[Event], None]


@contextmanager
def _over_serial(
    profile: Profile, events: Iterator[Event], happened: Happened, entry: Entry
) -> Iterator[tuple[Source, Callable[[], object]]]:
    """The bench on a pseudo-terminal: a source for it, and what plays it to its end."""
    with tempfile.TemporaryDirectory() as place:
        link = Path(place) / "indicator"
        bench = PtyBench(link, on_event=happened)

        def perform() -> None:
            bench.start(events)
            bench.finished.wait(600.0)

        # A pseudo-terminal damages nothing: what a driver would hand over is sent through it, and must not be marked again.
        quiet = patch.object(serial_port, "mark_damage", lambda _: None) if entry.hurt else nullcontext()
        try:
            with quiet:
                yield SerialSource(str(link), profile), perform
        finally:
            bench.stop()


@contextmanager
def _over_bluetooth(
    profile: Profile, events: Iterator[Event], happened: Happened, entry: Entry
) -> Iterator[tuple[Source, Callable[[], object]]]:
    """The bench as a Bluetooth indicator that describes itself, on an emulated service."""
    # Only here: this needs a D-Bus daemon, replaying does not.
    from tests.fakes.bluetooth_bench import BluetoothBench
    from tests.fakes.bluetooth_service import format_descriptor, indicator
    from tests.fakes.private_bus import PrivateBus

    bus = PrivateBus()
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = bus.address
    exponent, unit = (-4, 0x27A2) if profile.scale.unit == "in" else (-6, 0x2701)
    described = format_descriptor(0x10, exponent, unit)
    bench = BluetoothBench(bus.address, indicator(described=described, plain=profile.kind != "gatt-length"))
    if entry.twice_at is not None:
        events = _doubled(events, entry.twice_at, bench)
    try:
        source = open_source(f"ble:{bench.indicator.address}", profile)
        yield source, lambda: bench.play(events, entry.value_bytes, happened)
    finally:
        bench.close()
        bus.close()
        if before is None:
            del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before


def cut_short(events: Iterator[Event], share: float, seed: int) -> Iterator[Event]:
    """Lines of text that lost bytes on the way: the sign, leading digits, the last places, or everything from the point on."""
    rng = np.random.default_rng([seed, 7])
    first = True
    for e in events:
        if e.kind == "data" and (first or rng.random() < share):
            body, end = e.data[:-2], e.data[-2:]
            kind = 0 if first else int(rng.integers(0, 4))
            left = [body[3:], body[1:], body[: -int(rng.integers(1, 3))], body.partition(b".")[0]][kind]
            e = replace(e, data=left + end)
            first = False
        yield e


def as_a_driver_tells(events: Iterator[Event], share: float, seed: int) -> Iterator[Event]:
    """Bytes that the line damages, as a port's driver hands them over: FF 00 before a damaged one, FF twice for a whole one."""
    rng = np.random.default_rng([seed, 8])
    for e in events:
        if e.kind == "data":
            told = bytearray()
            for b in e.data:
                if rng.random() < share:
                    told += bytes([0xFF, 0, b ^ 1 << int(rng.integers(0, 7))])
                else:
                    told += b"\xff\xff" if b == 0xFF else bytes([b])
            e = replace(e, data=bytes(told))
        yield e


def _failing(events: Iterator[Event], at: float, disk: FaultyDisk) -> Iterator[Event]:
    """From that time on the disk refuses one sync."""
    for e in events:
        if e.t >= at and not disk.count:
            disk.first, disk.count = disk.done, 1
        yield e


def _doubled(events: Iterator[Event], at: float, bench: BluetoothBench) -> Iterator[Event]:
    """From that time on every notification is delivered twice, until the link is made anew."""
    connects = bench.indicator.connects
    begun = False
    for e in events:
        if e.t >= at and not begun:
            begun, connects = True, bench.indicator.connects
            bench.do(lambda s: setattr(s, "each_twice", True))
        if begun and bench.indicator.connects > connects:
            bench.do(lambda s: setattr(s, "each_twice", False))
        yield e


def record_many(slugs: Sequence[str], root: Path) -> None:
    """Make several recordings at once: a bench spends its time waiting."""
    threads = [threading.Thread(target=record, args=(slug, root / slug)) for slug in slugs]
    for t in threads:
        t.start()
    for t in threads:
        t.join()


def about(entry: Entry, truth: Truth, begin: float) -> str:
    """What the bench knew, as TOML."""
    s = entry.scenario
    lines = [
        "# A simulated, invented bench, recorded "
        + (
            "through an emulated Bluetooth service by the Bluetooth source."
            if entry.value_bytes
            else "through a pseudo-terminal by the serial source."
        ),
        "simulated = true",
        "invented = true",
        f'about = "{s.about}"',
        f"seed = {entry.seed}",
        "",
        "[scenario]",
    ]
    for f in fields(Scenario):
        value = getattr(s, f.name)
        default = f.default if f.default is not MISSING else {}
        if f.name in ("name", "about") or value == default:
            continue
        if isinstance(value, bool):
            lines.append(f"{f.name} = {str(value).lower()}")
        elif isinstance(value, dict):
            value = "{ " + ", ".join(f'{k} = "{v}"' for k, v in value.items()) + " }"
            lines.append(f"{f.name} = {value}")
        else:
            lines.append(f"{f.name} = " + (f'"{value}"' if isinstance(value, str) else repr(value)))
    lines += [
        "",
        "[truth]",
        f"minimum_mm = {truth.minimum_mm:.6f}",
        "# time of each swing's nearest point, display there, seating, fault",
        "sweeps = [",
    ]
    for x in truth.sweeps:
        fault = f', fault = "{x["fault"]}"' if x["fault"] else ""
        t, m = float(str(x["t"])) + begin, float(str(x["minimum_mm"]))
        lines.append(f"    {{ t = {t:.3f}, minimum_mm = {m:.6f}, seat = {x['seating']}{fault} }},")
    lines.append("]")
    text = "\n".join(lines) + "\n"
    tomllib.loads(text)
    return text
