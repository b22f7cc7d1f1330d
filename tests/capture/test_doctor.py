"""What stands in the way is found, and every finding has its cure."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from serial.tools import list_ports

from capture import doctor
from capture.doctor import evidence, examine, machine
from capture.doctor import radio as bluetooth_module
from capture.doctor import serial_ports as ports_module
from capture.doctor.evidence import recordings, store
from capture.profiles import user_folder
from capture.rawstream import StreamWriter
from capture.simulator.pty_bench import PtyBench
from capture.store import checks
from capture.store.feed import StoreFeed
from tests.capture.faulty_disk import FaultyDisk
from tests.capture.live import LONG_S
from tests.capture.store_live import play
from tests.fakes.bluetooth_bench import BluetoothBench
from tests.fakes.port_info import PortInfo
from tests.fakes.private_bus import PrivateBus


@pytest.fixture(autouse=True)
def no_hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    """A look lasts as long as it takes here, where a test does not say otherwise."""
    monkeypatch.setattr(evidence, "LIMIT_S", 1e6)
    monkeypatch.setattr(evidence, "PATIENCE_S", LONG_S)
    monkeypatch.setattr(bluetooth_module, "WAIT_S", LONG_S)


@pytest.fixture
def port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A real terminal that is listed as the only port."""
    bench = PtyBench(tmp_path / "indicator")
    device = os.path.realpath(bench.link)
    monkeypatch.setattr(list_ports, "comports", lambda: [PortInfo(device)])
    yield device
    bench.stop()


def test_every_finding_that_is_not_fine_has_a_cure() -> None:
    found = examine()
    assert all(f.cure for f in found if f.state != "fine")
    assert all(f.as_dict().keys() == {"what", "state", "cure"} for f in found)
    told = " ".join(f.what for f in found)
    for word in ("serial port", "Bluetooth", "sound", "free at", "clock", "profiles", "recordings", "evidence store"):
        assert word in told


def test_a_look_that_fails_does_not_stop_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> list[doctor.Finding]:
        raise OSError("no")

    monkeypatch.setattr(doctor, "sound", broken)
    found = examine()
    assert any("could not be looked at (OSError: no)" in f.what for f in found)
    assert any("clock" in f.what for f in found)


def test_a_port_that_another_program_holds_is_named_with_it(port: str) -> None:
    (free,) = ports_module.ports()
    assert (free.state, port in free.what) == ("fine", True)
    code = "import os, sys; fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", code, port], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        (held,) = ports_module.ports()
        assert process.stdin is not None
        process.stdin.close()
        process.wait(LONG_S)
    assert held.state == "wrong"
    assert f"(process {process.pid})" in held.what


def test_a_port_without_permission_names_its_group(port: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import grp

    if os.geteuid() != 0:
        pytest.skip("only the superuser may give a port to a group")
    monkeypatch.setattr(ports_module.os, "access", lambda *_: False)
    os.chown(port, -1, grp.getgrnam("dialout").gr_gid)
    os.chmod(port, 0o660)
    (f,) = ports_module.ports()
    assert (f.state, f.cure) == (
        "wrong",
        "Add yourself to its group: sudo usermod -aG dialout $USER, then log out and in again.",
    )


@pytest.mark.parametrize(("gid", "mode"), [(0, 0o660), (0, 0o600), (20, 0o620), (20, 0o600)])
def test_nobody_is_sent_into_a_group_that_gives_no_right_or_every_right(
    port: str, gid: int, mode: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The advice was to join the superuser's group, or one that may not open the port either."""
    if os.geteuid() != 0:
        pytest.skip("only the superuser may give a port to a group")
    monkeypatch.setattr(ports_module.os, "access", lambda *_: False)
    os.chown(port, -1, gid)
    os.chmod(port, mode)
    (f,) = ports_module.ports()
    assert "usermod" not in f.cure
    assert f"sudo chown $USER {port}" in f.cure
    assert 'MODE="0660"' in f.cure


def test_a_name_that_stays_is_told_and_one_that_hangs_on_the_socket_too(
    port: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_id, by_path = tmp_path / "by-id", tmp_path / "by-path"
    by_path.mkdir()
    (by_path / "socket-2").symlink_to(port)
    monkeypatch.setattr(ports_module, "_BY_ID", by_id)
    monkeypatch.setattr(ports_module, "_BY_PATH", by_path)
    (f,) = ports_module.ports()
    assert (f.state, f"serial:{by_path}/socket-2" in f.what) == ("note", True)
    by_id.mkdir()
    (by_id / "cable-A1").symlink_to(port)
    (f,) = ports_module.ports()
    assert (f.state, f"serial:{by_id}/cable-A1" in f.what) == ("fine", True)


def test_services_that_grab_ports_get_a_rule_for_this_very_cable(
    port: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, name in ((1, "init"), (20, "ModemManager"), (30, "brltty")):
        (tmp_path / str(number)).mkdir()
        (tmp_path / str(number) / "comm").write_text(f"{name}\n", "utf-8")
    monkeypatch.setattr("capture.sources.holders.PROC", tmp_path)
    modem, braille = ports_module.grabbers()
    assert 'ATTRS{idVendor}=="1234", ATTRS{idProduct}=="00ab", ATTRS{serial}=="A1"' in modem.cure
    assert "brltty" in braille.what
    monkeypatch.setattr(list_ports, "comports", lambda: [PortInfo(port, serial_number=None)])
    modem, _ = ports_module.grabbers()
    assert "ATTRS" not in modem.cure  # never a rule for everything with that chip


def test_no_system_bus_is_told_with_its_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    (f,) = bluetooth_module.bluetooth()
    assert f.state == "note"
    assert f"no system D-Bus at unix:path={tmp_path}/none" in f.what


def test_bluetooth_service_and_adapter_are_told_apart(
    need: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bus = PrivateBus(need("bluetooth"))
    try:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        (f,) = bluetooth_module.bluetooth()
        assert "the service is not running" in f.what
        assert "bluetooth" in f.cure
        bench = BluetoothBench(bus.address)
        try:
            (f,) = bluetooth_module.bluetooth()
            assert (f.state, f.what) == ("fine", "Bluetooth: adapter hci0 is there and on")
        finally:
            bench.close()
    finally:
        bus.close()


@pytest.mark.parametrize(
    ("about", "words"),
    [
        ({"Powered": False, "Roles": ["central"]}, "switched off"),
        ({"Powered": True, "Roles": ["peripheral"]}, "cannot use Low Energy"),
        (None, "no adapter"),
    ],
)
def test_adapters_that_cannot_be_used(about: dict[str, object] | None, words: str) -> None:
    objects = {"/org/bluez": {}, **({"/org/bluez/hci1": {"org.bluez.Adapter1": about}} if about else {})}
    (f,) = bluetooth_module._adapters(objects)
    assert words in f.what
    assert f.cure


def test_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cards = tmp_path / "asound" / "cards"
    cards.parent.mkdir()
    monkeypatch.setattr(machine, "_CARDS", cards)
    assert machine.sound()[0].state == "note"
    cards.write_text(" 0 [PCH ]: HDA-Intel\n                      at 0xf\n", "utf-8")
    assert machine.sound()[0].what == "sound: 1 card"
    monkeypatch.setattr(machine, "data_folder", lambda: tmp_path / "not" / "yet")
    assert machine.disk()[0].state == "fine"
    monkeypatch.setattr(machine, "LEAST_FREE", 1 << 60)
    assert "Make room" in machine.disk()[0].cure
    monkeypatch.setattr(machine, "_TIME_SERVICE", tmp_path)
    monkeypatch.setattr(machine, "_SYNCED", tmp_path / "no")
    assert "time server" in machine.clock()[0].what
    monkeypatch.setattr(machine.time, "time", lambda: 3600.0)
    assert machine.clock()[0].state == "wrong"


def test_a_profile_that_cannot_be_used_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = user_folder()
    folder.mkdir(parents=True)
    (folder / "good.toml").write_text('use = "text-line"\nrate = 5\n', "utf-8")
    (folder / "bad.toml").write_text('use = "text-line"\nrate = -5\n', "utf-8")
    (folder / "text-line.toml").write_text('use = "text-line"\nrate = 5\n', "utf-8")
    counted, bad, hidden = machine.profiles()
    assert str(folder) in counted.what
    assert bad.state == "wrong"
    assert "bad.toml" in bad.cure
    assert "-5" in bad.what
    assert (hidden.state, "is never used" in hidden.what) == ("note", True)


def test_recordings_that_changed_or_saw_trouble_are_told(tmp_path: Path) -> None:
    for name in "abc":
        disk = FaultyDisk(1 << 60, 1, "error", "sync")
        w = StreamWriter(tmp_path / name / "stream.jsonl", "typed", {"use": "text-line"}, "", disk=disk)
        if name == "b":
            disk.first = disk.done
        w.rx(0.1, b"+000.478\r\n")
        w.sync()
        if name == "c":
            w.wall_clock(0.2, "2026-03-02T09:14:05Z", 3600.0)
        w.close()
    assert {f.state for f in recordings(tmp_path)} == {"note"}
    suspect, steps = recordings(tmp_path)
    assert "b/stream.0002.jsonl" in suspect.what
    assert "set 1 times" in steps.what
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "stream.jsonl").write_bytes(b"[" * 100_000)
    (tmp_path / "a" / "stream.jsonl").write_bytes(b"{}\n")
    (changed,) = [f for f in recordings(tmp_path) if f.state == "wrong"]
    assert "a/stream.jsonl is no longer" in changed.what
    (only,) = recordings(tmp_path / "none")
    assert only.state == "fine"


def test_a_look_at_many_recordings_ends_in_time_and_says_how_far_it_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(6):
        w = StreamWriter(tmp_path / f"{n}" / "stream.jsonl", "typed", {"use": "text-line"}, "")
        w.rx(0.1, b"+000.478\r\n" * 2000)
        w.close()
        os.utime(w.path, ns=(n, n))
    (tmp_path / "4" / "stream.jsonl").write_bytes(b"{}\n")
    os.utime(tmp_path / "4" / "stream.jsonl", ns=(4, 4))
    now = [0.0]

    def later() -> float:
        now[0] += 0.2
        return now[0]

    # Each look at the clock takes a fifth of a second: a slow disk.
    monkeypatch.setattr(evidence.time, "monotonic", later)
    monkeypatch.setattr(evidence, "LIMIT_S", 1.1)
    changed, partial = recordings(tmp_path)
    assert "4/stream.jsonl is no longer" in changed.what, "the newest first"
    assert partial.state == "note"
    assert re.search(r"the newest [1-4] of 6 in .* then time was up", partial.what)
    assert "sha256sum -c" in partial.cure
    monkeypatch.undo()
    monkeypatch.setattr(evidence, "LIMIT_S", 1e6)
    assert len(recordings(tmp_path)) == 1
    monkeypatch.setattr(evidence, "LARGEST", 1000)
    (large,) = [f for f in recordings(tmp_path) if "too large" in f.what]
    assert (large.state, "5 are too large" in large.what) == ("note", True)


def test_a_look_at_a_large_store_ends_in_time_and_says_how_far_it_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "evidence.sqlite"
    feed = StoreFeed(file)
    for name in ("clean-mm", "too-fast"):
        play(name, tmp_path / "s", feed)
    assert feed.close(LONG_S)
    monkeypatch.setattr(evidence, "LIMIT_S", 0.0)
    monkeypatch.setattr(checks, "LARGEST_IN_A_HURRY", 1000)
    told = store(file)
    assert {f.state for f in told} == {"note"}
    words = " ".join(f.what + f.cure for f in told)
    assert "too large to be looked through here" in words
    assert "the newest 0 of 2 streams were looked at, then time was up" in words
    assert "shimwright store check looks at all of them" in words


def test_the_store_is_looked_at_and_never_made(tmp_path: Path) -> None:
    file = tmp_path / "evidence.sqlite"
    assert store(file)[0].state == "fine"
    assert not file.exists()
    play("clean-mm", tmp_path / "s", feed := StoreFeed(file))
    assert feed.close(LONG_S)
    assert [f.state for f in store(file)] == ["fine", "fine"]
    told = " ".join(f.what for f in store(file))
    assert f"evidence store: {file}: sound" in told
    assert "1 streams: rows complete" in told
    (stream,) = (tmp_path / "s").glob("*/stream.jsonl")
    stream.write_bytes(stream.read_bytes().replace(b"1", b"2"))
    (wrong,) = [f for f in store(file) if f.state == "wrong"]
    assert "is not what it was when it was closed" in wrong.what
    data = bytearray(file.read_bytes())
    data[4096:12000] = bytes(7904)
    file.write_bytes(data)
    assert [f for f in store(file) if f.state == "wrong" and str(file) in f.what and f.cure]


def test_the_store_that_is_looked_at_is_the_one_in_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHIMWRIGHT_STORE", "off")
    (f,) = store()
    assert (f.state, "switched off" in f.what) == ("fine", True)
    monkeypatch.setenv("SHIMWRIGHT_STORE", str(tmp_path / "mine.sqlite"))
    (f,) = store()
    assert (f.state, str(tmp_path / "mine.sqlite") in f.what) == ("fine", True)
    (tmp_path / "mine.sqlite").write_text("this is no database, and long enough to be taken for one" * 20, "utf-8")
    (f,) = store()
    assert (f.state, "is no database" in f.what) == ("wrong", True)
    monkeypatch.setenv("SHIMWRIGHT_STORE", "other://x")
    (f,) = store()
    assert (f.state, "other://" in f.what) == ("wrong", True)


def test_without_a_store_the_database_library_is_not_loaded(tmp_path: Path) -> None:
    code = "import sys; from capture.doctor.evidence import store; store(); print('sqlalchemy' in sys.modules)"
    env = os.environ | {"SHIMWRIGHT_STORE": str(tmp_path / "none.sqlite")}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, cwd=Path(__file__).parents[2], check=True
    )
    assert done.stdout == "False\n"


def test_many_findings_with_one_cure_are_one_line() -> None:
    from capture.doctor.evidence import _together
    from capture.doctor.finding import Finding

    lost = [Finding(f"evidence store: set {n}: its raw stream is gone", "note", "Bring it back.") for n in range(30)]
    found = _together([Finding("a", "fine"), *lost, Finding("b", "fine"), Finding("other", "wrong", "Mend it.")])
    assert [f.state for f in found] == ["fine", "note", "fine", "wrong"]
    assert "and 29 more like it" in found[1].what
    assert found[1].cure == "Bring it back."
    assert found[3].what == "other"
