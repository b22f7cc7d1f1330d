"""Serial ports, over real pseudo-terminals: unplugged, held by another program, stalled, or no port at all."""

from __future__ import annotations

import asyncio
import os
import re
import select
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from capture.analyse import replay_into
from capture.errors import LinkLostError, SourceError
from capture.profiles import Profile, load_profile
from capture.rawstream import Link, Rx, read_records
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from capture.simulator.pty_bench import PtyBench
from capture.sources.contract import Reader
from capture.sources.serial_finding import find_port
from capture.sources.serial_port import SerialSource
from tests.capture.live import (
    LONG_S,
    every,
    line,
    listening,
    received,
    records,
    stream_files,
    until,
    until_blocking,
)

PROFILE = load_profile("text-line")
END = b"\r\n"
"""Sent first, it shows that the line after it is whole."""


# unplugged and plugged in again


@pytest.mark.parametrize("pattern", ["indicator", "indic*"], ids=["by name", "by pattern"])
def test_unplugged_is_noticed_and_the_next_plug_is_read(tmp_path: Path, bench: PtyBench, pattern: str) -> None:
    async def main() -> None:
        with every(0.05, lambda n: bench.write(line(n))):
            async with listening(f"serial:{tmp_path}/{pattern}", record_to=tmp_path / "streams") as heard:
                await until(lambda: len(heard.of("reading")) >= 3)
                before = os.path.realpath(bench.link)
                for outage in (0.2, 1.9):  # the longer one reaches the longest wait between attempts
                    start = len(heard.events)
                    bench.unplug()
                    _, event = await heard.wait("link", start, state="lost")
                    assert "unplugged" in event["why"]
                    await asyncio.sleep(outage)
                    if pattern != "indicator":
                        bench.link = tmp_path / f"indicator{outage}"
                    start = len(heard.events)
                    bench.replug(other_than=before)
                    assert os.path.realpath(bench.link) != before
                    before = os.path.realpath(bench.link)
                    await heard.wait("reading", start)
                assert heard.links == ["opened", "lost", "back", "lost", "back"]
                assert heard.station.state()["link"]["state"] in ("back", "stale")

    asyncio.run(main())
    states = [r.state for r in records(tmp_path / "streams") if isinstance(r, Link) and r.state != "stale"]
    assert [s for s in states if s != "back"] == ["opened", "lost", "lost"]


def test_a_port_that_comes_later_is_waited_for(tmp_path: Path, bench: PtyBench) -> None:
    bench.unplug()

    async def main() -> None:
        async with listening(f"serial:{bench.link}") as heard:
            _, event = await heard.wait("link", state="lost")
            assert event["why"] == f"no such port: {bench.link}"
            start = len(heard.events)
            bench.replug()
            await heard.wait("link", start, state="back")
            bench.write(END + line(478))
            _, reading = await heard.wait("reading", start)
            assert reading["counts"] == 478

    asyncio.run(main())


# nothing lost, nothing doubled


def test_every_byte_sent_while_connected_is_recorded_once(tmp_path: Path, bench: PtyBench) -> None:
    every_value = bytes(range(256))

    async def main() -> list[bytes]:
        sent: list[bytes] = []
        async with listening(f"serial:{bench.link}", record_to=tmp_path / "streams") as heard:
            start = 0
            for connection in range(3):
                await heard.wait("link", start, state="back" if connection else "opened")
                pieces = [line(1000 * connection + n) for n in range(300)] + [every_value, every_value[::-1]]
                for piece in pieces:
                    assert await asyncio.to_thread(bench.write, piece)
                sent.append(b"".join(pieces))
                await until(lambda: len(received(tmp_path / "streams")) >= sum(map(len, sent)))
                start = len(heard.events)
                bench.unplug()
                await heard.wait("link", start, state="lost")
                bench.replug()
            await heard.wait("link", start, state="back")
        return sent

    sent = asyncio.run(main())
    assert received(tmp_path / "streams") == b"".join(sent)
    parts: list[bytes] = [b""]
    for r in records(tmp_path / "streams"):
        if isinstance(r, Link) and r.state == "lost":
            parts.append(b"")
        elif isinstance(r, Rx):
            parts[-1] += r.data
    assert parts == [*sent, b""]


class Noted(SerialSource):
    """Notes what each read of the port gave."""

    def __init__(self, target: str, profile: Profile) -> None:
        super().__init__(target, profile)
        self.gave: list[bytes] = []

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        with super().opened() as read:

            def noted() -> bytes:
                self.gave.append(read())
                return self.gave[-1]

            yield noted


def test_pulled_while_sending_all_that_was_read_is_recorded(tmp_path: Path, bench: PtyBench) -> None:
    """What the terminal had not handed over yet is gone with it; how much that is depends on how busy the machine is."""
    sent: list[bytes] = []
    source = Noted(str(bench.link), load_profile({"use": "text-line", "rate": 500.0}))

    def send(n: int) -> None:
        if bench.write(line(n)):
            sent.append(line(n))

    async def main() -> None:
        async with listening(source, record_to=tmp_path / "streams", rate=500.0) as heard:
            await heard.wait("link", state="opened")
            with every(0.002, send):
                await until(lambda: len(heard.of("reading")) >= 200)
                bench.unplug()
                await heard.wait("link", state="lost")

    asyncio.run(main())
    got = received(tmp_path / "streams")
    all_sent = b"".join(sent)
    assert all_sent.startswith(got) or got.startswith(all_sent)
    assert got == b"".join(source.gave)


# the event loop stalls


def test_a_stalled_event_loop_neither_loses_nor_re_times_readings(tmp_path: Path, bench: PtyBench) -> None:
    sent: list[int] = []

    def send(n: int) -> None:
        sent.append(n)
        assert bench.write(line(n))

    async def main() -> None:
        async with listening(f"serial:{bench.link}", record_to=tmp_path / "streams", rate=50.0) as heard:
            await heard.wait("link", state="opened")
            bench.write(END)
            with every(0.02, send):
                await until(lambda: len(heard.of("reading")) >= 10)
                before = len(heard.of("reading"))
                # The stall itself: the loop does nothing until forty more are recorded.
                until_blocking(lambda: received(tmp_path / "streams").count(b"\n") > before + 40)
                over = heard.station.now()
                await until(lambda: len(heard.of("reading")) >= before + 40)
            await until(lambda: len(heard.of("reading")) == len(sent))
            readings = heard.of("reading")
            assert [r["counts"] for r in readings] == list(range(len(sent)))
            assert readings[before + 39]["t"] <= over, "stamped when read, not when the loop came to it"
            assert not [e for e in heard.of("link") if e["state"] == "lost"]

    asyncio.run(main())
    stamps = [(r.t, r.data.count(b"\n")) for r in records(tmp_path / "streams") if isinstance(r, Rx)]
    assert sum(n for _, n in stamps) == len(sent) + 1
    assert [t for t, _ in stamps] == sorted(t for t, _ in stamps)


# silence


def test_a_line_that_a_pause_falls_into_is_whole_live_and_on_replay(tmp_path: Path, bench: PtyBench) -> None:
    async def main() -> list[int]:
        async with listening(f"serial:{bench.link}", record_to=tmp_path / "streams") as heard:
            await heard.wait("link", state="opened")
            bench.write(END + line(1) + b"+000.4")
            _, stale = await heard.wait("link", state="stale")
            assert re.search(r"no reading (for|in) \d", stale["why"])
            bench.write(b"78\r\n")
            await heard.wait("link", state="back")
            bench.write(line(12000))
            await heard.wait("reading", counts=12000)
            return [r["counts"] for r in heard.of("reading")]

    assert asyncio.run(main()) == [1, 478, 12000]
    (path,) = stream_files(tmp_path / "streams")
    assert replay_into(path).result()["readings"] == 3
    assert [r.state for r in read_records(path) if isinstance(r, Link)][:3] == ["opened", "stale", "back"]


@pytest.mark.parametrize("cut", [0, 5], ids=["between two lines", "in the middle of a line"])
def test_a_new_set_makes_no_reading_of_the_end_of_a_line_and_loses_no_whole_one(
    tmp_path: Path, bench: PtyBench, cut: int
) -> None:
    held, rest = line(12345)[:cut], line(12345)[cut:]
    first, second = END + line(1) + held, rest + line(2)

    async def main() -> list[int]:
        async with listening(f"serial:{bench.link}", record_to=tmp_path / "streams") as heard:
            await heard.wait("link", state="opened")
            bench.write(first)
            await until(lambda: received(tmp_path / "streams") == first)
            heard.station.new_set()
            start = len(heard.events)
            bench.write(second)
            await heard.wait("reading", start, counts=2)
            return [r["counts"] for r in heard.of("reading")]

    assert asyncio.run(main()) == ([1, 2] if cut else [1, 12345, 2])
    before, after = stream_files(tmp_path / "streams")
    assert b"".join(r.data for r in read_records(before) if isinstance(r, Rx)) == first
    assert b"".join(r.data for r in read_records(after) if isinstance(r, Rx)) == second
    assert [replay_into(p).result()["readings"] for p in (before, after)] == [1, 1 if cut else 2]
    assert min(r.t for r in read_records(after)) >= 0.0


def test_a_replay_of_what_was_recorded_gives_what_was_seen_live(tmp_path: Path, bench: PtyBench) -> None:
    scenario = replace(DEMO, seatings=2, sweeps=2, faults={}, reseat_s=0.8, rate=20.0)
    speed = 4.0

    async def main() -> dict[str, object]:
        async with listening(f"serial:{bench.link}", record_to=tmp_path / "streams", rate=20.0 * speed) as heard:
            await heard.wait("link", state="opened")
            loop = asyncio.get_running_loop()
            bench.write(END)
            bench._speed, bench.keep_sent = speed, True
            bench._tell = lambda e: loop.call_soon_threadsafe(heard.station.mark_now, e.kind)
            bench.start(simulate(scenario, 3)[0])
            await until(bench.finished.is_set, 3 * LONG_S)
            count = len(bench.sent)
            await until(lambda: len(heard.of("reading")) == count)
            await until(lambda: not heard.station._judge.busy)
        return heard.station._set.session.result()

    live = asyncio.run(main())
    assert live["readings"] == len(bench.sent)
    assert len(live["sweeps"]) >= 3  # type: ignore[arg-type]
    (path,) = stream_files(tmp_path / "streams")
    replayed = replay_into(path).result()
    # Times are written with six places; they move a fitted minimum by far less than a nanometre.
    assert replayed["readings"] == live["readings"]
    assert [(s["accepted"], s["seat"], s["reasons"]) for s in replayed["sweeps"]] == [  # type: ignore[attr-defined]
        (s["accepted"], s["seat"], s["reasons"])
        for s in live["sweeps"]  # type: ignore[attr-defined]
    ]
    for a, b in zip(replayed["sweeps"], live["sweeps"], strict=True):  # type: ignore[call-overload]
        assert a["minimum_mm"] == pytest.approx(b["minimum_mm"], abs=2e-6)


# ports that cannot be had


@contextmanager
def another_program(port: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process that holds the port open for itself."""
    code = "import serial, sys; s = serial.Serial(sys.argv[1], exclusive=True); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", code, port], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        try:
            yield process
        finally:
            assert process.stdin is not None
            process.stdin.close()
            process.wait(LONG_S)


def test_a_port_another_program_holds_is_refused_with_its_name(bench: PtyBench) -> None:
    async def main(pid: int) -> None:
        async with listening(f"serial:{bench.link}") as heard:
            _, event = await heard.wait("failure")
            assert event["why"] == heard.station.failure == heard.station.state()["failure"]
            assert f"{bench.link} is in use by " in event["why"]
            assert f"(process {pid})" in event["why"]
            assert "Close that program" in event["why"]
            await until(lambda: not heard.station.running)

    with another_program(str(bench.link)) as process:
        name = Path(f"/proc/{process.pid}/comm").read_text().strip()
        with pytest.raises(SourceError, match=rf"{name} \(process {process.pid}\)"), _opened(str(bench.link)):
            pass
        asyncio.run(main(process.pid))
    with _opened(str(bench.link)) as read:
        bench.write(b"free again")
        assert _bytes(read, 10) == b"free again"


def test_a_port_held_by_us_is_refused_to_others(bench: PtyBench) -> None:
    code = "import serial, sys; serial.Serial(sys.argv[1], exclusive=True)"
    with _opened(str(bench.link)):
        done = subprocess.run([sys.executable, "-c", code, str(bench.link)], capture_output=True, timeout=LONG_S)
    assert done.returncode != 0
    assert b"exclusively lock" in done.stderr


def test_a_port_held_elsewhere_after_a_loss_is_told_and_waited_for(
    bench: PtyBench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG", "shimwright.link")

    def refusals() -> list[str]:
        return [r.levelname for r in list(caplog.records) if "in use" in r.getMessage()]

    async def main() -> None:
        async with listening(f"serial:{bench.link}") as heard:
            await heard.wait("link", state="opened")
            bench.unplug()
            await heard.wait("link", state="lost")
            parked = bench.link
            bench.link = parked.with_name("elsewhere")
            bench.replug()
            start = len(heard.events)
            with another_program(str(bench.link)) as process:
                bench.link.rename(parked)
                bench.link = parked
                _, told = await heard.wait("link", start, state="lost")
                assert "is in use by " in told["why"]
                assert f"(process {process.pid})" in told["why"]
                # Attempts go on, and say nothing further.
                before = len(refusals())
                await until(lambda: len(refusals()) >= before + 2)
                assert heard.links == ["opened", "lost", "lost"]
                assert heard.station.failure is None
                assert heard.station.state()["link"]["why"] == told["why"]
            await heard.wait("link", start, state="back")
            assert heard.station.state()["counters"]["losses"] == 1
            assert heard.station.state()["counters"]["opens"] == 2

    asyncio.run(main())
    assert refusals().count("WARNING") == 1


@contextmanager
def _opened(port: str, **keys: object) -> Iterator[object]:
    with SerialSource(port, load_profile({"use": "text-line", **keys})).opened() as read:
        yield read


def _bytes(read: object, count: int) -> bytes:
    assert callable(read)
    out = b""
    end = time.monotonic() + LONG_S
    while len(out) < count and time.monotonic() < end:
        out += read()
    return out


def test_what_is_no_serial_port_is_refused(tmp_path: Path) -> None:
    plain = tmp_path / "file"
    plain.write_text("x", "utf-8")
    for name in (str(plain), "/dev/null", str(tmp_path)):
        with pytest.raises(SourceError) as e, _opened(name):
            pass
        assert str(e.value) == f"{name} is not a serial port."


def test_no_permission_names_the_group_to_join(bench: PtyBench) -> None:
    terminal = os.path.realpath(bench.link)
    os.chmod(terminal, 0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)  # nobody: the superuser may open anything
    try:
        with pytest.raises(SourceError) as e, _opened(terminal):
            pass
    finally:
        if root:
            os.seteuid(0)
    assert f"No permission to open {terminal}" in str(e.value)
    assert "group" in str(e.value)


def test_one_port_under_two_names_is_one_too_many(tmp_path: Path, bench: PtyBench) -> None:
    """The complaint named this program, or none, as another one that has the port; the first goes on."""
    (tmp_path / "again").symlink_to(os.path.realpath(bench.link))
    with _opened(str(bench.link)) as read:
        with pytest.raises(SourceError) as e, _opened(str(tmp_path / "again")):
            pass
        assert f"is listened to already, as serial:{bench.link}: serial:{tmp_path}/again is the same port" in str(
            e.value
        )
        bench.write(b"+000.478\r\n")
        assert b"+000.478" in _bytes(read, 10)
    with _opened(str(tmp_path / "again")):
        pass  # free again


def test_a_port_that_is_not_there_may_come(tmp_path: Path) -> None:
    with pytest.raises(LinkLostError, match="no such port"), _opened(str(tmp_path / "absent")):
        pass
    with pytest.raises(LinkLostError, match=r"no port fits .*absent\*"):
        find_port(str(tmp_path / "absent*"))


def test_a_pattern_that_two_ports_fit_is_refused_with_their_names(tmp_path: Path, bench: PtyBench) -> None:
    twin = PtyBench(tmp_path / "indicator2")
    try:
        with pytest.raises(SourceError) as e:
            find_port(str(tmp_path / "indicator*"))
        assert str(bench.link) in str(e.value)
        assert str(twin.link) in str(e.value)
        assert "Name one of them" in str(e.value)
        (tmp_path / "indicator3").symlink_to(os.path.realpath(bench.link))
        twin.unplug()
        assert find_port(str(tmp_path / "indicator*")) == str(bench.link)  # two names of one port are no choice
    finally:
        twin.stop()


def test_a_setting_the_port_cannot_do_is_told(bench: PtyBench) -> None:
    with pytest.raises((SourceError, LinkLostError)) as e, _opened(str(bench.link), baud=2**40):
        pass
    assert str(bench.link) in str(e.value)


# an indicator that speaks when asked


def test_an_indicator_that_must_be_asked_is_asked_at_its_interval(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    asked: list[int] = []
    stop = threading.Event()

    def device() -> None:
        held = b""
        while not stop.is_set():
            if select.select([master], [], [], 0.05)[0]:
                held += os.read(master, 100)
                while b"\r" in held:
                    question, _, held = held.partition(b"\r")
                    if question == b"?":
                        asked.append(1)
                        os.write(master, line(len(asked)))

    thread = threading.Thread(target=device)
    thread.start()

    async def main() -> tuple[list[int], int, float]:
        begin = time.monotonic()
        async with listening(f"serial:{os.ttyname(slave)}", poll="?\\r", interval=0.05) as heard:
            await until(lambda: len(heard.of("reading")) >= 10)
            return [r["counts"] for r in heard.of("reading")], len(asked), time.monotonic() - begin

    try:
        counts, questions, took = asyncio.run(main())
    finally:
        stop.set()
        thread.join(LONG_S)
        for fd in (master, slave):
            with suppress(OSError):
                os.close(fd)
    # The first answer may be what was left of an older one.
    assert counts == list(range(2, len(counts) + 2))
    assert questions <= took / 0.05 + 1, "no oftener than wanted, however late they are taken notice of"


def test_stopping_does_not_wait_for_a_silent_port(bench: PtyBench) -> None:
    async def main() -> None:
        async with listening(f"serial:{bench.link}") as heard:
            await heard.wait("link", state="opened")

    asyncio.run(main())
    until_blocking(lambda: not [t for t in threading.enumerate() if t.name == "source"])
