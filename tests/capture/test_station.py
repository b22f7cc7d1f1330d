"""The live whole under faults: times, silence, clocks, disks, and programs that go wrong."""

from __future__ import annotations

import asyncio
import itertools
import json
import signal
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from capture import running_set as set_module
from capture.analyse import replay_into
from capture.clock import Clock, StepWatch
from capture.errors import CaptureError, SourceError
from capture.profiles import load_profile
from capture.rawstream import Link, Rx, StreamWriter, read_header, read_records
from capture.rawstream import writer as writer_module
from capture.silence import Silence
from capture.sources.contract import Sink, Source
from capture.station import Station
from tests.capture.fake_time import Cable, FakeClock, Watched, World
from tests.capture.faulty_disk import FaultyDisk
from tests.capture.live import LONG_S, line, listening, stream_files, until, until_blocking
from web.cli import listen as listen_module

PROFILE = load_profile({"use": "text-line", "rate": 10})
END = b"\r\n"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[tuple[World, Cable, Watched]]:
    """A station on a cable in fake time."""
    world = World(FakeClock(), 30.0)
    cable = Cable(world)
    station = Watched(cable, profile=PROFILE, record_to=tmp_path / "streams", clock=world.clock)
    yield world, cable, station
    station.close()


def sending(world: World, cable: Cable, begin: float, end: float, period: float = 0.1) -> list[float]:
    """An indicator that sends its readings; when each was sent, by number."""
    times: list[float] = []
    for k in range(round((end - begin) / period)):
        t = begin + k * period
        times.append(t)
        world.at(t, lambda k=k: cable.send(line(k)))  # type: ignore[misc]
    return times


# times


class Waiting(Source):
    """Stamps a chunk, then is held up before it hands it over, as by a lock."""

    name = "waiting"

    def __init__(self) -> None:
        self.stamped, self.go = threading.Event(), threading.Event()
        self.last = 0.0

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        sink.link(clock.now(), "opened")
        sink.chunk(clock.now(), END + line(1))
        stop.wait(0.3)
        t = clock.now()
        self.stamped.set()
        self.go.wait(LONG_S)
        sink.chunk(t, line(2))
        self.last = clock.now()
        sink.chunk(self.last, line(3))
        stop.wait()


def test_a_chunk_stamped_before_a_new_set_comes_first_in_it_and_not_with_the_old_sets_time(tmp_path: Path) -> None:
    async def main() -> tuple[float, float]:
        source = Waiting()
        async with listening(source, record_to=tmp_path) as heard:
            await until(source.stamped.is_set)
            clock = heard.station._clock
            before = clock.now()
            heard.station.new_set()
            after = clock.now()
            source.go.set()
            await heard.wait("reading", counts=3)
            return source.last - after, source.last - before

    least, most = asyncio.run(main())
    times = [r.t for r in read_records(stream_files(tmp_path)[1]) if isinstance(r, Rx)]
    # The old set's time was 0.3 s more.
    assert times[0] == 0.0
    assert max(0.0, least - 1e-5) <= times[1] <= most + 1e-5


# silence


@pytest.mark.parametrize("period", [0.1, 0.25, 1.0])
def test_silence_is_told_within_two_periods_of_the_last_reading_and_not_sooner_than_a_late_one(
    made: tuple[World, Cable, Watched], period: float
) -> None:
    world, cable, station = made
    world.at(0.05, lambda: cable.send(END))
    times = sending(world, cable, 0.1, 15.0, period)
    station.run_to_the_end(world)
    stale = [(at, why) for at, state, why in station.links() if state == "stale" and at > 5]
    assert len(stale) == 1
    assert 1.5 * period < stale[0][0] - times[-1] <= 2 * period
    assert "no reading for" in stale[0][1]
    assert station.counters.gaps >= 1


def test_an_indicator_that_never_says_anything_is_told_after_a_while(made: tuple[World, Cable, Watched]) -> None:
    world, _, station = made
    station.run_to_the_end(world)
    assert [(s, w) for _, s, w in station.links()] == [
        ("opened", ""),
        ("stale", "no reading in 3.0 s since it was opened"),
    ]


def test_silence_by_itself() -> None:
    s = Silence(0.5)
    assert s.due is None
    s.opened(1.0)
    assert s.due == 4.0
    assert s.heard(2.0) is False
    assert s.due == pytest.approx(2.9)
    assert s.told(2.8) is None
    assert s.told(3.1) == "no reading for 1.1 s"
    assert s.told(9.0) is None
    assert s.heard(9.5) is True
    s.lost()
    assert s.told(99.0) is None
    quick = Silence(0.001)
    quick.heard(0.0)
    assert quick.due == 0.15


def test_the_period_is_the_one_seen_bunches_and_long_pauses_left_out() -> None:
    s = Silence(10.0)
    t = 0.0
    for n in range(40):
        t += 3.0 if n % 10 == 9 else 0.2
        for _ in range(5):  # five at one moment
            s.heard(t)
    assert s.period_s == pytest.approx(0.2)


# the computer's clock


@pytest.mark.parametrize("step", [3600.0, -3600.0, 1.5])
def test_a_clock_that_is_set_is_noted_and_changes_no_time(
    made: tuple[World, Cable, Watched], tmp_path: Path, step: float
) -> None:
    world, cable, station = made
    world.at(0.05, lambda: cable.send(END))
    sending(world, cable, 0.1, 29.0)
    world.at(10.0, lambda: setattr(world.clock, "wall_zero", world.clock.wall_zero + step))
    station.run_to_the_end(world)
    assert station.counters.clock_steps == 1
    (told,) = [e for _, e in station.events if e["event"] == "clock"]
    assert told["step_s"] == step
    station.close()
    (path,) = stream_files(tmp_path / "streams")
    (noted,) = [x for x in map(json.loads, path.read_text("utf-8").splitlines()) if "wall" in x]
    assert noted["step_s"] == step
    times = [r.t for r in read_records(path) if isinstance(r, Rx)]
    assert all(0 < b - a < 0.2 for a, b in itertools.pairwise(times))


def test_a_clock_that_is_corrected_slowly_takes_no_step() -> None:
    clock = FakeClock()
    watch = StepWatch(clock)
    for _ in range(10_000):
        clock.t += 0.05
        clock.wall_zero += 0.0005
        assert watch.step() is None


# the disk


def test_a_full_disk_is_on_the_page_at_once_and_gone_when_there_is_room(
    made: tuple[World, Cable, Watched], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = FaultyDisk(how="full", only="write")
    monkeypatch.setattr(writer_module, "SYNC_S", 1e6)
    monkeypatch.setattr(set_module, "StreamWriter", lambda *a, **k: StreamWriter(*a, disk=disk, **k))
    world = World(FakeClock(), 20.0)
    cable = Cable(world)
    station = Watched(cable, profile=PROFILE, record_to=tmp_path / "other", clock=world.clock)
    world.at(0.05, lambda: cable.send(END))
    sending(world, cable, 0.1, 19.0)
    safe: list[int] = []

    def fill() -> None:
        disk.first, disk.count = disk.done, 10**9

    def look() -> None:
        safe.append(station.state()["recorded"]["safe_lines"])
        writer = station._set.writer
        assert writer is not None
        writer.sync()

    world.at(5.0, fill)
    world.at(10.0, lambda: setattr(disk, "count", 0))
    for k in range(40):
        world.at(0.5 * k, look)
    station.run_to_the_end(world)
    station.close()
    failures = [(at, e["why"]) for at, e in station.events if e["event"] == "failure"]
    assert 5.0 <= failures[0][0] <= 5.2
    assert "Make room" in failures[0][1]
    assert 10.0 <= failures[-1][0] <= 10.6
    assert failures[-1][1] == ""
    assert len(failures) == 2
    assert safe[12] == safe[18]  # from 6 s to 9 s nothing is acknowledged
    assert safe[30] > safe[18] + 40
    assert station.failure is None
    (path,) = stream_files(tmp_path / "other")
    assert b"".join(r.data for r in read_records(path) if isinstance(r, Rx)) == b"".join(d for _, d in cable.read)


def test_a_new_set_that_cannot_be_recorded_is_not_begun(tmp_path: Path) -> None:
    async def main() -> None:
        source = Waiting()
        source.go.set()
        async with listening(source, record_to=tmp_path / "streams") as heard:
            await heard.wait("reading", counts=3)
            heard.station._maker.folder = tmp_path / "streams" / "20"
            (tmp_path / "streams" / "20").write_text("in the way", "utf-8")
            with pytest.raises(CaptureError):
                heard.station.new_set()
            _, failure = await heard.wait("failure")
            assert "the old one goes on" in failure["why"]
            assert heard.station.sets == 1
            assert heard.station.state()["failure"] == failure["why"]

    asyncio.run(main())


def test_a_mark_is_safe_when_it_is_answered_and_holds_up_no_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = threading.Event()
    busy = threading.Event()

    class Slow(FaultyDisk):
        def sync(self, fd: int) -> None:
            if slow.is_set():
                busy.set()
                until_blocking(lambda: not slow.is_set())
            super().sync(fd)

    disk = Slow()
    monkeypatch.setattr(set_module, "StreamWriter", lambda *a, **k: StreamWriter(*a, disk=disk, **k))

    async def main() -> None:
        source = Speaking("serial:first", 1)
        async with listening(source, record_to=tmp_path, rate=50) as heard:
            await heard.wait("reading", counts=3)
            slow.set()
            marked = asyncio.create_task(asyncio.to_thread(heard.station.mark_now, "reseat"))
            await until(busy.is_set)
            before = source._next
            await heard.wait("reading", counts=before + 20)
            assert not marked.done(), "not before it is on the disk"
            slow.clear()
            await marked
            writer = heard.station._set.writer
            assert writer is not None
            (path,) = stream_files(tmp_path)
            at = [b'"mark":"reseat"' in x for x in path.read_bytes().splitlines()].index(True)
            assert writer.synced_lines > at

    asyncio.run(main())


# another indicator


class Speaking(Source):
    """Sends one line after another, and one more while it is being stopped."""

    def __init__(self, name: str, first: int, unit: str = "") -> None:
        self.name, self._next, self._unit = name, first, unit
        self.gave: list[bytes] = []

    def _say(self, sink: Sink, clock: Clock, data: bytes) -> None:
        self.gave.append(data)
        sink.chunk(clock.now(), data)

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        sink.link(clock.now(), "opened")
        self._say(sink, clock, END)
        while True:
            ending = stop.wait(0.01)
            self._say(sink, clock, line(self._next))
            self._next += 1
            if ending:
                # Half a line, as when a cable is let go: it belongs to the old recording and to no reading.
                self._say(sink, clock, b"+00")
                return


def test_another_indicator_is_listened_to_and_nothing_of_either_is_lost(tmp_path: Path) -> None:
    first, second = Speaking("serial:first", 1), Speaking("serial:second", 5001)
    inches = load_profile({"use": "text-line", "unit": "in", "resolution": 0.001, "rate": 50})

    async def main() -> None:
        async with listening(first, record_to=tmp_path, rate=50) as heard:
            station = heard.station
            await heard.wait("reading", counts=20)
            await asyncio.to_thread(station.listen_to, second, inches)
            await heard.wait("set", n=2)
            await heard.wait("reading", counts=5020, unit="in")
            state = station.state()
            assert (state["source"], state["set"]) == ("serial:second", 2)
            assert state["link"]["state"] in ("opened", "stale", "back"), "a busy machine may be late with a reading"
            assert state["counters"]["opens"] == 1, "counted anew"
            assert 20 <= state["counters"]["readings"] < 5000
            assert [t for t, _ in state["trace"]] == sorted(t for t, _ in state["trace"])
            assert all(v >= 5.0 * 25.4 for _, v in state["trace"]), "nothing of the old indicator"
            # And back: the same source with another profile is an indicator like any other.
            again = Speaking("serial:second", 9001)
            await asyncio.to_thread(station.listen_to, again, PROFILE)
            await heard.wait("reading", counts=9003, unit="mm")
            order = [e["n"] if e["event"] == "set" else e["counts"] for e in heard.all("set", "reading")]
            assert all(c < 5000 for c in order[: order.index(2)])
            assert all(5001 <= c < 9000 for c in order[order.index(2) + 1 : order.index(3)])
            assert station.failure is None

    asyncio.run(main())
    streams = sorted(tmp_path.glob("*/stream.jsonl"), key=lambda p: p.parent.name[-3:])
    assert len(streams) == 3
    for path, source in zip(streams[:2], (first, second), strict=True):
        found = list(read_records(path))
        assert [r.data for r in found if isinstance(r, Rx)] == source.gave, "the last bytes too, and in order"
        assert path.with_name("stream.jsonl.sha256").exists(), "closed"
        assert read_header(path).source == source.name
    assert read_header(streams[1]).profile["unit"] == "in"
    assert replay_into(streams[0]).result()["readings"] == len(first.gave) - 2
    assert replay_into(streams[1]).result()["readings"] == len(second.gave) - 2


def test_another_indicator_that_cannot_be_recorded_is_not_listened_to(tmp_path: Path) -> None:
    first, second = Speaking("serial:first", 1), Speaking("serial:second", 5001)

    async def main() -> None:
        async with listening(first, record_to=tmp_path / "streams", rate=50) as heard:
            station = heard.station
            await heard.wait("reading", counts=3)
            station._maker.folder = tmp_path / "streams" / "20"
            (tmp_path / "streams" / "20").write_text("in the way", "utf-8")
            with pytest.raises(CaptureError):
                await asyncio.to_thread(station.listen_to, second, PROFILE)
            assert "the old one goes on" in str(station.failure)
            now = first.gave[-1]
            await until(lambda: first.gave[-1] != now)
            assert (station.sets, station.state()["source"], second.gave) == (1, "serial:first", [])

    asyncio.run(main())


def test_a_source_that_never_lets_go_is_left_and_its_late_bytes_are_in_no_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("capture.station.live.END_S", 0.1)
    stuck, second = Waiting(), Speaking("serial:second", 5001)

    async def main() -> None:
        async with listening(stuck, record_to=tmp_path, rate=50) as heard:
            await heard.wait("reading", counts=1)
            await until(stuck.stamped.is_set)
            old = heard.station._listening
            await asyncio.to_thread(heard.station.listen_to, second, PROFILE)
            assert "waiting did not let go within" in caplog.text
            await heard.wait("reading", counts=5003)
            stuck.go.set()
            await until(lambda: not old.running)
            await heard.wait("reading", counts=second._next + 2)
            assert {e["counts"] for e in heard.of("reading")}.isdisjoint({2, 3})

    asyncio.run(main())
    recorded = [r.data for p in stream_files(tmp_path) for r in read_records(p) if isinstance(r, Rx)]
    assert line(2) not in recorded


def test_a_station_that_was_stopped_listens_to_nothing_further(tmp_path: Path) -> None:
    async def main() -> Station:
        async with listening(Speaking("serial:first", 1), record_to=tmp_path) as heard:
            await heard.wait("reading", counts=3)
        return heard.station

    station = asyncio.run(main())
    second = Speaking("serial:second", 5001)
    with pytest.raises(CaptureError, match="is stopping"):
        station.listen_to(second, PROFILE)
    with pytest.raises(CaptureError, match="is stopping"):
        station.new_set()
    assert (second.gave, len(stream_files(tmp_path))) == ([], 1)


# programs that go wrong


class Failing(Source):
    """Reads a little and breaks."""

    name = "failing"

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        sink.link(clock.now(), "opened")
        sink.chunk(clock.now(), END + line(1))
        raise ZeroDivisionError("three by nought")


def test_a_source_that_breaks_is_told_and_what_came_is_recorded(tmp_path: Path) -> None:
    async def main() -> None:
        async with listening(Failing(), record_to=tmp_path) as heard:
            _, failure = await heard.wait("failure")
            assert "ZeroDivisionError: three by nought" in failure["why"]
            assert "Start it again" in failure["why"]
            await until(lambda: not heard.station.running)
            assert heard.station.state()["failure"] == failure["why"]

    asyncio.run(main())
    (path,) = stream_files(tmp_path)
    assert [r.data for r in read_records(path) if isinstance(r, Rx)] == [END + line(1)]
    assert path.with_name("stream.jsonl.sha256").exists()


def test_bytes_that_break_the_reading_of_them_are_recorded_all_the_same(
    made: tuple[World, Cable, Watched], tmp_path: Path
) -> None:
    world, cable, station = made
    world.at(0.05, lambda: cable.send(END))
    sending(world, cable, 0.1, 29.0)

    def broken(t: float, data: bytes) -> None:
        raise KeyError("unforeseen")

    world.at(10.0, lambda: setattr(station._set.pipe, "chunk", broken))
    world.at(20.0, station.new_set)
    station.run_to_the_end(world)
    told = [(at, e["why"]) for at, e in station.events if e["event"] == "failure"]
    assert len(told) == 1
    assert 10.0 <= told[0][0] < 10.2
    assert "KeyError" in told[0][1]
    assert station.failure is None  # with the new set it works again
    first, second = stream_files(tmp_path / "streams")
    station.close()
    both = b"".join(r.data for p in (first, second) for r in read_records(p) if isinstance(r, Rx))
    assert both == b"".join(d for _, d in cable.read)
    assert replay_into(first).result()["readings"] == pytest.approx(199, abs=2)


def test_a_reason_that_changes_is_told_and_one_that_stays_is_told_once(
    made: tuple[World, Cable, Watched], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG", "shimwright.link")
    world, cable, station = made
    world.at(0.05, lambda: cable.send(END))
    sending(world, cable, 0.1, 5.0)
    world.at(5.0, lambda: setattr(cable, "plugged", False))
    world.at(10.0, lambda: (setattr(cable, "held", True), setattr(cable, "plugged", True)))
    world.at(20.0, lambda: setattr(cable, "plugged", False))
    world.at(25.0, lambda: (setattr(cable, "held", False), setattr(cable, "plugged", True)))
    station.run_to_the_end(world)
    told = [(at, s, w) for at, s, w in station.links() if s != "stale"]
    assert [(s, w.partition(":")[0].partition(" (")[0][:20]) for _, s, w in told] == [
        ("opened", ""),
        ("lost", "indicator unplugged"),
        ("lost", "indicator is in use "),
        ("lost", "no such port"),
        ("back", ""),
    ]
    assert told[1][0] - 5.0 <= 1.0
    assert told[2][0] - 10.0 <= 2.5
    assert told[4][0] - 25.0 <= 0.3  # the port that came cut the wait short
    warnings = [r for r in caplog.records if r.levelname == "WARNING"]
    assert len(warnings) == 3
    assert len([r for r in caplog.records if r.levelname == "DEBUG"]) > 10
    counters = station.counters.as_dict()
    assert (counters["opens"], counters["losses"], counters["gaps"]) == (2, 1, 2)
    assert counters["readings"] == 49
    assert counters["bytes"] == sum(len(d) for _, d in cable.read)


def test_a_port_that_cannot_be_had_from_the_start_is_a_failure(made: tuple[World, Cable, Watched]) -> None:
    world, cable, station = made
    cable.held = True
    station.run_to_the_end(world)
    assert station.failure is not None
    assert "in use" in station.failure
    assert world.clock.t < 1.0


# listen


class Ending(Source):
    """Gives two readings and ends as told."""

    name = "ending"

    def __init__(self, how: Exception | None) -> None:
        self._how = how

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        sink.link(clock.now(), "opened")
        sink.chunk(clock.now(), END + line(1) + line(2))
        if self._how is not None:
            raise self._how
        self.finished = True


@pytest.fixture
def handlers() -> Iterator[None]:
    """Signal handlers as they were."""
    kept = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    yield
    for n, h in kept.items():
        signal.signal(n, h)


@pytest.mark.usefixtures("handlers")
@pytest.mark.parametrize(
    ("how", "words"),
    [
        (ZeroDivisionError("three by nought"), "ZeroDivisionError: three by nought"),
        (SourceError("in use by nobody"), "in use by nobody"),
        (MemoryError(), "MemoryError"),
    ],
)
def test_listen_ends_loudly_when_its_source_breaks_and_closes_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], how: Exception, words: str
) -> None:
    monkeypatch.setattr(listen_module, "open_source", lambda *_: Ending(how))
    with pytest.raises(CaptureError) as e:
        listen_module.listen_command([("serial:x", {"use": "text-line"})], tmp_path)
    assert words in str(e.value)
    printed = [json.loads(x) for x in capsys.readouterr().out.splitlines()]
    assert [x["counts"] for x in printed if "counts" in x] == [1, 2]
    (path,) = stream_files(tmp_path)
    assert [r.data for r in read_records(path) if isinstance(r, Rx)] == [END + line(1) + line(2)]
    assert path.with_name("stream.jsonl.sha256").exists()


@pytest.mark.usefixtures("handlers")
def test_listen_says_that_the_disk_is_full_and_ends_with_the_loss(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    disk = FaultyDisk(4, 10**6, "full", "write")  # header, link and two more lines go through

    def full(*a: Any, **k: Any) -> StreamWriter:
        return StreamWriter(*a, disk=disk, **k)

    class Long(Ending):
        def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
            sink.link(clock.now(), "opened")
            sink.chunk(clock.now(), END)
            for n in range(10):
                sink.chunk(clock.now(), line(n))
            self.finished = True

    monkeypatch.setattr(listen_module, "StreamWriter", full)
    monkeypatch.setattr(listen_module, "open_source", lambda *_: Long(None))
    with pytest.raises(CaptureError, match=r"not whole: \d+ lines could not be put on the disk"):
        listen_module.listen_command([("serial:x", {"use": "text-line"})], tmp_path)
    printed = [json.loads(x) for x in capsys.readouterr().out.splitlines()]
    assert [x["counts"] for x in printed if "counts" in x] == list(range(10))
    assert any("Make room" in x.get("recording", "") for x in printed)


@pytest.mark.usefixtures("handlers")
def test_listening_twice_in_the_same_second_makes_two_recordings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(listen_module, "open_source", lambda *_: Ending(None))
    fixed = Clock()
    monkeypatch.setattr(listen_module, "Clock", lambda: fixed)
    for _ in range(3):
        assert listen_module.listen_command([("serial:x", {"use": "text-line"})], tmp_path) == 0
    capsys.readouterr()
    assert len(stream_files(tmp_path)) == 3


def test_a_station_made_and_never_started_leaves_a_closed_recording(tmp_path: Path) -> None:
    station = Station(Ending(None), profile=PROFILE, record_to=tmp_path)
    station.close()
    (path,) = stream_files(tmp_path)
    assert path.with_name("stream.jsonl.sha256").exists()
    assert [r for r in read_records(path) if isinstance(r, Link)] == []
