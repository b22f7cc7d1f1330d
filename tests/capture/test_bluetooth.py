"""The real Bluetooth library against an emulated service on a private D-Bus: found, lost, found again, nothing lost or doubled."""

from __future__ import annotations

import asyncio
import os
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from capture.analyse import replay_into
from capture.clock import Clock
from capture.decoders import Frame
from capture.errors import LinkLostError, SourceError
from capture.profiles import load_profile
from capture.sources import contract, open_source
from capture.sources.bluetooth import connection, finding, reasons, source
from tests.capture.live import LONG_S, listening, stream_files, until, until_blocking
from tests.fakes.bluetooth_bench import BluetoothBench
from tests.fakes.bluetooth_service import (
    COMMAND,
    LENGTH,
    LENGTH_SERVICE,
    Characteristic,
    Peripheral,
    RefusedError,
    assigned,
    format_descriptor,
    indicator,
)
from tests.fakes.private_bus import PrivateBus

ADDRESS = "C0:FF:EE:00:00:01"
OTHER = "C0:FF:EE:00:00:02"


@pytest.fixture(scope="module")
def bus(need: Callable[[str], str]) -> Iterator[PrivateBus]:
    """A bus for the module."""
    b = PrivateBus(need("bluetooth"))
    yield b
    b.close()


@pytest.fixture(autouse=True)
def on_our_bus(bus: PrivateBus, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library looks for the system bus where ours is."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
    monkeypatch.setattr(finding, "LINGER_S", 0.25)


@contextmanager
def benched(bus: PrivateBus, *peripherals: Peripheral, **how: bool) -> Iterator[BluetoothBench]:
    """A running service."""
    b = BluetoothBench(bus.address, *peripherals, **how)
    try:
        yield b
    finally:
        b.close()


@pytest.fixture
def bench(bus: PrivateBus) -> Iterator[BluetoothBench]:
    """A service with one indicator."""
    with benched(bus, indicator()) as b:
        yield b


@dataclass
class Heard:
    """A source that runs, and what it has given."""

    decoder: Any
    links: list[tuple[str, str]] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    chunks: list[bytes] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    stamps: list[float] = field(default_factory=list)
    error: Exception | None = None
    stop: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None

    def chunk(self, t: float, data: bytes) -> None:
        self.stamps.append(t)
        self.chunks.append(data)
        for item in self.decoder.feed(data):
            if isinstance(item, Frame):
                self.counts.append(item.counts)
            else:
                self.damaged.append(item.why)

    def link(self, t: float, state: str, why: str = "") -> None:
        self.stamps.append(t)
        if state in ("opened", "lost"):
            self.decoder.reset()
        self.links.append((state, why))

    def mark(self, t: float, mark: str) -> None:
        raise AssertionError(mark)

    @property
    def states(self) -> list[str]:
        """States the link went through: that it is still lost, for another reason, is none."""
        told = [s for s, _ in self.links]
        return [s for n, s in enumerate(told) if not (n and s == told[n - 1] == "lost")]

    def wait(self, condition: Callable[[], object], timeout: float = LONG_S) -> None:
        """Wait for a condition, or for what the source died of."""
        end = time.monotonic() + timeout
        while not condition():
            if self.error is not None:
                raise self.error
            assert time.monotonic() < end, f"{self.links}, {len(self.counts)} {self.counts[-20:]}, {self.damaged[-5:]}"
            time.sleep(0.005)


@contextmanager
def running(target: str, sink: Heard | None = None, **keys: Any) -> Iterator[Heard]:
    """A source that runs in its thread, and ends when it is told to."""
    profile = load_profile({"use": "gatt-length", "rate": 20, **keys})
    heard = sink or Heard(profile.decoder())
    one = open_source(target, profile)

    def work() -> None:
        try:
            one.run(heard, Clock(), heard.stop)
        except Exception as e:
            heard.error = e

    heard.thread = threading.Thread(target=work, name="source")
    heard.thread.start()
    try:
        yield heard
    finally:
        heard.stop.set()
        heard.thread.join(LONG_S)
        assert not heard.thread.is_alive(), "it goes on"
        assert heard.stamps == sorted(heard.stamps)


# finding


@pytest.mark.parametrize(
    "target", [ADDRESS, ADDRESS.lower(), "LENGTH-1", "LENGTH*", LENGTH_SERVICE, LENGTH_SERVICE.upper()]
)
def test_found_by_address_name_or_service(bus: PrivateBus, target: str) -> None:
    other = Peripheral(OTHER, "LAMP", (assigned(0x1812),))
    with benched(bus, indicator(), other) as b, running(f"ble:{target}") as heard:
        b.wait_for_listener()
        for n in (478, -12345):
            assert b.send(n)
        heard.wait(lambda: len(heard.counts) == 2)
        assert heard.counts == [478, -12345]
        assert heard.states == ["opened"]
        assert not heard.damaged


def test_two_that_fit_are_told_apart_by_address_only(bus: PrivateBus) -> None:
    with benched(bus, indicator(), indicator(OTHER)) as b:
        with running("ble:LENGTH-1") as heard, pytest.raises(SourceError) as e:
            heard.wait(lambda: False)
        assert str(e.value) == f"2 indicators fit ble:LENGTH-1: {ADDRESS}, {OTHER}. Name one by its address."
        with running(f"ble:{OTHER}") as heard:
            heard.wait(lambda: heard.states == ["opened"])
            assert b.peripherals[1].connects == 1
            assert b.peripherals[0].connects == 0


def test_another_one_of_the_same_name_is_not_taken_for_the_one_that_is_gone(
    bus: PrivateBus, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(finding, "SCAN_S", 0.4)
    monkeypatch.setattr(finding, "PATIENCE", 10**6)
    twin = indicator(OTHER)
    twin.advertising = False
    with benched(bus, indicator(), twin) as b, running("ble:LENGTH-1") as heard:

        def scans() -> int:
            return b.do(lambda s: sum(m == "StartDiscovery" for _, m in s.calls))

        b.wait_for_listener()
        b.indicator.advertising = False
        twin.advertising = True
        b.drop()
        heard.wait(lambda: heard.states == ["opened", "lost"])
        before = scans()
        heard.wait(lambda: scans() >= before + 3)
        assert twin.connects == 0
        b.indicator.advertising = True
        heard.wait(lambda: heard.states == ["opened", "lost", "back"])
        assert twin.connects == 0
        # Gone for good, it is replaced in the end: many change their address when switched off.
        monkeypatch.setattr(finding, "PATIENCE", 3)
        b.indicator.advertising = False
        b.drop()
        heard.wait(lambda: twin.connects == 1)
        heard.wait(lambda: heard.states[-1] == "back")


def test_one_that_is_not_there_yet_is_waited_for(bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finding, "SCAN_S", 0.3)
    bench.indicator.advertising = False
    with running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost"])
        assert heard.links[0][1] == f"ble:{ADDRESS} not found: wake the indicator and bring it near"
        time.sleep(1.0)
        assert len(heard.links) == 1, "told once"
        bench.indicator.advertising = True
        heard.wait(lambda: heard.states == ["lost", "back"])


def test_one_that_the_system_still_holds_from_a_killed_program_is_found(bench: BluetoothBench) -> None:
    bench.do(lambda s: s.hold(bench.indicator))
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        assert heard.states == ["opened"]
    # And what others hold is left alone.
    lamp = Peripheral(OTHER, "LAMP")
    bench.do(lambda s: s.add(lamp))
    bench.do(lambda s: s.hold(lamp))
    with running(f"ble:{ADDRESS}"):
        bench.wait_for_listener()
        assert bench.do(lambda s: s.connected(lamp))


# values


def test_bursts_and_a_thousand_a_second_arrive_whole_and_in_order(bench: BluetoothBench) -> None:
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        sent: list[int] = []
        for burst in range(5):
            values = [burst * 100 + k // 3 for k in range(60)]  # equal values close together are no doubles

            def all_at_once(s: Any, values: list[int] = values) -> None:
                for v in values:
                    s.notify(bench.length, struct.pack("<i", v))

            bench.do(all_at_once)
            sent += values
        begin = time.monotonic()
        for n in range(1000):
            time.sleep(max(0.0, begin + n / 1000 - time.monotonic()))
            bench.send(n)
            sent.append(n)
        heard.wait(lambda: len(heard.counts) >= len(sent))
        time.sleep(0.1)
        assert heard.counts == sent
        assert heard.states == ["opened"]


@pytest.mark.parametrize("how", ["no notifications", "as the profile says"])
def test_values_that_must_be_read(bus: PrivateBus, how: str) -> None:
    one = indicator(flags=("read",) if how == "no notifications" else ("read", "notify"))
    keys = {} if how == "no notifications" else {"delivery": "read"}
    begin = time.monotonic()
    with benched(bus, one) as b, running(f"ble:{ADDRESS}", interval=0.05, **keys) as heard:
        heard.wait(lambda: len(heard.counts) >= 3)
        b.length.value = struct.pack("<i", 478)
        before = len(heard.counts)
        heard.wait(lambda: len(heard.counts) >= before + 10)
        asked = len(heard.counts)
        assert asked <= (time.monotonic() - begin) / 0.05 + 1, "no oftener than wanted"
        assert heard.counts[-1] == 478
        b.drop()
        heard.wait(lambda: heard.states == ["opened", "lost", "back"])


def test_notifications_through_a_socket(bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other way the system hands them over: whole, in order, through losses, and no socket stays open."""
    monkeypatch.setattr(contract, "FIRST_WAIT_S", 0.0)
    bench.do(lambda s: setattr(s, "hands_over_sockets", True))
    with running(f"ble:{ADDRESS}", notify_by="socket") as heard:
        bench.wait_for_listener()
        assert len(bench.length.sockets) == 1
        before = 0
        for cycle in range(10):
            bench.wait_for_listener()
            for n in range(20):
                assert bench.send(100 * cycle + n)
            heard.wait(lambda cycle=cycle: len(heard.counts) == 20 * (cycle + 1))  # type: ignore[misc]
            before = before or _descriptors()
            bench.drop()
            heard.wait(lambda cycle=cycle: heard.states.count("back") == cycle + 1)  # type: ignore[misc]
        bench.wait_for_listener()
        assert heard.counts == [100 * c + n for c in range(10) for n in range(20)]
        # The emulated service keeps one end of each for as long as it lives; what is let go of may take a moment.
        heard.wait(lambda: _descriptors() <= before + 10 + 2)
        assert ("AcquireNotify" in {m for _, m in bench.do(lambda s: list(s.calls))}) is True
    until_blocking(lambda: bench.length.sockets == {})  # let go of at the end


def test_a_system_that_offers_no_socket_sends_signals(bench: BluetoothBench) -> None:
    with running(f"ble:{ADDRESS}", notify_by="socket") as heard:
        bench.wait_for_listener()
        assert bench.length.sockets == {}
        bench.send(478)
        heard.wait(lambda: heard.counts == [478])


def test_what_is_listened_to_is_told(bench: BluetoothBench) -> None:
    profile = load_profile({"use": "gatt-length", "notify_by": "socket"})
    one = open_source(f"ble:{ADDRESS}", profile)
    assert dict(one.about) == {}
    bench.do(lambda s: setattr(s, "hands_over_sockets", True))
    heard, stop = Heard(profile.decoder()), threading.Event()
    thread = threading.Thread(target=lambda: one.run(heard, Clock(), stop))
    thread.start()
    try:
        heard.wait(lambda: heard.states == ["opened"])
        assert dict(one.about) == {
            "characteristic": LENGTH,
            "descriptors": [assigned(0x2902), assigned(0x2904)],
            "delivery": "socket",
        }
    finally:
        stop.set()
        thread.join(LONG_S)


def test_an_indicator_that_was_started_anew_is_told_from_a_link_that_broke(bus: PrivateBus) -> None:
    """By a characteristic that differs from start to start, where the indicator has one; the protocol itself has none."""
    boot = "8f1d0004-6a2b-4c55-9d2e-1b2c3d4e5f60"
    one = indicator()
    count = Characteristic(boot, ("read",), b"\x07\x00")
    one.services[0][1].append(count)
    with benched(bus, one) as b, running(f"ble:{ADDRESS}", boot=boot) as heard:
        b.wait_for_listener()
        b.drop()
        heard.wait(lambda: heard.states == ["opened", "lost", "back"])
        assert heard.links[-1][1] == source.SAME_RUN
        b.wait_for_listener()
        count.value = b"\x08\x00"
        b.drop()
        heard.wait(lambda: heard.states == ["opened", "lost", "back", "lost", "back"])
        assert heard.links[-1][1] == source.RESTARTED
    # Without the key nothing is claimed either way.
    with benched(bus, indicator()) as b, running(f"ble:{ADDRESS}") as heard:
        b.wait_for_listener()
        b.drop()
        heard.wait(lambda: heard.states == ["opened", "lost", "back"])
        assert heard.links[-1][1] == ""


def test_an_indicator_that_must_be_told_to_speak(bench: BluetoothBench) -> None:
    told: list[bytes] = []

    def speak(data: bytes) -> None:
        told.append(data)
        assert bench.service is not None
        bench.service.notify(bench.length, struct.pack("<i", len(told)))

    bench.indicator.characteristics[1].on_write = speak
    with running(f"ble:{ADDRESS}", command=COMMAND, poll="R\\r", interval=0.05) as heard:
        heard.wait(lambda: len(heard.counts) >= 5)
        assert set(told) == {b"R\r"}
        assert heard.counts[:3] == [heard.counts[0] + k for k in range(3)]


def test_text_in_notifications_of_any_size(bus: PrivateBus) -> None:
    with benched(bus, indicator(plain=True)) as b, running(f"ble:{ADDRESS}", use="text-line") as heard:
        b.wait_for_listener()
        # After a line end the first line is known to have its start.
        text = b"\r\n" + b"".join(f"{n / 1000:+08.3f}\r\n".encode() for n in range(50))
        for at in range(0, len(text), 7):
            assert b.send(text[at : at + 7])
        heard.wait(lambda: len(heard.counts) >= 50)
        assert heard.counts == list(range(50))
        assert b"".join(heard.chunks) == text


def test_counts_in_notifications(bus: PrivateBus) -> None:
    table = {
        "use": "counted-binary",
        "layout": "vvvvvvvv",
        "check": "none",
        "packets": "attribute",
        "characteristic": LENGTH,
    }
    with benched(bus, indicator(plain=True)) as b, running(f"ble:{ADDRESS}", **table) as heard:
        b.wait_for_listener()
        b.send(-478)
        b.send(b"\x01")
        b.send(479)
        heard.wait(lambda: len(heard.counts) >= 2)
        assert heard.counts == [-478, 479]
        assert heard.damaged == ["value has 1 bytes, the layout 4"]


def test_a_set_begun_in_the_middle_describes_itself(tmp_path: Path, bench: BluetoothBench) -> None:
    async def main() -> None:
        async with listening(f"ble:{ADDRESS}", record_to=tmp_path, use="gatt-length") as heard:
            await heard.wait("link", state="opened")
            await until(bench.listened_to)
            for n in range(10):
                await asyncio.to_thread(bench.send, n)
            await until(lambda: len(heard.of("reading")) == 10)
            heard.station.new_set()
            for n in range(10, 20):
                await asyncio.to_thread(bench.send, n)
            await until(lambda: len(heard.of("reading")) == 20)

    asyncio.run(main())
    first, second = stream_files(tmp_path)
    assert replay_into(first).result()["readings"] == 10
    assert replay_into(second).result()["readings"] == 10
    assert replay_into(second).result()["bad_frames"] == 0


# losing and finding again


def test_a_broken_link_is_noticed_at_once_and_made_again_without_loss_or_doubles(bench: BluetoothBench) -> None:
    with running(f"ble:{ADDRESS}") as heard:
        for cycle in range(5):
            bench.wait_for_listener()
            for n in range(20):
                assert bench.send(100 * cycle + n)
            heard.wait(lambda cycle=cycle: len(heard.counts) == 20 * (cycle + 1))  # type: ignore[misc]
            bench.drop()
            heard.wait(lambda cycle=cycle: heard.states.count("lost") == cycle + 1)  # type: ignore[misc]
            heard.wait(lambda cycle=cycle: heard.states.count("back") == cycle + 1)  # type: ignore[misc]
        assert heard.counts == [100 * c + n for c in range(5) for n in range(20)]
        assert heard.states == ["opened"] + ["lost", "back"] * 5


def _descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_fifty_losses_leave_no_descriptor_open(bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contract, "FIRST_WAIT_S", 0.0)
    bench.do(lambda s: setattr(s, "advertises_every_s", 0.01))
    bench.indicator.connect_s = bench.indicator.resolve_s = 0.001
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        before = _descriptors()
        threads = threading.active_count()
        for cycle in range(50):
            bench.wait_for_listener()
            bench.send(cycle)
            heard.wait(lambda cycle=cycle: len(heard.counts) == cycle + 1)  # type: ignore[misc]
            bench.drop()
            heard.wait(lambda cycle=cycle: heard.states.count("back") == cycle + 1)  # type: ignore[misc]
        bench.wait_for_listener()
        assert heard.counts == list(range(50))
        # What the last connection left may take a moment to go.
        heard.wait(lambda: _descriptors() <= before + 2 and threading.active_count() == threads)


def test_a_service_that_dies_in_silence_is_noticed_and_its_return_used(bench: BluetoothBench) -> None:
    with running(f"ble:{ADDRESS}", rate=20) as heard:
        bench.wait_for_listener()
        bench.send(1)
        bench.die()
        heard.wait(lambda: heard.states == ["opened", "lost"])
        assert "the Bluetooth service is not running: start it" in heard.links[-1][1]
        bench.revive()
        bench.wait_for_listener()
        bench.send(2)
        heard.wait(lambda: heard.counts == [1, 2])


def test_a_service_that_dies_is_noticed_without_waiting_for_silence(
    bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Silence alone takes seconds: the bus tells at once (tests/bench has the figure)."""
    monkeypatch.setattr(connection, "SILENT_S", 1e6)
    with running(f"ble:{ADDRESS}", rate=0.5) as heard:
        for cycle in range(3):
            bench.wait_for_listener()
            bench.send(cycle)
            heard.wait(lambda cycle=cycle: len(heard.counts) == cycle + 1)  # type: ignore[misc]
            bench.die()
            heard.wait(lambda cycle=cycle: heard.states.count("lost") == cycle + 1)  # type: ignore[misc]
            assert "the Bluetooth service is not running: start it" in heard.links[-1][1]
            bench.revive()
        bench.wait_for_listener()
    assert heard.counts == [0, 1, 2]


def test_a_service_that_is_started_anew_at_once_is_noticed(
    bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "SILENT_S", 1e6)
    with running(f"ble:{ADDRESS}", rate=0.5) as heard:
        bench.wait_for_listener()
        bench.send(1)
        heard.wait(lambda: heard.counts == [1])
        bench.die()
        bench.revive()
        heard.wait(lambda: heard.states == ["opened", "lost", "back"])
        bench.wait_for_listener()
        bench.send(2)
        heard.wait(lambda: heard.counts == [1, 2])


@pytest.mark.parametrize("when", ["connecting", "connected", "listening"])
def test_a_program_killed_at_any_moment_leaves_nothing_in_the_way(
    bench: BluetoothBench, bus: PrivateBus, when: str
) -> None:
    bench.indicator.connect_hangs = when == "connecting"
    bench.indicator.never_resolves = when == "connected"
    code = "from web.cli.main import run; run()"
    doomed = subprocess.Popen(
        [sys.executable, "-c", code, "listen", f"ble:{ADDRESS}", "--profile", "gatt-length"],
        stdout=subprocess.DEVNULL,
        env={**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": bus.address},
    )
    try:
        if when == "connecting":
            until_blocking(lambda: bench.indicator.connecting is not None)
        elif when == "connected":
            until_blocking(lambda: bench.do(lambda s: s.connected(bench.indicator)))
        else:
            bench.wait_for_listener()
    finally:
        doomed.kill()
        doomed.wait(LONG_S)
    bench.indicator.connect_hangs = bench.indicator.never_resolves = False
    # The service goes on with what the program began, as the real one does.
    until_blocking(lambda: not bench.listened_to())
    held = bench.do(lambda s: (bench.indicator.connecting is not None, s.connected(bench.indicator)))
    assert held == (when == "connecting", when != "connecting")
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        bench.send(7)
        heard.wait(lambda: heard.counts == [7])
        assert heard.states == ["opened"], "nothing to tell of"


def test_an_attempt_of_somebody_else_is_called_off_once_and_then_waited_for(
    bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy = RefusedError("org.bluez.Error.InProgress", "Operation already in progress")
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        bench.indicator.connect_errors = [busy, busy, busy]
        before = bench.do(lambda s: sum(m == "Disconnect" for _, m in s.calls))
        bench.drop()
        heard.wait(lambda: "back" in heard.states)
        assert heard.states == ["opened", "lost", "back"]
        calls = bench.do(lambda s: sum(m == "Disconnect" for _, m in s.calls)) - before
        # The library calls off each of its own attempts; one more is ours.
        assert calls == 3 + 1


def test_an_indicator_at_rest_that_answers_is_not_lost(bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "SILENT_S", 0.1)
    monkeypatch.setattr(connection, "SILENT_PERIODS", 1)
    # Without an answer it would be lost at the first question.
    monkeypatch.setattr(connection, "MUTE_S", 0.0)
    monkeypatch.setattr(connection, "MUTE_PERIODS", 0)
    monkeypatch.setattr(connection, "ANSWER_S", LONG_S)
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        heard.wait(lambda: sum(m == "ReadValue" for _, m in bench.do(lambda s: list(s.calls))) >= 8)
        assert heard.states == ["opened"]
        assert bench.indicator.connects == 1
        assert heard.chunks == [], "a question must not make a reading"


def test_a_mute_indicator_that_cannot_be_asked_is_connected_anew(
    bus: PrivateBus, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "SILENT_S", 0.1)
    monkeypatch.setattr(connection, "SILENT_PERIODS", 1)
    monkeypatch.setattr(connection, "MUTE_S", 0.5)
    monkeypatch.setattr(connection, "MUTE_PERIODS", 1)
    mute = Peripheral(ADDRESS, "MUTE", (), [(LENGTH_SERVICE, [Characteristic(LENGTH, ("notify",))])])
    with benched(bus, mute), running(f"ble:{ADDRESS}", use="text-line") as heard:
        heard.wait(lambda: heard.states[:3] == ["opened", "lost", "back"])
        assert "silent for" in heard.links[1][1]


def test_notifications_that_all_come_twice_are_reported_and_the_link_made_anew(bench: BluetoothBench) -> None:
    bench.do(lambda s: setattr(s, "each_twice", True))
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        for n in range(12):
            bench.send(n)
        heard.wait(lambda: "lost" in heard.states)
        assert "every value came twice" in heard.links[1][1]
        bench.do(lambda s: setattr(s, "each_twice", False))
        heard.wait(lambda: heard.states == ["opened", "lost", "back"])
        bench.wait_for_listener()
        for n in range(30):
            bench.send(n)
        heard.wait(lambda: heard.counts[-30:] == list(range(30)))


def test_pairs_that_happen_by_chance_are_no_doubling(bench: BluetoothBench) -> None:
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        sent = [n for k in range(40) for n in [k] * (2 if k % 7 else 3)] + [5] * 50
        for n in sent:
            bench.send(n)
        heard.wait(lambda: len(heard.counts) == len(sent))
        assert heard.states == ["opened"]


def test_an_old_connection_is_deaf(bench: BluetoothBench) -> None:
    async def main() -> None:
        got: list[bytes] = []
        profile = load_profile("gatt-length")
        device = await finding.Finder(finding.Target(ADDRESS)).find()
        c = connection.Connection(device, profile, "ble:x", got.append)
        await c.open()
        c._take(b"\x01\x00\x00\x00", connection.notified)
        assert len(got) == 1
        await c.close()
        c._take(b"\x02\x00\x00\x00", connection.notified)
        assert len(got) == 1
        await source.forget_bus()

    asyncio.run(main())


# what goes wrong


@pytest.mark.parametrize("hang", ["connect", "services"])
def test_a_call_that_never_returns_is_given_up(
    bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch, hang: str
) -> None:
    monkeypatch.setattr(connection, "CONNECT_S", 0.4)
    bench.indicator.connect_hangs = hang == "connect"
    bench.indicator.never_resolves = hang == "services"
    with running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost"])
        assert heard.links[0][1] == f"ble:{ADDRESS}: the indicator did not answer"
        heard.wait(lambda: bench.indicator.connects >= 2)
        bench.indicator.connect_hangs = bench.indicator.never_resolves = False
        heard.wait(lambda: heard.states == ["lost", "back"])


def test_an_attempt_that_fails_is_made_again(bench: BluetoothBench) -> None:
    bench.indicator.connect_errors = [
        RefusedError("org.bluez.Error.Failed", "le-connection-abort-by-peer"),
        RefusedError("org.bluez.Error.InProgress", "Operation already in progress"),
    ]
    with running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost", "back"])
        assert bench.indicator.connects == 3


def test_switched_off_and_on(bus: PrivateBus, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finding, "SCAN_S", 0.5)
    with benched(bus, indicator(), powered=False) as b, running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost"])
        assert "Bluetooth is switched off: switch it on" in heard.links[0][1]
        b.do(lambda s: s.set_powered(True))
        heard.wait(lambda: heard.states == ["lost", "back"])
        b.do(lambda s: s.set_powered(False))
        heard.wait(lambda: heard.states == ["lost", "back", "lost"])
        b.do(lambda s: s.set_powered(True))
        heard.wait(lambda: heard.states[-1] == "back")


def test_why_it_does_not_come_back_is_told_though_the_link_merely_broke(
    bench: BluetoothBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Switched off, or carried off: the page went on saying that the connection broke, which tells nobody what to do."""
    monkeypatch.setattr(finding, "SCAN_S", 0.2)
    with running(f"ble:{ADDRESS}") as heard:
        bench.wait_for_listener()
        bench.do(lambda s: s.set_powered(False))
        heard.wait(lambda: heard.links[-1][0] == "lost" and "switched off: switch it on" in heard.links[-1][1])
        bench.indicator.advertising = False
        bench.do(lambda s: s.set_powered(True))
        heard.wait(lambda: "wake the indicator and bring it near" in heard.links[-1][1])
        bench.indicator.advertising = True
        bench.wait_for_listener()
        heard.wait(lambda: heard.states[-1] == "back")
        assert len(set(heard.links)) == len(heard.links), "each reason once"


def test_no_adapter(bus: PrivateBus) -> None:
    with benched(bus, indicator(), adapter=False), running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost"])
        assert heard.links[0][1] == f"ble:{ADDRESS}: there is no Bluetooth adapter: plug one in"


def test_no_service(bus: PrivateBus) -> None:
    with running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost"])
        assert "the Bluetooth service is not running: start it" in heard.links[0][1]


def test_no_bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    address = f"unix:path={tmp_path / 'none'}"
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
    with running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: heard.states == ["lost"])
        assert f"no system D-Bus at {address}" in heard.links[0][1]


def test_no_permission(need: Callable[[str], str], monkeypatch: pytest.MonkeyPatch) -> None:
    strict = PrivateBus(need("bluetooth"), '<deny send_destination="org.bluez"/>')
    try:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", strict.address)
        with benched(strict, indicator()), running(f"ble:{ADDRESS}") as heard:
            heard.wait(lambda: heard.states == ["lost"])
            assert "no permission to use Bluetooth" in heard.links[0][1]
    finally:
        strict.close()


def test_a_bus_that_dies_and_is_not_there_again(need: Callable[[str], str], monkeypatch: pytest.MonkeyPatch) -> None:
    doomed = PrivateBus(need("bluetooth"))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", doomed.address)
    b = BluetoothBench(doomed.address, indicator())
    try:
        with running(f"ble:{ADDRESS}") as heard:
            b.wait_for_listener()
            doomed.kill()
            heard.wait(lambda: heard.states == ["opened", "lost"])
            time.sleep(0.5)
            assert heard.error is None
    finally:
        b.close()
        doomed.close()


def test_a_device_that_is_no_indicator_is_refused_with_what_it_has(bus: PrivateBus) -> None:
    lamp = Peripheral(ADDRESS, "LAMP", (), [(assigned(0x180F), [Characteristic(assigned(0x2A19))])])
    with benched(bus, lamp), running("ble:LAMP") as heard, pytest.raises(SourceError) as e:
        heard.wait(lambda: False)
    assert "ble:LAMP has no characteristic that the profile can read" in str(e.value)
    assert assigned(0x2A19) in str(e.value)
    assert "identify" in str(e.value)
    assert heard.states == []


def test_a_characteristic_that_is_not_there_is_refused(bench: BluetoothBench) -> None:
    with running(f"ble:{ADDRESS}", use="text-line", characteristic="2AFF") as heard, pytest.raises(SourceError) as e:
        heard.wait(lambda: False)
    assert f"has no characteristic {assigned(0x2AFF)}" in str(e.value)
    assert LENGTH in str(e.value)


def test_an_angle_is_no_length(bus: PrivateBus) -> None:
    with (
        benched(bus, indicator(described=format_descriptor(unit=0x2763))),
        running(f"ble:{ADDRESS}") as heard,
        pytest.raises(SourceError, match="has no characteristic that the profile can read"),
    ):
        heard.wait(lambda: False)


def test_two_lengths_need_a_choice(bus: PrivateBus) -> None:
    one = indicator()
    second = Characteristic(LENGTH.replace("0002", "0009", 1), ("notify",), b"", [format_descriptor()])
    one.services[0][1].append(second)
    with benched(bus, one) as b:
        with running(f"ble:{ADDRESS}") as heard, pytest.raises(SourceError, match="2 characteristics may hold") as e:
            heard.wait(lambda: False)
        assert LENGTH in str(e.value)
        assert second.uuid in str(e.value)
        with running(f"ble:{ADDRESS}", characteristic=LENGTH) as heard:
            b.wait_for_listener()


def test_what_asks_to_be_paired_says_so(bench: BluetoothBench) -> None:
    bench.length.refuses = RefusedError("org.bluez.Error.Failed", "Operation failed with ATT error: 0x05")
    with running(f"ble:{ADDRESS}") as heard:
        heard.wait(lambda: "lost" in heard.states)
        why = next(w for s, w in heard.links if s == "lost")
        assert "pair it in the system's Bluetooth settings first" in why


def test_what_the_taker_fails_of_is_no_loss(bench: BluetoothBench) -> None:
    class Full(Heard):
        def chunk(self, t: float, data: bytes) -> None:
            raise BrokenPipeError("nobody reads")

    heard = Full(load_profile("gatt-length").decoder())
    with running(f"ble:{ADDRESS}", heard):
        bench.wait_for_listener()
        bench.send(1)
        until_blocking(lambda: heard.error is not None)
        assert isinstance(heard.error, BrokenPipeError)
        assert heard.states == ["opened"]


@pytest.mark.parametrize("when", ["scanning", "connecting", "listening", "waiting"])
def test_it_can_be_stopped_at_any_moment(bench: BluetoothBench, when: str) -> None:
    bench.indicator.advertising = when in ("connecting", "listening")
    bench.indicator.connect_hangs = when == "connecting"
    if when == "waiting":
        bench.die()
    with running(f"ble:{ADDRESS}") as heard:
        if when == "listening":
            bench.wait_for_listener()
        elif when == "waiting":
            heard.wait(lambda: heard.states == ["lost"])
        elif when == "scanning":
            until_blocking(lambda: bench.do(lambda s: bool(s.scanners)))
        else:
            until_blocking(lambda: bench.indicator.connects > 0)
    assert heard.error is None
    if bench.service is not None:
        assert not bench.do(lambda s: s.connected(bench.indicator)), "let go"
        until_blocking(lambda: not bench.do(lambda s: s.scanners))


@pytest.mark.parametrize(
    ("error", "kind", "words"),
    [
        (TimeoutError(), LinkLostError, "did not answer"),
        (FileNotFoundError(2, "No such file"), LinkLostError, "no system D-Bus at "),
        (ConnectionRefusedError(111, "refused"), LinkLostError, "no system D-Bus at "),
        (EOFError(), LinkLostError, "EOFError"),
        (ValueError("odd"), LinkLostError, "ValueError: odd"),
    ],
)
def test_errors_in_plain_words(error: Exception, kind: type[Exception], words: str) -> None:
    told = reasons.explained(error, "ble:x")
    assert type(told) is kind
    assert words in str(told)
    assert "ble:x" in str(told)
