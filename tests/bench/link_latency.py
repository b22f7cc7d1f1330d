"""``python -m tests.bench.link_latency``: what each link adds to a reading, and how soon its loss and its return are noticed.

The transports and their far ends are those of the conformance suite; a pseudo-terminal stands for a serial adapter, and an emulated
service on a private D-Bus for Bluetooth, which has no radio in it.  Latency: from the write at the far end to the stamp in the source's
thread.  Loss: from the cut, or the service's death, to the word of it.  Return: from the plug to the first reading.
"""

from __future__ import annotations

import argparse
import logging
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from capture.decoders import Frame
from capture.profiles import load_profile
from tests.capture.live import line
from tests.capture.test_source_contract import LIVE, BluetoothRig, Kept, Rig, opened, running, wait
from tests.fakes.private_bus import PrivateBus

RATE = 100


def figures(name: str, took: list[float]) -> str:
    """A row: median, 99 % and longest, ms."""
    took = sorted(took)
    return f"| {name} | {1e3 * took[len(took) // 2]:.2f} | {1e3 * took[int(0.99 * (len(took) - 1))]:.2f} | {1e3 * took[-1]:.2f} |\n"


@contextmanager
def rig_of(transport: str) -> Iterator[Rig]:
    """A transport with its far end."""
    bus = None
    if transport == "bluetooth":
        bus = PrivateBus(shutil.which("dbus-daemon"))
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = bus.address
    with tempfile.TemporaryDirectory() as folder:
        rig = LIVE[transport](Path(folder), bus)
        try:
            yield rig
        finally:
            rig.close()
            if bus is not None:
                bus.close()


def added(transport: str, seconds: float) -> list[float]:
    """From the write to the stamp, for a reading every hundredth of a second."""
    sent: dict[int, float] = {}
    with rig_of(transport) as rig, running(opened(rig)) as kept:
        wait(lambda: kept.states == ["opened"], "opened")
        rig.connected()
        rig.send(b"\r\n")
        begin = time.monotonic()
        for n in range(int(seconds * RATE)):
            time.sleep(max(0.0, begin + n / RATE - time.monotonic()))
            sent[n] = time.monotonic()
            rig.send(line(n))
        wait(lambda: kept.data.endswith(line(n)), "the last reading")
    came: dict[int, float] = {}
    decoder = load_profile("text-line").decoder()
    for (kind, _, what), at in zip(kept.events, kept.at, strict=True):
        if kind == "chunk":
            came.update((item.counts, at) for item in decoder.feed(what) if isinstance(item, Frame))
    assert len(came) == len(sent), "readings are missing"
    return [came[n] - sent[n] for n in sent]


def loss_and_return(transport: str, cycles: int) -> tuple[list[float], list[float]]:
    """From the cut to the word of it; from the plug to the first reading."""
    lost: list[float] = []
    back: list[float] = []
    with rig_of(transport) as rig, running(opened(rig)) as kept:
        for cycle in range(cycles):
            wait(lambda: kept.states[-1:] in (["opened"], ["back"]), "open")
            rig.connected()
            rig.send(b"\r\n" + line(cycle))
            wait(lambda cycle=cycle: kept.data.endswith(line(cycle)), "a reading")
            lost.append(_until(kept, "lost", rig.cut))
            time.sleep(1.3)  # past the first quick attempts
            begin, n = time.monotonic(), len(kept.at)
            rig.restore()
            wait(lambda: kept.states[-1] == "back", "back")
            rig.connected()
            rig.send(b"\r\n" + line(500 + cycle))
            wait(lambda cycle=cycle: kept.data.endswith(line(500 + cycle)), "a reading")
            back.append(
                next(at for (k, _, _), at in zip(kept.events[n:], kept.at[n:], strict=True) if k == "chunk") - begin
            )
    return lost, back


def service_death(cycles: int) -> list[float]:
    """From the death of the Bluetooth service, in the midst of a connection, to the word of it."""
    took = []
    with rig_of("bluetooth") as rig, running(opened(rig)) as kept:
        assert isinstance(rig, BluetoothRig)
        for _ in range(cycles):
            rig.connected()
            took.append(_until(kept, "lost", rig._bench.die))
            rig._bench.revive()
        rig.connected()
    return took


def _until(kept: Kept, state: str, act: Callable[[], object]) -> float:
    before = kept.states.count(state)
    begin = time.monotonic()
    act()
    wait(lambda: kept.states.count(state) > before, state)
    return (
        next(at for (k, _, w), at in zip(kept.events[::-1], kept.at[::-1], strict=True) if (k, w) == ("link", state))
        - begin
    )


def main(arguments: list[str] | None = None) -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.link_latency")
    parser.add_argument("--seconds", type=float, default=10.0, help="for each transport")
    parser.add_argument("--cycles", type=int, default=10)
    a = parser.parse_args(arguments)
    logging.getLogger("shimwright").setLevel(logging.CRITICAL)
    say = sys.stdout.write
    say("| | median, ms | 99 %, ms | longest, ms |\n|---|---:|---:|---:|\n")
    for transport in LIVE:
        say(figures(f"{transport}: sent to stamped, {RATE} readings/s", added(transport, a.seconds)))
        sys.stdout.flush()
    for transport in LIVE:
        lost, back = loss_and_return(transport, a.cycles)
        say(figures(f"{transport}: cut to told", lost))
        say(figures(f"{transport}: back to first reading", back))
        sys.stdout.flush()
    say(figures("bluetooth: death of the service to told", service_death(a.cycles)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
