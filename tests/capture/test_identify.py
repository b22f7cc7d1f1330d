"""Finding out how an indicator speaks: nothing is sent, the right profile comes first, and what is kept reads the same again."""

from __future__ import annotations

import json
import os
import select
import threading
import tomllib
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.decoders import Frame
from capture.errors import CaptureError, ProfileError, SourceError
from capture.identify import Candidate, Sample, identify, keep, rank
from capture.identify import sniffing as sniffing_module
from capture.identify.keeping import as_toml
from capture.identify.proposing import proposals
from capture.identify.sniffing import Finding, sniff
from capture.profiles import load_profile, user_folder
from capture.rawstream import Rx, read_header, read_records
from capture.simulator.wires import frame_of
from tests.capture.live import LONG_S
from tests.fakes.bluetooth_bench import BluetoothBench
from tests.fakes.bluetooth_service import LENGTH, indicator
from tests.fakes.private_bus import PrivateBus

STREAMS = Path(__file__).resolve().parents[2] / "recorded_streams"


@pytest.fixture(autouse=True)
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folder, empty."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return user_folder()


def ranked(data: bytes, rate: float = 10.0) -> list[Candidate]:
    """Candidates for bytes that came in pieces of eight."""
    pieces = [data[i : i + 8] for i in range(0, len(data), 8)]
    return rank(Sample([(n / rate, p) for n, p in enumerate(pieces)]), proposals(data))


def moving(step: float = 0.001, count: int = 40, unit: str = "mm", wire: str = "plain", size: int = 1) -> bytes:
    """A sweep's worth of readings."""
    return b"".join(frame_of(size * (478 + (n * 7) % 61 - 30), step, unit, wire) for n in range(count))


# what bytes mean


@pytest.mark.parametrize(
    ("data", "wanted", "last"),
    [
        (moving(), {"use": "text-line", "unit": "mm", "resolution": 0.001}, "0.477 mm"),
        (moving(0.01), {"use": "text-line", "unit": "mm", "resolution": 0.01}, "4.77 mm"),
        (moving(0.0005, unit="in"), {"use": "text-line", "unit": "in", "resolution": 0.0005}, "0.2385 in"),
        (moving(0.00005, unit="in"), {"use": "text-line", "unit": "in", "resolution": 0.00005}, "0.02385 in"),
        (moving(wire="unit"), {"use": "text-line", "unit": "mm", "resolution": 0.001}, "0.477 mm"),
        (moving(wire="comma"), {"use": "text-line", "unit": "mm", "resolution": 0.001}, "0.477 mm"),
        (moving(wire="sum"), {"use": "text-line", "checksum": "sum-hex"}, "0.477 mm"),
        (moving(wire="packed"), {"use": "packed-decimal", "nibbles": "high-first", "bits": "high-first"}, "0.477 mm"),
        (moving(wire="counted"), {"use": "counted-binary", "endian": "little"}, "0.477 mm"),
        (moving(wire="json"), {"use": "json-lines", "value_key": "value", "unit_key": "unit"}, "0.477 mm"),
    ],
)  # fmt: skip
def test_the_right_profile_comes_first(data: bytes, wanted: dict[str, Any], last: str) -> None:
    first = ranked(data)[0]
    assert {k: first.table.get(k) for k in wanted} == wanted
    assert first.shown[-1] == last
    assert first.sure
    # And it is a profile that reads the bytes.
    decoder = load_profile(first.table).decoder()
    assert sum(isinstance(i, Frame) for i in decoder.feed(b"\n" + data)) >= 39


def _swapped(data: bytes) -> bytes:
    return bytes((b >> 4) | (b & 15) << 4 for b in data)


def _mirrored(data: bytes) -> bytes:
    return bytes(int(f"{b:08b}"[::-1], 2) for b in data)


@pytest.mark.parametrize(
    ("change", "nibbles", "bits"),
    [
        (_swapped, "low-first", "high-first"),
        (_mirrored, "low-first", "low-first"),
        (lambda d: _swapped(_mirrored(d)), "high-first", "low-first"),
        (lambda d: bytes(n for b in d for n in (b >> 4, b & 15)), "one-a-byte", "high-first"),
    ],
)
def test_packed_digits_in_any_order(change: Callable[[bytes], bytes], nibbles: str, bits: str) -> None:
    first = ranked(change(moving(wire="packed")))[0]
    assert (first.table["use"], first.table["nibbles"], first.table["bits"]) == ("packed-decimal", nibbles, bits)
    assert first.shown[-1] == "0.477 mm"


def test_what_the_bytes_do_not_tell_is_said_to_be_a_guess() -> None:
    assert ranked(moving())[0].guessed == ["unit"]
    assert ranked(moving(wire="unit"))[0].guessed == []
    assert ranked(moving(wire="json"))[0].guessed == []
    # The other unit is offered too.
    assert {c.table["unit"] for c in ranked(moving()) if c.table["use"] == "text-line"} == {"mm", "in"}


def test_digits_without_a_point_are_offered_with_their_places() -> None:
    data = b"".join(b"%+07d\r\n" % (478 + n) for n in range(40))
    found = ranked(data)
    assert [c.table["places"] for c in found][:2] == [3, 2]
    assert [c.shown[-1] for c in found][:2] == ["0.517 mm", "5.17 mm"]
    assert all("places" in c.guessed for c in found)


def test_the_value_among_other_things_in_a_line() -> None:
    data = b"".join(b"01A %+08.3f ok 7\r\n" % ((478 + n) / 1000) for n in range(40))
    first = ranked(data)[0]
    assert first.shown[-1] == "0.517 mm"
    assert first.sure


def test_of_the_numbers_in_an_object_the_one_that_moves_in_fractions_comes_first() -> None:
    lines = [
        {"n": n, "probe": {"len": (478 + n % 9) / 1000, "battery": 87}, "t": 1000 * n, "unit": "mm"} for n in range(40)
    ]
    data = b"".join(json.dumps(x).encode() + b"\n" for x in lines)
    first = ranked(data)[0]
    assert first.table["value_key"] == "probe.len"
    assert first.shown[-1] == "0.481 mm"


def test_the_rate_is_measured() -> None:
    data = moving(wire="packed")
    pieces = [data[i : i + 6] for i in range(0, len(data), 6)]
    first = rank(Sample([(n / 20, p) for n, p in enumerate(pieces)]), proposals(data))[0]
    assert first.table["rate"] == pytest.approx(20, rel=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_explained_by_nothing(seed: int) -> None:
    assert ranked(np.random.default_rng(seed).bytes(600)) == []


@pytest.mark.parametrize("data", [b"", b"\r\n" * 50, b"\xff" * 600, b"hello\r\n" * 60, b"{}\n" * 100, b"0.478\r\n"])
def test_what_carries_no_readings_is_explained_by_nothing(data: bytes) -> None:
    assert ranked(data) == []


UNTOLD = {"text-unit-key-untold", "text-unit-letter"}
"""Recordings in which the unit key is pressed and only who knows the indicator can tell."""


def _recordings() -> list[Path]:
    return sorted(p.parent for p in STREAMS.glob("*/stream.jsonl") if p.parent.name not in UNTOLD)


@pytest.mark.parametrize("folder", _recordings(), ids=lambda p: p.name)
def test_every_packaged_recording_is_recognised(folder: Path) -> None:
    """Its own profile reads it; the first candidate must give the same lengths."""
    path = folder / "stream.jsonl"
    table = read_header(path).profile
    chunks = [(r.t, r.data) for r in read_records(path) if isinstance(r, Rx)][:120]
    found = rank(Sample(chunks), proposals(b"".join(d for _, d in chunks)))
    wanted = _lengths(table, chunks)
    best = [c for c in found if c.explained >= found[0].explained - 0.01]
    assert any(_lengths(c.table, chunks)[-30:] == wanted[-30:] for c in best), [c.table for c in best]


def _lengths(table: dict[str, Any], chunks: list[tuple[float, bytes]]) -> list[Decimal]:
    decoder = load_profile(table).decoder()
    decoder.reset()
    items = [i for _, d in chunks for i in decoder.feed(d)]
    return [Decimal(i.counts) * i.scale.step for i in items if isinstance(i, Frame)]


def test_a_profile_of_the_users_own_is_among_the_candidates(own: Path) -> None:
    own.mkdir(parents=True)
    (own / "old-gauge.toml").write_text(
        'use = "text-line"\npattern = "^L(?P<value>[+-]\\\\d+);$"\nplaces = 3\n', "utf-8"
    )
    (own / "broken.toml").write_text("use = ", "utf-8")
    data = b"".join(b"L%+d;\r\n" % (478 + n) for n in range(40))
    first = ranked(data)[0]
    assert first.table["use"] == "old-gauge"
    assert first.shown[-1] == "0.517 mm"


# speeds and formats


def line_read(data: bytes, sent: dict[str, Any], read: dict[str, Any]) -> bytes:
    """What a serial port set one way makes of what a port set another way sends, bit by bit.

    Bits are sampled in their middle; a start bit is looked for at each sixteenth of the reader's bit.
    """
    bits: list[int] = [1] * 12
    for byte in data:
        value = [(byte >> i) & 1 for i in range(sent["bytesize"])]
        parity = {"none": [], "even": [sum(value) % 2], "odd": [1 - sum(value) % 2]}[sent["parity"]]
        bits += [0, *value, *parity, 1]
    bits += [1] * 12
    ratio = sent["baud"] / read["baud"]  # sent bits per bit of the reader

    def level(at: float) -> int:
        return bits[int(at)] if at < len(bits) else 1

    out, at = bytearray(), 0.0
    while at < len(bits):
        if level(at):
            at += ratio / 16
            continue
        n = read["bytesize"]
        value = sum(level(at + ratio * (1.5 + i)) << i for i in range(n))
        after = n + 1 + (read["parity"] != "none")
        # As terminals are set up: a wrong parity is not looked at, a bad stop bit gives a zero.
        out.append(value if level(at + ratio * (after + 0.5)) else 0)
        at += ratio * (after + 0.5)
        while at < len(bits) and not level(at):
            at += ratio / 16
    return bytes(out)


def test_the_line_is_read_as_it_is_sent() -> None:
    same = {"baud": 9600, "bytesize": 7, "parity": "even"}
    assert line_read(b"+000.478\r\n", same, same) == b"+000.478\r\n"
    # Seven bits and even parity, read as eight bits: the parity shows as the top bit.
    eight = {"baud": 9600, "bytesize": 8, "parity": "none"}
    assert line_read(b"+1", same, eight) == bytes([0x2B, 0x31 | 0x80])
    assert line_read(b"+000.478\r\n", eight, {**eight, "baud": 4800}) != b"+000.478\r\n"


_SETTINGS = [
    (wire, bytesize, parity)
    for wire in ("plain", "packed")
    for bytesize, parity in ((8, "none"), (7, "even"), (7, "odd"), (8, "even"), (8, "odd"))
    if wire == "plain" or bytesize == 8  # bytes of eight bits do not go through seven
]


@pytest.mark.parametrize("baud", [1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200])
@pytest.mark.parametrize(("wire", "bytesize", "parity"), _SETTINGS)
def test_speed_and_format_are_found(
    baud: int, wire: str, bytesize: int, parity: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = {"baud": baud, "bytesize": bytesize, "parity": parity}
    clock = [0.0]
    monkeypatch.setattr(sniffing_module.time, "monotonic", lambda: clock[0])
    values = iter(range(10_000))
    heard: list[dict[str, Any]] = []

    def listen(line: dict[str, Any], limit: float) -> Sample:
        heard.append(line)
        clock[0] += limit
        chunks = []
        for n in range(int(limit * 10)):
            data = frame_of(1478 + next(values) * 7 % 61, 0.001, "mm", wire)
            chunks.append((n / 10, line_read(data, sent, line)))
        return Sample([c for c in chunks if c[1]])

    first = sniff(listen, 40.0).candidates[0]
    assert {k: first.table[k] for k in sent} == sent or _reads_alike(first, sent, wire)
    assert first.sure
    assert clock[0] <= 40.0
    assert heard[0] == {"baud": 9600, "bytesize": 8, "parity": "none"}


def _reads_alike(found: Candidate, sent: dict[str, Any], wire: str) -> bool:
    """Whether another setting reads the same bytes: of two parities, or of a parity and a seventh or eighth bit."""
    line = {k: found.table[k] for k in sent}
    decoder = load_profile({**found.table, **line}).decoder()
    wanted = [1478 + n * 7 % 61 for n in range(60)]
    data = b"".join(line_read(frame_of(w, 0.001, "mm", wire), sent, line) for w in wanted)
    got = [i.counts for i in decoder.feed(b"\n" + data) if isinstance(i, Frame)]
    return got == wanted


def test_a_silent_line_is_given_up_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr(sniffing_module.time, "monotonic", lambda: clock[0])

    def listen(line: dict[str, Any], limit: float) -> Sample:
        clock[0] += limit
        return Sample()

    found = sniff(listen, 10.0)
    assert (found.candidates, found.received, found.unexplained) == ([], 0, b"")
    assert clock[0] <= 10.0


def test_one_that_sends_once_a_second_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr(sniffing_module.time, "monotonic", lambda: clock[0])
    sent = {"baud": 4800, "bytesize": 7, "parity": "even"}

    def listen(line: dict[str, Any], limit: float) -> Sample:
        begin = clock[0]
        clock[0] += limit
        data = [(s, frame_of(478 + s, 0.001, "mm", "plain")) for s in range(int(begin) + 1, int(clock[0]) + 1)]
        return Sample([(s - begin, line_read(d, sent, line)) for s, d in data])

    first = sniff(listen, 40.0).candidates[0]
    assert {k: first.table[k] for k in sent} == sent


# a real port


class Device:
    """An indicator on a pseudo-terminal that keeps what it is sent."""

    def __init__(self, wire: str = "plain", asked: bytes | None = None) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.source = f"serial:{os.ttyname(self._slave)}"
        self.got = b""
        self._wire, self._asked = wire, asked
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="device")
        self._thread.start()

    def _run(self) -> None:
        n = 0
        while not self._stop.is_set():
            if select.select([self._master], [], [], 0.02)[0]:
                got = os.read(self._master, 100)
                self.got += got
                if self._asked is None or self._asked not in got:
                    continue
            elif self._asked is not None or self._wire == "silent":
                continue
            n += 1
            os.write(self._master, frame_of(478 + n * 7 % 61, 0.001, "mm", self._wire))

    def close(self) -> None:
        self._stop.set()
        self._thread.join(LONG_S)
        os.close(self._master)
        os.close(self._slave)


@contextmanager
def device(wire: str = "plain", asked: bytes | None = None) -> Iterator[Device]:
    """A running device."""
    d = Device(wire, asked)
    try:
        yield d
    finally:
        d.close()


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each setting is listened to until enough has come, however slowly it comes here."""
    monkeypatch.setattr(sniffing_module, "SHARE_S", LONG_S)


@pytest.mark.usefixtures("patient")
@pytest.mark.parametrize("wire", ["plain", "packed", "counted", "json"])
def test_a_port_is_listened_to_without_a_byte_being_sent(wire: str) -> None:
    with device(wire) as d:
        found = identify(d.source, 3 * LONG_S)
        assert d.got == b""
    kinds = {"plain": "text-line", "packed": "packed-decimal", "counted": "counted-binary", "json": "json-lines"}
    assert found.candidates[0].table["use"] == kinds[wire]
    assert found.candidates[0].table["baud"] == 9600


def test_one_that_must_be_asked_is_asked_only_when_told_to(monkeypatch: pytest.MonkeyPatch) -> None:
    with device(asked=b"?\r") as d:
        assert identify(d.source, 2.0).received == 0
        assert d.got == b""
        monkeypatch.setattr(sniffing_module, "SHARE_S", LONG_S)
        found = identify(d.source, 3 * LONG_S, "?\\r")
        assert b"?\r" in d.got
    first = found.candidates[0]
    assert first.table["poll"] == "?\\r"
    assert first.table["use"] == "text-line"


def test_a_silent_port_is_given_up() -> None:
    with device("silent") as d:
        found = identify(d.source, 2.0)
        assert (found.candidates, found.received) == ([], 0)


def test_a_port_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no such port"):
        identify(f"serial:{tmp_path / 'none'}", 5.0)


@pytest.mark.parametrize("source", ["typed", "push"])
def test_what_cannot_be_listened_to(source: str) -> None:
    with pytest.raises(SourceError, match="nothing to identify"):
        identify(source)


def test_a_recording_can_be_identified() -> None:
    found = identify(f"replay:{STREAMS / 'packed-decimal' / 'stream.jsonl'}", 4.0)
    assert found.candidates[0].table["use"] == "packed-decimal"
    assert "baud" not in found.candidates[0].table


# Bluetooth


@pytest.fixture
def bus(need: Callable[[str], str], monkeypatch: pytest.MonkeyPatch) -> Iterator[PrivateBus]:
    """A bus of our own in the system bus's place."""
    b = PrivateBus(need("bluetooth"))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", b.address)
    yield b
    b.close()


@contextmanager
def speaking(bus: PrivateBus, frames: Callable[[int], bytes], **how: Any) -> Iterator[BluetoothBench]:
    """An indicator that notifies for as long as somebody listens."""
    bench = BluetoothBench(bus.address, indicator(**how))
    stop = threading.Event()

    def speak() -> None:
        n = 0
        while not stop.wait(0.02):
            if bench.listened_to():
                bench.send(frames(n))
                n += 1

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield bench
    finally:
        stop.set()
        thread.join(LONG_S)
        bench.close()


@pytest.mark.parametrize(
    ("frames", "plain", "wanted", "last"),
    [
        (lambda n: (478 + n % 9).to_bytes(4, "little", signed=True), False, {"use": "gatt-length"}, "mm"),
        (lambda n: (300 - n % 90).to_bytes(4, "big", signed=True), True,
         {"use": "counted-binary", "endian": "big", "packets": "attribute", "characteristic": LENGTH}, "mm"),
        (lambda n: frame_of(478 + n % 9, 0.001, "mm", "unit"), True,
         {"use": "text-line", "unit": "mm", "characteristic": LENGTH}, "mm"),
        (lambda n: frame_of(478 + n % 9, 0.001, "mm", "packed"), True,
         {"use": "packed-decimal", "characteristic": LENGTH}, "mm"),
    ],
)  # fmt: skip
def test_characteristics_of_a_bluetooth_indicator(
    bus: PrivateBus, frames: Callable[[int], bytes], plain: bool, wanted: dict[str, Any], last: str
) -> None:
    with speaking(bus, frames, plain=plain) as bench:
        found = _heard_enough(bench)
        first = found.candidates[0]
        assert {k: first.table.get(k) for k in wanted} == wanted
        assert first.sure
        assert last in first.shown[-1]
        assert not bench.do(lambda s: s.connected(bench.indicator)), "let go"
        assert not any(m == "WriteValue" for _, m in bench.do(lambda s: list(s.calls)))


def _heard_enough(bench: BluetoothBench) -> Finding:
    """What listening for three seconds finds; for longer, where the machine let too few values through."""
    for seconds in (3.0, 12.0, LONG_S):
        found = identify(f"ble:{bench.indicator.address}", seconds)
        if found.candidates and found.candidates[0].sure:
            break
    return found


def test_a_bluetooth_indicator_that_is_not_there(bus: PrivateBus, monkeypatch: pytest.MonkeyPatch) -> None:
    from capture.sources.bluetooth import finding

    monkeypatch.setattr(finding, "SCAN_S", 0.3)
    bench = BluetoothBench(bus.address)
    try:
        with pytest.raises(SourceError, match="not found: wake the indicator"):
            identify("ble:C0:FF:EE:00:00:09", 1.0)
    finally:
        bench.close()


# keeping


def test_what_is_kept_reads_the_same_again(own: Path) -> None:
    for wire in ("plain", "sum", "packed", "counted", "json"):
        data = moving(wire=wire)
        best = ranked(data)[0]
        file = keep(best.table, f"my-{wire}")
        assert file == own / f"my-{wire}.toml"
        a = load_profile(best.table).decoder().feed(b"\n" + data)
        b = load_profile(f"my-{wire}").decoder().feed(b"\n" + data)
        assert a == b
        assert len(a) >= 40


def test_nothing_is_overwritten(own: Path) -> None:
    file = keep({"use": "text-line", "unit": "mm"}, "mine")
    before = file.read_bytes()
    with pytest.raises(CaptureError, match="exists already and is left as it is"):
        keep({"use": "text-line", "unit": "in"}, "mine")
    assert file.read_bytes() == before


@pytest.mark.parametrize("name", ["", "../x", "a b", "text-line", "x" * 65, "é"])
def test_a_name_that_cannot_be_used(own: Path, name: str) -> None:
    with pytest.raises(ProfileError, match="name: given"):
        keep({"use": "text-line"}, name)
    assert not own.exists()


def test_tables_survive_being_written() -> None:
    table = {
        "use": "text-line",
        "pattern": '^"\\d\t\x7f§\\\\(?P<value>.)$',
        "resolution": 0.00005,
        "rate": 10,
        "plus": [0, 1],
        "crc": {"width": 16, "reflected": True},
    }
    assert tomllib.loads(as_toml(table)) == table
