"""What every source owes: told when the link opens, goes and comes back; nothing lost or doubled; stopped when told to.

The same script is played on every transport: a real pseudo-terminal, a TCP socket, an RFC 2217 server, the real Bluetooth
library on an emulated service, and the replay of a recording in which the same happened.
"""

from __future__ import annotations

import os
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from capture.clock import Clock
from capture.decoders import Frame
from capture.profiles import load_profile
from capture.rawstream import Rx, StreamWriter, read_header, read_records
from capture.simulator.pty_bench import PtyBench
from capture.sources import Source, open_source
from capture.sources.bluetooth import finding
from capture.sources.push import PushSource
from capture.sources.replay import ReplaySource
from tests.capture.live import LONG_S, line
from tests.capture.test_other_sources import OLD_WAYS, Rfc2217Server, Server
from tests.fakes.bluetooth_bench import BluetoothBench
from tests.fakes.bluetooth_service import indicator
from tests.fakes.private_bus import PrivateBus

STREAMS = Path(__file__).resolve().parents[2] / "recorded_streams"
WAIT_S = LONG_S

pytestmark = [pytest.mark.filterwarnings(w) for w in OLD_WAYS]


@dataclass
class Kept:
    """A sink that keeps everything."""

    events: list[tuple[str, float, Any]] = field(default_factory=list)
    thread: set[str] = field(default_factory=set)

    def chunk(self, t: float, data: bytes) -> None:
        self._keep("chunk", t, data)

    def link(self, t: float, state: str, why: str = "") -> None:
        self._keep("link", t, state)
        if state == "lost":
            assert why, "a loss says why"

    def mark(self, t: float, mark: str) -> None:
        self._keep("mark", t, mark)

    def _keep(self, kind: str, t: float, what: Any) -> None:
        self.thread.add(threading.current_thread().name)
        self.events.append((kind, t, what))

    @property
    def told(self) -> list[str]:
        """What was told of the link."""
        return [w for k, _, w in self.events if k == "link"]

    @property
    def states(self) -> list[str]:
        """States of the link: that it is still lost, for another reason, is none."""
        told = self.told
        return [w for n, w in enumerate(told) if not (n and w == told[n - 1] == "lost")]

    @property
    def data(self) -> bytes:
        """All bytes."""
        return b"".join(w for k, _, w in self.events if k == "chunk")


def wait(condition: Callable[[], object], what: str, timeout: float = WAIT_S) -> None:
    """Wait for a condition."""
    end = time.monotonic() + timeout
    while not condition():
        assert time.monotonic() < end, f"{what}: not within {timeout} s"
        time.sleep(0.002)


class Rig(ABC):
    """A transport with an indicator at its far end."""

    source: str

    @abstractmethod
    def send(self, data: bytes) -> None:
        """The indicator sends."""

    @abstractmethod
    def cut(self) -> None:
        """The link goes."""

    @abstractmethod
    def restore(self) -> None:
        """The link can be had again."""

    @abstractmethod
    def connected(self) -> None:
        """Wait until the far end is ready too, where the source's word is not enough."""

    @abstractmethod
    def close(self) -> None:
        """End it."""


class SerialRig(Rig):
    def __init__(self, folder: Path, bus: PrivateBus | None) -> None:
        self._bench = PtyBench(folder / "indicator")
        self.source = f"serial:{self._bench.link}"

    def connected(self) -> None:
        pass

    def send(self, data: bytes) -> None:
        assert self._bench.write(data)

    def cut(self) -> None:
        self._bench.unplug()

    def restore(self) -> None:
        self._bench.replug()

    def close(self) -> None:
        self._bench.stop()


class SocketRig(Rig):
    def __init__(self, folder: Path, bus: PrivateBus | None) -> None:
        self._server = Server()
        self.source = self._server.url

    def connected(self) -> None:
        if self._server._client is not None:
            self._server.drop()
        self._server.accept()

    def send(self, data: bytes) -> None:
        self._server.send(data)

    def cut(self) -> None:
        self._server.drop()
        self._server.close()

    def restore(self) -> None:
        self._server.open()

    def close(self) -> None:
        self._server.end()


class Rfc2217Rig(Rig):
    def __init__(self, folder: Path, bus: PrivateBus | None) -> None:
        self._server = Rfc2217Server()
        self.source = self._server.url

    def connected(self) -> None:
        pass

    def send(self, data: bytes) -> None:
        # No faster than a terminal's buffer empties.
        for at in range(0, len(data), 1024):
            self._server.indicator_sends(data[at : at + 1024])
            time.sleep(0.002)

    def cut(self) -> None:
        self._server.drop()

    def restore(self) -> None:
        pass

    def close(self) -> None:
        self._server.close()


class BluetoothRig(Rig):
    def __init__(self, folder: Path, bus: PrivateBus | None) -> None:
        assert bus is not None
        self._bench = BluetoothBench(bus.address, indicator(plain=True))
        self.source = f"ble:{self._bench.indicator.address}"

    def connected(self) -> None:
        self._bench.wait_for_listener()

    def send(self, data: bytes) -> None:
        for at in range(0, len(data), 20):
            assert self._bench.send(data[at : at + 20])

    def cut(self) -> None:
        self._bench.indicator.advertising = False
        self._bench.drop()

    def restore(self) -> None:
        self._bench.indicator.advertising = True

    def close(self) -> None:
        self._bench.close()


LIVE = {"serial": SerialRig, "socket": SocketRig, "rfc2217": Rfc2217Rig, "bluetooth": BluetoothRig}


@pytest.fixture
def bus_for(
    need: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[str], PrivateBus | None]]:
    """The bus, for the transport that needs one."""
    held: list[PrivateBus] = []

    def get(transport: str) -> PrivateBus | None:
        if transport != "bluetooth":
            return None
        held.append(PrivateBus(need("bluetooth")))
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", held[0].address)
        monkeypatch.setattr(finding, "SCAN_S", 1.0)
        return held[0]

    yield get
    for bus in held:
        bus.close()


@pytest.fixture
def rig(
    request: pytest.FixtureRequest, tmp_path: Path, slow_reader: None, bus_for: Callable[[str], PrivateBus | None]
) -> Iterator[Rig]:
    """The transport of the test."""
    r = LIVE[request.param](tmp_path, bus_for(request.param))
    try:
        yield r
    finally:
        r.close()


on_every_live_transport = pytest.mark.parametrize("rig", list(LIVE), indirect=True)


@contextmanager
def running(source: Source) -> Iterator[Kept]:
    """A source in its thread, stopped at the end."""
    kept, stop, failed = Kept(), threading.Event(), []

    def work() -> None:
        try:
            source.run(kept, Clock(), stop)
        except Exception as e:
            failed.append(e)

    thread = threading.Thread(target=work, name="the source's thread")
    thread.start()
    try:
        yield kept
    finally:
        stop.set()
        thread.join(WAIT_S)
    assert not failed, failed
    assert not thread.is_alive(), "it goes on"
    stamps = [t for _, t, _ in kept.events]
    assert stamps == sorted(stamps), "stamps go backwards"
    assert kept.thread <= {"the source's thread"}, "the sink was called from another thread"


def opened(rig: Rig, **keys: Any) -> Source:
    """The rig's source."""
    return open_source(rig.source, load_profile({"use": "text-line", "rate": 20, **keys}))


@on_every_live_transport
def test_opened_lost_and_back_with_every_byte_between(rig: Rig) -> None:
    cycles = 4
    sent: list[bytes] = []
    with running(opened(rig)) as kept:
        for cycle in range(cycles):
            if cycle:
                rig.restore()
            wait(lambda cycle=cycle: len(kept.states) == 2 * cycle + 1, "opened or back")  # type: ignore[misc]
            rig.connected()
            for n in range(40):
                sent.append(line(1000 * cycle + n))
                rig.send(sent[-1])
            wait(lambda: kept.data == b"".join(sent), "every byte")
            if cycle < cycles - 1:
                rig.cut()
                wait(lambda cycle=cycle: len(kept.states) == 2 * cycle + 2, "lost")  # type: ignore[misc]
        time.sleep(0.1)
    assert kept.states == ["opened"] + ["lost", "back"] * (cycles - 1)
    assert kept.data == b"".join(sent), "nothing lost, nothing twice"
    # Bytes lie between the events of the link they came over.
    order = [(k, w if k == "link" else None) for k, _, w in kept.events]
    gone = False
    for kind, state in order:
        if kind == "link":
            gone = state == "lost"
        else:
            assert not gone, "bytes while the link is said to be lost"


@on_every_live_transport
def test_stopping_while_nothing_comes(rig: Rig) -> None:
    with running(opened(rig)) as kept:
        wait(lambda: kept.states == ["opened"], "opened")
    assert kept.states == ["opened"], "being stopped is no loss"


@on_every_live_transport
def test_stopping_while_the_link_is_lost(rig: Rig) -> None:
    with running(opened(rig)) as kept:
        wait(lambda: kept.states == ["opened"], "opened")
        rig.connected()
        rig.send(line(1))
        wait(lambda: kept.data == line(1), "the byte")
        rig.cut()
        wait(lambda: kept.states[:2] == ["opened", "lost"], "lost")
    assert kept.states[:2] == ["opened", "lost"]


@on_every_live_transport
def test_a_second_run_starts_afresh(rig: Rig) -> None:
    for n in (1, 2):
        with running(opened(rig)) as kept:
            wait(lambda kept=kept: kept.states == ["opened"], "opened")  # type: ignore[misc]
            rig.connected()
            rig.send(line(n))
            wait(lambda kept=kept, n=n: kept.data == line(n), "the byte")  # type: ignore[misc]


@on_every_live_transport
def test_many_losses_leave_no_descriptor_or_thread(rig: Rig) -> None:
    with running(opened(rig)) as kept:

        def held() -> tuple[int, int]:
            return len(os.listdir("/proc/self/fd")), threading.active_count()

        first: list[int] = []
        for cycle in range(8):
            wait(lambda cycle=cycle: len(kept.states) == 2 * cycle + 1, "opened or back")  # type: ignore[misc]
            rig.connected()
            rig.send(line(cycle))
            wait(lambda cycle=cycle: kept.data.endswith(line(cycle)), "the byte")  # type: ignore[misc]
            if cycle == 1:
                first[:] = held()
            elif cycle == 7:
                # What the connection before left may take a moment to go.
                wait(lambda: held()[0] <= first[0] + 1 and held()[1] <= first[1], "no more held than at first")
            rig.cut()
            wait(lambda cycle=cycle: len(kept.states) >= 2 * cycle + 2, "lost")  # type: ignore[misc]
            rig.restore()


@pytest.mark.parametrize("transport", ["serial", "socket", "bluetooth"])
def test_one_that_is_not_there_at_first_is_told_once_and_waited_for(
    transport: str, tmp_path: Path, bus_for: Callable[[str], PrivateBus | None]
) -> None:
    rig = LIVE[transport](tmp_path, bus_for(transport))
    if transport == "socket":
        rig._server.close()  # type: ignore[attr-defined]
    else:
        rig.cut()
    try:
        with running(opened(rig)) as kept:
            wait(lambda: kept.told == ["lost"], "lost")
            time.sleep(0.7)
            assert kept.told == ["lost"]
            rig.restore()
            wait(lambda: kept.states == ["lost", "back"], "back")
            rig.connected()
            rig.send(line(7))
            wait(lambda: kept.data == line(7), "the byte")
    finally:
        rig.close()


# the same recording through every transport


def recorded(name: str) -> tuple[dict[str, Any], bytes]:
    """Profile and bytes of a packaged recording."""
    path = STREAMS / name / "stream.jsonl"
    return read_header(path).profile, b"".join(r.data for r in read_records(path) if isinstance(r, Rx))


def readings(table: dict[str, Any], events: list[tuple[str, float, Any]]) -> list[tuple[Any, ...]]:
    """What a decoder makes of what a source gave: readings and damage, times left out."""
    decoder = load_profile(table).decoder()
    out: list[tuple[Any, ...]] = []
    for kind, _, what in events:
        if kind == "link" and what in ("opened", "lost"):
            decoder.reset()
        elif kind == "chunk":
            for i in decoder.feed(what):
                if isinstance(i, Frame):
                    out.append((i.counts, i.scale.unit, str(i.scale.step), i.shown))
                else:
                    out.append((i.why, i.data, i.first_after_open))
    return out


RECORDINGS = [
    "clean-mm",
    "unit-in-text",
    "check-sum",
    "packed-decimal",
    "packed-decimal-damaged",
    "counted-binary-damaged",
    "json-lines-damaged",
]


@pytest.mark.parametrize("name", RECORDINGS)
@on_every_live_transport
def test_a_recording_gives_the_same_readings_whatever_carries_it(rig: Rig, name: str) -> None:
    table, data = recorded(name)
    wanted = readings(table, [("link", 0.0, "opened"), ("chunk", 0.0, data)])
    assert sum(len(w) == 4 for w in wanted) > 300
    extra = {} if table["use"] == "text-line" else {"delivery": "notify"}
    with running(opened(rig, **table, **extra)) as kept:
        wait(lambda: kept.states == ["opened"], "opened")
        rig.connected()
        rig.send(data)
        wait(lambda: len(kept.data) >= len(data), "every byte")
        time.sleep(0.05)
    assert kept.data == data
    assert readings(table, kept.events) == wanted


@pytest.mark.parametrize("name", RECORDINGS)
def test_a_replayed_recording_gives_the_same_readings(name: str) -> None:
    table, data = recorded(name)
    kept = Kept()
    ReplaySource(STREAMS / name / "stream.jsonl", speed=0).run(kept, Clock(), threading.Event())
    assert kept.data == data
    assert kept.states[0] == "opened"
    wanted = readings(table, [("link", 0.0, "opened"), ("chunk", 0.0, data)])
    assert readings(table, kept.events) == wanted


def test_a_replay_tells_of_the_link_what_was_recorded(tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    w = StreamWriter(path, "serial:x", {"use": "text-line"}, "2026-03-02T09:14:05Z")
    w.link(0.0, "opened")
    w.rx(0.1, line(1))
    w.link(0.2, "lost", "unplugged")
    w.link(0.3, "back")
    w.rx(0.4, line(2))
    w.close()
    with running(ReplaySource(path, speed=1)) as kept:
        wait(lambda: len(kept.events) == 5, "all events")
    assert kept.states == ["opened", "lost", "back"]
    assert kept.data == line(1) + line(2)


# readings that are pushed


def test_pushed_bytes_arrive_in_order_and_are_acknowledged_only_when_taken() -> None:
    source = PushSource()
    assert not source.push(b"1.000", 0.1), "nobody takes them before the start"
    with running(source) as kept:
        wait(lambda: kept.states == ["opened"], "opened")
        for n in range(50):
            assert source.push(line(n), WAIT_S)
        assert source.push(b"0.050", WAIT_S)
        assert kept.data == b"\n" + b"".join(line(n) for n in range(50)) + b"0.050\n"
    assert not source.push(b"1.000", 0.1), "nor after the end"
    assert b"1.000" not in kept.data


def test_pushed_bytes_that_nobody_takes_in_time_are_refused_and_never_come() -> None:
    source = PushSource()
    gate, taking = threading.Event(), threading.Event()

    class Slow(Kept):
        def chunk(self, t: float, data: bytes) -> None:
            if data != b"\n":
                taking.set()
                gate.wait(WAIT_S)
            super().chunk(t, data)

    slow, stop = Slow(), threading.Event()
    thread = threading.Thread(target=source.run, args=(slow, Clock(), stop))
    thread.start()
    wait(lambda: slow.states == ["opened"] and slow.data == b"\n", "opened")
    answers: list[bool] = []
    first = threading.Thread(target=lambda: answers.append(source.push(b"1", WAIT_S)))
    first.start()
    assert taking.wait(WAIT_S)
    assert not source.push(b"2", 0.1)
    gate.set()
    first.join(WAIT_S)
    assert source.push(b"3", WAIT_S)
    stop.set()
    thread.join(WAIT_S)
    assert answers == [True]
    assert slow.data == b"\n1\n3\n"
