"""Serial ports by what stays when they are unplugged: USB numbers, or the place they are plugged into."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from serial.tools import list_ports

from capture.doctor.serial_ports import lasting_name
from capture.errors import LinkLostError, SourceError
from capture.profiles import load_profile
from capture.rawstream import read_header
from capture.simulator.pty_bench import PtyBench
from capture.sources import holders as holders_module
from capture.sources import serial_port as port_module
from capture.sources.serial_finding import find_port, identity_of, present
from capture.sources.serial_port import SerialSource
from tests.capture.live import LONG_S, every, line, listening, stream_files, until


@dataclass
class Listed:
    """A port as the serial library lists it."""

    device: str
    vid: int | None = 0x1234
    pid: int | None = 0x00AB
    serial_number: str | None = "A1"
    location: str | None = "1-1.4:1.0"
    interface: str | None = None
    description: str = "Cable"
    hwid: str = "USB"


Ports = list[Listed]


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> Ports:
    """What the system lists; to be filled."""
    listed: Ports = []
    monkeypatch.setattr(list_ports, "comports", lambda: list(listed))
    return listed


@pytest.mark.parametrize(
    "identity",
    ["1234:00ab", "1234:00AB:A1", "1234:00ab:a1", "1234:00ab:A1:0", "1234:00ab::0", "at:1-1.4", "at:1-1.4:1.0"],
)
def test_the_same_indicator_is_found_again_under_any_name(tmp_path: Path, ports: Ports, identity: str) -> None:
    bench, other = PtyBench(tmp_path / "indicator"), PtyBench(tmp_path / "other")
    ports += [
        Listed(os.path.realpath(other.link), pid=0x00AC, serial_number="B7", location="1-1.5:1.0"),
        Listed(os.path.realpath(bench.link)),
    ]

    async def main() -> None:
        async with listening(f"serial:{identity}", record_to=tmp_path / "streams") as heard:
            await heard.wait("reading", counts=10)
            before = ports[1].device
            start = len(heard.events)
            del ports[1:]
            bench.unplug()
            await heard.wait("link", start, state="lost")
            await asyncio.sleep(1.2)
            start = len(heard.events)
            bench.replug(other_than=before)
            ports.append(Listed(os.path.realpath(bench.link)))
            assert ports[1].device != before
            await heard.wait("reading", start)
            assert {e["counts"] for e in heard.of("reading")} <= set(range(1000)), "never the other one"

    try:
        with every(0.02, lambda n: bench.write(line(n % 1000))), every(0.02, lambda n: other.write(line(5000))):
            asyncio.run(main())
    finally:
        bench.stop()
        other.stop()
    (path,) = stream_files(tmp_path / "streams")
    assert read_header(path).source == f"serial:{identity}"


def test_an_indicator_that_is_not_plugged_in_is_waited_for(ports: Ports) -> None:
    ports.append(Listed("/dev/ttyUSB0", serial_number="A2", location="1-1.5:1.0"))
    for text in ("1234:00ab:A1", "1234:00ac", "at:1-1", "at:1-1.4", "1234:00ab:A2:1"):
        with pytest.raises(LinkLostError, match=f"no port fits serial:{text}: that indicator is not plugged in"):
            find_port(text)
        assert present(text) is False
    assert present("1234:00ab") is True
    assert find_port("1234:00ab:A2:0") == "/dev/ttyUSB0"


@pytest.mark.parametrize(
    ("text", "listed", "said"),
    [
        (
            "1234:00ab",
            [Listed("/dev/ttyUSB0"), Listed("/dev/ttyUSB1", serial_number="A2", location="1-1.5:1.0")],
            ["/dev/ttyUSB0 is serial:1234:00ab:A1", "/dev/ttyUSB1 is serial:1234:00ab:A2"],
        ),
        # Without a number, only the socket tells.
        (
            "1234:00ab",
            [Listed("/dev/ttyUSB0", serial_number=None), Listed("/dev/ttyUSB1", serial_number="", location="1-2:1.0")],
            ["/dev/ttyUSB0 is serial:at:1-1.4:1.0", "/dev/ttyUSB1 is serial:at:1-2:1.0"],
        ),
        # All with one number, as some makers do it.
        (
            "1234:00ab:A1",
            [Listed("/dev/ttyUSB0"), Listed("/dev/ttyUSB1", location="1-2:1.0")],
            ["/dev/ttyUSB0 is serial:at:1-1.4:1.0", "/dev/ttyUSB1 is serial:at:1-2:1.0"],
        ),
        # Two ports of one cable.
        (
            "1234:00ab:A1",
            [Listed("/dev/ttyUSB0"), Listed("/dev/ttyUSB1", location="1-1.4:1.1")],
            ["/dev/ttyUSB0 is serial:1234:00ab:A1,", "/dev/ttyUSB1 is serial:1234:00ab:A1:1"],
        ),
    ],
    ids=["numbers", "no numbers", "one number", "two parts"],
)
def test_an_identity_that_several_have_is_refused_with_one_for_each(
    ports: Ports, text: str, listed: Ports, said: list[str]
) -> None:
    ports += listed
    with pytest.raises(SourceError) as e:
        find_port(text)
    assert "Name one of them so" in str(e.value)
    for words in said:
        assert words in str(e.value)


def test_parts_of_one_cable_are_told_apart_by_number_or_name(ports: Ports) -> None:
    ports += [
        Listed("/dev/ttyACM0", interface="Readings"),
        Listed("/dev/ttyACM1", interface="Settings", location="1-1.4:1.2"),
        Listed("/dev/ttyACM2", serial_number="AA:BB:0C", location="1-1.5:1.0"),
    ]
    assert find_port("1234:00ab:A1:2") == "/dev/ttyACM1"
    assert find_port("1234:00ab:A1:readings") == "/dev/ttyACM0"
    assert find_port("1234:00ab::settings") == "/dev/ttyACM1"
    assert find_port("1234:00ab:AA:BB:0C") == "/dev/ttyACM2", "a number may have colons in it"
    assert find_port("1234:00ab:AA:BB:0C:0") == "/dev/ttyACM2"
    assert find_port("at:1-1.4") == "/dev/ttyACM0"
    assert find_port("at:1-1.4:1.2") == "/dev/ttyACM1"


def test_names_and_patterns_are_no_identities(ports: Ports) -> None:
    ports.append(Listed("/dev/ttyUSB7", hwid="USB VID:PID=1234:00AB SER=A1"))
    for name in ("COM3", "/dev/ttyUSB0", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0", "12:34", "at:"):
        assert find_port(name) == name
    assert find_port("*1234:00AB*") == "/dev/ttyUSB7"


def test_doctor_names_what_stays_where_the_system_has_no_path_for_it(ports: Ports) -> None:
    ports += [Listed("COM3"), Listed("COM4", serial_number=None, location="1-2"), Listed("COM5", vid=None, pid=None)]
    assert lasting_name("COM3") == ("1234:00ab:A1", True)
    assert lasting_name("COM4") == ("at:1-2", False)
    assert lasting_name("COM5") == (None, False)
    ports.append(Listed("COM6"))
    assert lasting_name("COM3") == (None, False), "no name that fits two"
    assert [identity_of(p) for p in ports[:3]] == ["1234:00ab:A1", "at:1-2", None]


# one port, one reader


@contextmanager
def _opened(target: str) -> Iterator[None]:
    with SerialSource(target, load_profile("text-line")).opened():
        yield


def test_a_program_that_had_the_port_open_before_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A plain open asks for no lock, so the lock alone does not show it; and two readers get half of the bytes each.
    monkeypatch.setattr(port_module, "PSEUDO", "/nowhere")
    bench = PtyBench(tmp_path / "indicator")
    code = "import os, sys; fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"
    try:
        with subprocess.Popen(
            [sys.executable, "-c", code, str(bench.link)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as p:
            assert p.stdout is not None
            assert p.stdin is not None
            assert p.stdout.readline() == b"open\n"
            held = rf"in use by .*\(process {p.pid}\)\. Close that program first"
            with pytest.raises(SourceError, match=held), _opened(str(bench.link)):
                pass
            # Nobody else is kept out by having asked; the superuser would be let in all the same.
            terminal = os.path.realpath(bench.link)
            os.chmod(terminal, 0o666)
            root = os.geteuid() == 0
            if root:
                os.seteuid(65534)
            try:
                os.close(os.open(terminal, os.O_RDWR | os.O_NOCTTY))
            finally:
                if root:
                    os.seteuid(0)
            p.stdin.close()
            p.wait(LONG_S)
        with _opened(str(bench.link)):
            pass
    finally:
        bench.stop()


def test_an_open_port_keeps_everybody_else_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_module, "PSEUDO", "/nowhere")
    bench = PtyBench(tmp_path / "indicator")
    root = os.geteuid() == 0
    try:
        with _opened(str(bench.link)):
            terminal = os.path.realpath(bench.link)
            os.chmod(terminal, 0o666)
            if root:
                os.seteuid(65534)  # the superuser is let in all the same
            try:
                with pytest.raises(OSError, match="busy"):
                    os.close(os.open(terminal, os.O_RDWR | os.O_NOCTTY))
            finally:
                if root:
                    os.seteuid(0)
        # Closed, it lets others in again, though its maker holds it open all the time.
        if root:
            os.seteuid(65534)
        try:
            os.close(os.open(terminal, os.O_RDWR | os.O_NOCTTY))
        finally:
            if root:
                os.seteuid(0)
    finally:
        bench.stop()


@pytest.mark.parametrize(("soon", "running"), [(True, True), (True, False), (False, True)])
def test_a_port_lost_at_once_is_said_to_be_taken_perhaps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, soon: bool, running: bool
) -> None:
    (tmp_path / "proc" / "77").mkdir(parents=True)
    (tmp_path / "proc" / "77" / "comm").write_text("ModemManager\n" if running else "something\n", "utf-8")
    monkeypatch.setattr(holders_module, "PROC", tmp_path / "proc")
    monkeypatch.setattr(port_module, "GRABBED_S", 1e6 if soon else 0.0)
    bench = PtyBench(tmp_path / "indicator")
    try:
        with SerialSource(str(bench.link), load_profile("text-line")).opened() as read:
            bench.unplug()
            with pytest.raises(LinkLostError, match="indicator unplugged") as e:
                read()
    finally:
        bench.stop()
    told = "or taken by ModemManager, which runs here: shimwright doctor has the cure"
    assert (told in str(e.value)) is (soon and running)


def test_the_list_of_ports_is_not_asked_for_all_the_time(ports: Ports, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(list_ports, "comports", lambda: asked.append(1) or [])

    async def main() -> None:
        async with listening("serial:1234:00ab:A1") as heard:
            await heard.wait("link", state="lost")
            await until(lambda: len(asked) >= 2)
            before, began = len(asked), time.monotonic()
            await asyncio.sleep(1.5)
            # One look every 0.3 s and one at each attempt.
            assert len(asked) - before <= (time.monotonic() - began) / port_module.PRESENT_S + 4

    asyncio.run(main())
