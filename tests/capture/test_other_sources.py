"""Sockets, RFC 2217 servers, replays and typed readings."""

from __future__ import annotations

import asyncio
import io
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import serial
from serial import rfc2217

from capture.clock import Clock
from capture.decoders import Damaged, Frame
from capture.errors import SourceError, StreamFormatError
from capture.profiles import load_profile
from capture.rawstream import FORMAT, StreamWriter
from capture.sources import open_source
from capture.sources.replay import ReplaySource
from capture.sources.typed import TypedSource
from tests.capture.live import LONG_S, every, line, listening, received, until
from tests.ports import ReservedPort

PROFILE = load_profile("text-line")


@dataclass
class Kept:
    """A sink that keeps what it is given, and when."""

    got: list[tuple[str, float, object]] = field(default_factory=list)
    at: list[float] = field(default_factory=list)
    enough: Callable[[list[tuple[str, float, object]]], object] | None = None

    def chunk(self, t: float, data: bytes) -> None:
        self._keep("chunk", t, data)

    def link(self, t: float, state: str, why: str = "") -> None:
        self._keep("link", t, state)

    def mark(self, t: float, mark: str) -> None:
        self._keep("mark", t, mark)

    def _keep(self, kind: str, t: float, what: object) -> None:
        self.got.append((kind, t, what))
        self.at.append(time.monotonic())
        if self.enough is not None:
            self.enough(self.got)

    def values(self) -> list[Frame | Damaged]:
        """What the decoder makes of it."""
        decoder = PROFILE.decoder()
        out: list[Frame | Damaged] = []
        for kind, _, what in self.got:
            if kind == "link":
                decoder.reset()
            elif isinstance(what, bytes):
                out += decoder.feed(what)
        return out


# which text means which source


@pytest.mark.parametrize(
    "text",
    ["", "serial", "serial:", "replay:", "usb:1", "/dev/ttyUSB0", "socket:/localhost:1", "Typed", "rfc2217:host:1"],
)
def test_a_source_nobody_knows_gets_the_allowed_ones(text: str) -> None:
    with pytest.raises(SourceError) as e:
        open_source(text, PROFILE)
    assert (
        f"source {text!r} is not known; allowed: serial:PORT (a name, a pattern, VVVV:PPPP:NUMBER or at:PLACE), "
        in str(e.value)
    )


@pytest.mark.parametrize(
    "url",
    [
        "socket://",
        "socket://localhost",
        "socket://localhost:",
        "socket://:5000",
        "socket://localhost:0",
        "socket://localhost:65536",
        "socket://localhost:port",
        "socket://localhost:²",
        "socket://localhost:-1",
    ],
)
def test_a_socket_without_host_or_port_is_refused(url: str) -> None:
    with pytest.raises(SourceError) as e:
        open_source(url, PROFILE)
    assert str(e.value) == f"{url}: allowed: socket://host:port with a port from 1 to 65535"


@pytest.mark.parametrize(
    "rest", ["", "localhost", "localhost:", ":5000", "localhost:0", "localhost:65536", "localhost:port", "[::1"]
)
def test_an_rfc_2217_server_without_host_or_port_is_refused(rest: str) -> None:
    """It was tried for ever, with a complaint of the language about numbers."""
    with pytest.raises(SourceError) as e:
        open_source(f"rfc2217://{rest}", PROFILE)
    assert str(e.value) == f"rfc2217://{rest}: allowed: rfc2217://host:port with a port from 1 to 65535"


# a TCP socket


class Server:
    """A TCP server for one indicator; it can be shut and opened again on the same port, which is its own until the end."""

    def __init__(self, family: socket.AddressFamily = socket.AF_INET) -> None:
        self._family = family
        self._reserved = ReservedPort()
        self._port = self._reserved.number
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        try:
            self.open()
        except OSError:
            self._reserved.release()
            raise

    def open(self) -> None:
        """Listen."""
        host = "127.0.0.1" if self._family == socket.AF_INET else "::1"
        self._listener = socket.create_server((host, self._port), family=self._family)
        self._listener.settimeout(LONG_S)
        self.url = f"socket://{'[::1]' if ':' in host else host}:{self._port}"

    def accept(self) -> None:
        """Wait for the indicator's reader."""
        assert self._listener is not None
        self._client, _ = self._listener.accept()

    def send(self, data: bytes) -> None:
        """Send bytes."""
        assert self._client is not None
        self._client.sendall(data)

    def drop(self, rudely: bool = False) -> None:
        """Close the connection, or break it off."""
        assert self._client is not None
        if rudely:
            self._client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        self._client.close()

    def close(self) -> None:
        """Stop listening."""
        for s in (self._client, self._listener):
            if s is not None:
                s.close()

    def end(self) -> None:
        """Stop listening for good."""
        self.close()
        self._reserved.release()


@pytest.fixture
def server() -> Iterator[Server]:
    """An open server."""
    s = Server()
    try:
        yield s
    finally:
        s.end()


def test_a_socket_that_drops_and_returns_loses_nothing_sent(tmp_path: Path, server: Server) -> None:
    sent: list[bytes] = []

    async def main() -> None:
        async with listening(server.url, record_to=tmp_path / "streams") as heard:
            for connection, how in enumerate(("polite", "rude", "gone")):
                start = len(heard.events)
                await asyncio.to_thread(server.accept)
                sent.append(b"\r\n")
                server.send(sent[-1])
                for n in range(100):
                    sent.append(line(1000 * connection + n))
                    server.send(sent[-1])
                await until(lambda: received(tmp_path / "streams") == b"".join(sent))
                server.drop(rudely=how == "rude")
                if how == "gone":
                    server.close()
                _, lost = await heard.wait("link", start, state="lost")
                assert server.url in lost["why"]
            await asyncio.sleep(0.3)
            assert heard.links == ["opened", "lost", "back", "lost", "back", "lost"]
            start = len(heard.events)
            server.open()
            await asyncio.to_thread(server.accept)
            sent.append(b"\r\n" + line(7))
            server.send(sent[-1])
            await heard.wait("reading", start, counts=7)
            assert len(heard.of("reading")) == 301

    asyncio.run(main())
    assert received(tmp_path / "streams") == b"".join(sent)


def test_a_socket_nobody_listens_on_is_lost_from_the_start_and_tried_on(server: Server) -> None:
    server.close()

    async def main() -> None:
        async with listening(server.url) as heard:
            _, lost = await heard.wait("link", state="lost")
            assert "does not answer" in lost["why"]
            assert heard.station.failure is None
            server.open()
            await asyncio.to_thread(server.accept)
            await heard.wait("link", state="back")

    asyncio.run(main())


def test_a_socket_by_its_numeric_address_in_brackets() -> None:
    try:
        s = Server(socket.AF_INET6)
    except OSError:
        pytest.skip("this machine has no IPv6 loopback")

    async def main() -> None:
        async with listening(s.url) as heard:
            await asyncio.to_thread(s.accept)
            s.send(b"\r\n" + line(5))
            await heard.wait("reading", counts=5)

    try:
        asyncio.run(main())
    finally:
        s.end()


# RFC 2217


class _Terminal(serial.Serial):
    """A pseudo-terminal as a port: it has no modem lines, so they stand."""

    cts = dsr = True
    ri = cd = False

    def _update_dtr_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass


class Rfc2217Server:
    """A serial port offered over the network as RFC 2217 says."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = _Terminal(os.ttyname(self._slave), timeout=0)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._stop = threading.Event()
        self._drop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="rfc2217-server")
        self._thread.start()

    def indicator_sends(self, data: bytes) -> None:
        """Bytes on the serial side."""
        os.write(self._master, data)

    def indicator_got(self) -> bytes:
        """Bytes that reached the serial side."""
        return os.read(self._master, 4096) if select.select([self._master], [], [], 0)[0] else b""

    def drop(self) -> None:
        """Close the connection, stay open for the next."""
        self._drop.set()

    def _serve(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._listener.accept()
            except OSError:
                continue
            with client:
                self._talk(client)
            self._drop.clear()

    def _talk(self, client: socket.socket) -> None:
        lock = threading.Lock()

        class Connection:
            def write(self, data: bytes) -> None:
                with lock:
                    client.sendall(data)

        manager = rfc2217.PortManager(self.port, Connection())
        while not (self._stop.is_set() or self._drop.is_set()):
            ready, _, _ = select.select([client, self.port.fileno()], [], [], 0.05)
            if client in ready:
                with suppress(OSError):
                    data = client.recv(1024)
                    if not data:
                        return
                    self.port.write(b"".join(manager.filter(data)))
            if self.port.fileno() in ready:
                data = self.port.read(1024)
                if data:
                    Connection().write(b"".join(manager.escape(data)))

    def close(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join(LONG_S)
        self._listener.close()
        self.port.close()
        os.close(self._master)
        os.close(self._slave)


@pytest.fixture
def rfc_server() -> Iterator[Rfc2217Server]:
    """A running server."""
    s = Rfc2217Server()
    try:
        yield s
    finally:
        s.close()


# A library we do not own still sets its thread up in the old way.
OLD_WAYS = ("ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning")


@pytest.mark.filterwarnings(*OLD_WAYS)
def test_a_port_behind_an_rfc_2217_server_is_set_up_read_and_read_again(
    tmp_path: Path, rfc_server: Rfc2217Server
) -> None:
    every_value = bytes(range(256))  # 255 is the escape of the protocol and must come through doubled and single again

    async def main() -> None:
        async with listening(rfc_server.url, record_to=tmp_path / "streams", baud=4800, stopbits=2) as heard:
            await heard.wait("link", state="opened")
            p = rfc_server.port
            # A pseudo-terminal takes no parity and no seven bits; speed and stop bits it does.
            assert (p.baudrate, p.parity, p.bytesize, p.stopbits) == (4800, "N", 8, 2)
            sent = b"\r\n" + b"".join(line(n) for n in range(100)) + every_value + b"\r\n"
            rfc_server.indicator_sends(sent)
            await until(lambda: received(tmp_path / "streams") == sent)
            await until(lambda: len(heard.of("reading")) >= 100)  # recorded first, told afterwards
            assert [r["counts"] for r in heard.of("reading")][:100] == list(range(100))
            start = len(heard.events)
            rfc_server.drop()
            await heard.wait("link", start, state="lost")
            await heard.wait("link", start, state="back")
            rfc_server.indicator_sends(b"\r\n" + line(478))
            await heard.wait("reading", start, counts=478)

    asyncio.run(main())


@pytest.mark.filterwarnings(*OLD_WAYS)
def test_an_indicator_behind_an_rfc_2217_server_can_be_asked(rfc_server: Rfc2217Server) -> None:
    def answer(n: int) -> None:
        if b"?\r" in rfc_server.indicator_got():
            rfc_server.indicator_sends(line(n))

    async def main() -> None:
        with every(0.01, answer):
            async with listening(rfc_server.url, poll="?\\r", interval=0.05) as heard:
                await until(lambda: len(heard.of("reading")) >= 5)

    asyncio.run(main())


@pytest.mark.filterwarnings(*OLD_WAYS)
def test_an_rfc_2217_server_that_is_not_there_is_tried_on() -> None:
    async def main(port: int) -> None:
        async with listening(f"rfc2217://127.0.0.1:{port}") as heard:
            _, lost = await heard.wait("link", state="lost")
            # Once, and without the number that only a programmer knows.
            assert lost["why"] == f"rfc2217://127.0.0.1:{port} does not answer (Connection refused)"
            assert heard.station.failure is None

    with ReservedPort() as port:
        asyncio.run(main(port))


# replay


def recording(path: Path, lines: int = 10, period: float = 0.05) -> Path:
    """A recording with a mark and a loss in it."""
    w = StreamWriter(path, "serial:indicator", PROFILE.table, "2026-03-02T09:14:05Z")
    w.link(0.0, "opened")
    w.rx(0.0, b"\r\n")
    for n in range(lines):
        w.rx((n + 1) * period, line(n))
    w.mark(lines * period, "reseat")
    w.link(lines * period, "lost", "unplugged")
    w.link((lines + 2) * period, "back")
    w.rx((lines + 3) * period, b"\r\n" + line(lines))
    w.close()
    return path


def run(source: ReplaySource | TypedSource) -> tuple[Kept, float]:
    """Everything a source gives, and when it began."""
    kept = Kept()
    begin = time.monotonic()
    source.run(kept, Clock(), threading.Event())
    return kept, begin


def test_replay_as_fast_as_possible_gives_every_record_with_its_own_time(tmp_path: Path) -> None:
    path = recording(tmp_path / "stream.jsonl", 200, 1.0)
    source = ReplaySource(path, speed=0)
    kept, begin = run(source)
    assert source.finished
    assert kept.at[-1] - begin < 203.0, "what the recording lasts"
    assert kept.got[:3] == [("link", 0.0, "opened"), ("chunk", 0.0, b"\r\n"), ("chunk", 1.0, line(0))]
    assert kept.got[-4:] == [
        ("mark", 200.0, "reseat"),
        ("link", 200.0, "lost"),
        ("link", 202.0, "back"),
        ("chunk", 203.0, b"\r\n" + line(200)),
    ]
    assert b"".join(w for k, _, w in kept.got if isinstance(w, bytes)) == b"\r\n" + b"".join(
        line(n) if n < 200 else b"\r\n" + line(n) for n in range(201)
    )


@pytest.mark.parametrize("speed", [1.0, 4.0])
def test_replay_in_real_time_keeps_the_intervals(tmp_path: Path, speed: float) -> None:
    kept, begin = run(ReplaySource(recording(tmp_path / "stream.jsonl", 20, 0.05), speed=speed))
    for (_, t, _), at in zip(kept.got, kept.at, strict=True):
        assert at - begin >= t / speed - 0.02, "never too soon; how late depends on the machine"


def test_replay_stops_when_told(tmp_path: Path) -> None:
    path = recording(tmp_path / "stream.jsonl", 3, 1000.0)
    stop = threading.Event()
    # Told while it waits for the next piece, which is due a quarter of an hour later.
    kept = Kept(enough=lambda got: threading.Timer(0.1, stop.set).start() if len(got) == 2 else None)
    source = ReplaySource(path)
    source.run(kept, Clock(), stop)
    assert not source.finished
    assert kept.got == [("link", 0.0, "opened"), ("chunk", 0.0, b"\r\n")]


def test_replay_tolerates_a_torn_end_and_refuses_another_file(tmp_path: Path) -> None:
    path = recording(tmp_path / "stream.jsonl")
    with open(path, "ab") as f:
        f.write(b'{"t":0.9,"rx":"+00')
    source = ReplaySource(path, speed=0)
    kept, _ = run(source)
    assert source.finished
    assert len([1 for k, _, _ in kept.got if k == "chunk"]) == 12
    for name in ("absent.jsonl", ""):
        with pytest.raises(StreamFormatError):
            ReplaySource(tmp_path / name)
    (tmp_path / "old.jsonl").write_text(f'{{"format":"{FORMAT[:-1]}9","profile":{{}}}}\n', "utf-8")
    with pytest.raises(StreamFormatError, match="stream/9"):
        open_source(f"replay:{tmp_path / 'old.jsonl'}", PROFILE)


def test_a_station_on_a_replay_says_when_it_has_ended_and_nothing_after(tmp_path: Path) -> None:
    path = recording(tmp_path / "stream.jsonl", 10, 0.02)

    async def main() -> None:
        async with listening(f"replay:{path}", record_to=tmp_path / "streams") as heard:
            await heard.wait("end")
            await asyncio.sleep(0.5)  # longer than the silence that counts as none
            assert [e["counts"] for e in heard.of("reading")] == list(range(11))
            assert [e["mark"] for e in heard.of("mark")] == ["reseat"]
            assert heard.links == ["opened", "lost", "back"]
            kinds = [e["event"] for _, e in heard.events]
            assert "link" not in kinds[kinds.index("end") :]
            assert not heard.station.running
            assert heard.station.failure is None

    asyncio.run(main())


def test_a_replay_with_a_damaged_line_ends_in_a_failure_that_names_it(tmp_path: Path) -> None:
    path = recording(tmp_path / "stream.jsonl", 3, 0.001)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[:4], b"oops\n", *lines[4:]]))

    async def main() -> None:
        async with listening(f"replay:{path}") as heard:
            _, failure = await heard.wait("failure")
            assert f"{path}, line 5" in failure["why"]
            assert [e["counts"] for e in heard.of("reading")] == [0]

    asyncio.run(main())


# typed


@pytest.mark.parametrize(
    ("text", "counts"),
    [
        ("0.478\n0.479\n", [478, 479]),
        ("+0,478\r\n", [478]),
        ("0.478\n0.479", [478, 479]),  # the last line without its end
        ("0\n5\n", [0, 5000]),  # a whole number first is no cut line: it was typed
        ("-0.478\n", [-478]),
        ("−0.478\n", [-478]),  # the minus sign of print, as the page shows it
        ("–0.478\n", [-478]),  # a dash, as a spreadsheet makes it
        ("\n\n0.478\n\n", [478]),
        ("", []),
    ],
)
def test_typed_lines_are_readings(text: str, counts: list[int]) -> None:
    source = TypedSource(io.StringIO(text))
    kept, _ = run(source)
    assert source.finished
    assert kept.got[0][::2] == ("link", "opened")
    values = kept.values()
    assert [v.counts for v in values if isinstance(v, Frame)] == counts
    assert all(isinstance(v, Frame) for v in values)


@pytest.mark.parametrize("text", ["zero\n", "Ⅷ0.478\n", "≈0.478\n", "0.4.7\n"])
def test_a_typed_line_that_is_no_reading_is_reported(text: str) -> None:
    kept, _ = run(TypedSource(io.StringIO(text)))
    (value,) = kept.values()
    assert isinstance(value, Damaged)
    assert not value.first_after_open


def test_typed_lines_come_as_they_are_finished() -> None:
    there, here = os.pipe()
    kept = Kept()
    with os.fdopen(there, encoding="utf-8") as file, os.fdopen(here, "w", encoding="utf-8") as hand:
        thread = threading.Thread(target=TypedSource(file).run, args=(kept, Clock(), threading.Event()))
        thread.start()
        for n in range(3):
            hand.write(f"0.00{n}\n")
            hand.flush()
            end = time.monotonic() + LONG_S
            while len(kept.values()) <= n and time.monotonic() < end:
                time.sleep(0.005)
            assert [v.counts for v in kept.values() if isinstance(v, Frame)] == list(range(n + 1))
        hand.close()
        thread.join(LONG_S)
        assert not thread.is_alive()
