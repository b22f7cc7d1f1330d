"""A live capture and its evidence store: the rows are those of the raw stream, and no trouble of the store holds the capture up."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from analysis.session import Session
from analysis.setup import Setup
from capture.analyse import replay_into
from capture.errors import CaptureError
from capture.feeding import MOST_HELD, Feeding
from capture.pipeline import Pipeline
from capture.profiles import load_profile
from capture.rawstream import Link, Mark, Rx, StreamHeader, read_records, verify
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO, demo_setup, demo_setup_file
from capture.simulator.pty_bench import PtyBench
from capture.store import feed_worker, schema
from capture.store.database import Store
from capture.store.feed import StoreFeed
from tests.capture.fake_time import Cable, FakeClock, Watched, World
from tests.capture.live import LONG_S, Heard, every, line, listening, stream_files, until
from tests.capture.store_live import HEADER
from tests.capture.test_store_feed import STEP, Locked, Reading, same_as_rebuilt

SPEED = 10.0


@asynccontextmanager
async def captured(source: str, feed: StoreFeed, folder: Path, **more: Any) -> AsyncIterator[Heard]:
    """A station that feeds a store; both closed at the end, the store with everything in it."""
    try:
        async with listening(source, record_to=folder, feed=feed, **more) as heard:
            yield heard
    finally:
        whole = await asyncio.to_thread(feed.close, LONG_S)
    assert whole


def test_live_sets_on_a_terminal_end_in_the_store_as_rebuild_makes_them(tmp_path: Path) -> None:
    """Two sets with seatings, an unplugged cable, a damaged line, marks; set-up, states and results included."""
    events, _ = simulate(replace(DEMO, seatings=2, sweeps=6), 5)
    file, folder = tmp_path / "e.sqlite", tmp_path / "s"
    feed = StoreFeed(file, folder=folder)
    sessions: list[Session] = []

    async def main() -> None:
        loop = asyncio.get_running_loop()
        bench = PtyBench(
            tmp_path / "indicator",
            speed=SPEED,
            on_event=lambda e: loop.call_soon_threadsafe(station.mark_now, "reseat") if e.kind == "reseat" else None,
        )
        try:
            async with captured(
                f"serial:{bench.link}",
                feed,
                folder,
                rate=DEMO.rate * SPEED,
                setup=demo_setup(),
                setup_file=demo_setup_file(),
            ) as heard:
                station = heard.station
                await heard.wait("link", state="opened")
                bench.start(events)
                await until(bench.finished.is_set, 3 * LONG_S)
                bench.write(b"+00x.000\r\n")
                await until(lambda: station.counters.damaged == 1)
                start = len(heard.events)
                bench.unplug()
                await heard.wait("link", start, state="lost")
                bench.replug()
                await heard.wait("link", start, state="back")
                station.mark_now("note: Ölstand ✓")
                sessions.append(station._set.session)
                station.new_set()
                sessions.append(station._set.session)
                with every(0.02, lambda n: bench.write(line(n))):
                    await heard.wait("reading", len(heard.events), counts=30)
                station.mark_now("zero")
                store = station.state()["store"]
                assert store is not None
                assert store["failure"] is None
        finally:
            bench.stop()

    asyncio.run(main())
    first, second = sorted(stream_files(folder))
    for path in (first, second):
        assert path.with_name("setup.toml").read_bytes() == demo_setup_file()
        assert verify(path) == "same"
    kinds = [{type(r) for r in read_records(p)} for p in (first, second)]
    assert kinds == [{Rx, Mark, Link}, {Rx, Mark, Link}]
    with Store(file, make=False) as store:
        rows = store.streams()
        results = [store.result(r["id"]) for r in rows]
    assert [(r["state"], r["bad_frames"], r["note"]) for r in rows] == [("closed", 1, ""), ("closed", 0, "")]
    assert all(r["readings"] > 20 for r in rows)
    # What was found live is, to the last digit, what the recordings give.
    replayed = [replay_into(p, demo_setup()).result() for p in (first, second)]
    assert [s.result() for s in sessions] == replayed
    assert results == replayed
    assert len(replayed[0]["sweeps"]) >= 4  # type: ignore[arg-type]
    same_as_rebuilt(tmp_path, file)


# a store in trouble


async def through_trouble(feed: StoreFeed, tmp_path: Path, words: str, cure: Callable[[], None]) -> None:
    """Readings come all the time; the trouble is told, goes, and the store is whole afterwards."""
    bench = PtyBench(tmp_path / "indicator")
    gone = tmp_path / "s"
    try:
        async with captured(f"serial:{bench.link}", feed, gone) as heard:
            station = heard.station
            await heard.wait("link", state="opened")
            with every(0.01, lambda n: bench.write(line(n))):
                _, told = await heard.wait("failure")
                assert words in told["why"]
                assert "Recording goes on" in told["why"]
                state = station.state()
                assert state["failure"] == told["why"]
                assert words in state["store"]["failure"]
                assert station.capture_failure is None
                # A set may end and the next begin meanwhile, and the store is out of reach for as long as readings go on coming.
                station.new_set()
                start, before = len(heard.events), station.counters.readings
                await until(lambda: station.counters.readings > before + 50)
                cure()
                _, told = await heard.wait("failure", start)
                assert told["why"] == ""
                assert station.state()["failure"] is None
    finally:
        bench.stop()
    counts = [c for p in sorted(stream_files(gone)) for c in _counts(p)]
    assert counts == list(range(counts[0], counts[0] + len(counts)))


def _counts(path: Path) -> list[int]:
    data = b"".join(r.data for r in read_records(path) if isinstance(r, Rx))
    return [round(1000 * float(x)) for x in data.split(b"\r\n") if x]


def test_a_locked_store_does_not_hold_the_capture_up_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed_worker, "BUSY_S", 0.2)
    file = tmp_path / "e.sqlite"
    Store(file).close()
    lock = Locked(file)
    # So few that rows are passed over too.
    feed = StoreFeed(file, folder=tmp_path / "s", most_waiting=20)
    asyncio.run(through_trouble(feed, tmp_path, "is locked: another program has been writing", lock.release))
    assert feed.passed_over > 0
    same_as_rebuilt(tmp_path, file)


def test_a_full_disk_of_the_store_does_not_hold_the_capture_up_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database's own limit of pages stands for the disk: it gives the same error."""
    full = [True]
    real = schema.prepare

    def prepare(engines: Any, **more: Any) -> None:
        real(engines, **more)

        def small(raw: Any, _: object) -> None:
            if full[0]:
                raw.execute("PRAGMA max_page_count = 1")

        event.listen(engines.writer, "connect", small)
        engines.close()

    monkeypatch.setattr("capture.store.database.prepare", prepare)
    feed = StoreFeed(tmp_path / "e.sqlite", folder=tmp_path / "s")
    asyncio.run(through_trouble(feed, tmp_path, "the disk is full. Make room", lambda: full.__setitem__(0, False)))
    same_as_rebuilt(tmp_path, tmp_path / "e.sqlite")


class Troubled:
    """A feed that says what it is told to."""

    def __init__(self) -> None:
        self.failure: str | None = None
        self.committed, self.busy = 0, False
        self.calls: list[tuple[Any, ...]] = []

    def begin_set(self, path: Path, header: StreamHeader, setup: Setup | None = None) -> None:
        self.calls.append(("begin", path.name))

    def reading(self, r: Reading) -> None:
        self.calls.append(("reading", r.counts))

    def mark(self, t: float, mark: str) -> None:
        self.calls.append(("mark", t, mark))

    def link(self, t: float, state: str, why: str = "") -> None:
        self.calls.append(("link", t, state, why))

    def damaged(self, t: float = 0.0, why: str = "") -> None:
        self.calls.append(("damaged", t, why))

    def result(self, result: dict[str, Any]) -> None:
        self.calls.append(("result", result))

    def end_set(self, result: dict[str, Any] | None = None) -> None:
        self.calls.append(("end",))


def test_a_recording_in_trouble_matters_more_than_the_store(tmp_path: Path) -> None:
    feed = Troubled()
    world = World(FakeClock(), 3.0)
    cable = Cable(world)
    profile = load_profile({"use": "text-line", "rate": 10})
    station = Watched(cable, profile=profile, record_to=tmp_path, clock=world.clock, feed=feed)
    writer = station._set.writer
    assert writer is not None
    world.at(0.5, lambda: setattr(feed, "failure", "The store is away."))
    world.at(1.0, lambda: setattr(writer._troubles, "failure", "recording has stopped"))
    world.at(1.5, lambda: setattr(feed, "failure", "The store is locked."))
    world.at(2.0, lambda: setattr(writer._troubles, "failure", None))
    world.at(2.5, lambda: setattr(feed, "failure", None))
    station.run_to_the_end(world)
    station.close()
    told = [(round(at, 1), e["why"]) for at, e in station.events if e["event"] == "failure"]
    assert [(at, why.partition(" Recording")[0]) for at, why in told] == [
        (0.5, "The store is away."),
        (1.5, "recording has stopped"),
        (2.5, ""),
    ]


# from set to set


def reading(counts: int) -> Reading:
    return Reading(0.1 * counts, counts, STEP)


def test_a_set_begins_in_the_store_once_the_one_before_is_closed() -> None:
    feed = Troubled()
    f = Feeding(feed)  # type: ignore[arg-type]
    f.begin(Path("a"), HEADER, None)
    f.reading(reading(1))
    f.begin(Path("b"), HEADER, None)
    f.link(0.0, "opened", "new set")
    f.reading(reading(2))
    f.begin(Path("c"), HEADER, None)
    f.mark(0.3, "zero")
    assert feed.calls == [("begin", "a"), ("reading", 1)]
    f.closed()
    assert feed.calls[2:] == [("end",), ("begin", "b"), ("link", 0.0, "opened", "new set"), ("reading", 2)]
    f.damaged(0.4, "not a value")
    f.closed()
    assert feed.calls[6:] == [("end",), ("begin", "c"), ("mark", 0.3, "zero"), ("damaged", 0.4, "not a value")]
    f.result({"readings": 0})
    f.closed()
    f.closed()
    assert feed.calls[10:] == [("result", {"readings": 0}), ("end",)]


def test_records_beyond_what_is_held_are_left_to_the_end_of_the_set_with_no_hole_in_between() -> None:
    feed = Troubled()
    f = Feeding(feed)  # type: ignore[arg-type]
    f.begin(Path("a"), HEADER, None)
    f.begin(Path("b"), HEADER, None)
    for n in range(1, MOST_HELD + 10):
        f.reading(reading(n))
    f.closed()
    f.reading(reading(99_999))
    got = [c[1] for c in feed.calls if c[0] == "reading"]
    assert got == list(range(1, MOST_HELD))
    f.closed()
    f.begin(Path("c"), HEADER, None)
    f.reading(reading(5))
    assert feed.calls[-2:] == [("begin", "c"), ("reading", 5)]


def test_without_a_recording_nothing_is_fed(tmp_path: Path) -> None:
    feed = Troubled()
    world = World(FakeClock(), 2.0)
    cable = Cable(world)
    station = Watched(
        cable, profile=load_profile({"use": "text-line", "rate": 10}), clock=world.clock, setup_file=b"", feed=feed
    )
    world.at(0.2, lambda: cable.send(b"\r\n" + line(1)))
    station.run_to_the_end(world)
    station.close()
    assert station.counters.readings == 1
    assert [c[0] for c in feed.calls if c[0] in ("begin", "end")] == []
    assert list(tmp_path.iterdir()) == []


def test_a_set_up_that_cannot_be_kept_begins_no_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = "﻿# as it was given\r\nunits = 'mm'\r\n".encode()
    world = World(FakeClock(), 2.0)
    station = Watched(
        Cable(world),
        profile=load_profile({"use": "text-line", "rate": 10}),
        record_to=tmp_path,
        clock=world.clock,
        setup_file=content,
    )

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as m:
        m.setattr("capture.running_set.write_small", full)
        with pytest.raises(CaptureError, match=r"setup.toml cannot be written: No space left on device"):
            station.new_set()
    assert station.sets == 1
    assert "the old one goes on" in str(station.failure)
    station.new_set()
    station.close()
    assert [p.with_name("setup.toml").read_bytes() for p in stream_files(tmp_path)] == [content, content]


# start and judging


def test_a_station_with_a_feed_is_made_without_the_database_library(tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "import web.cli.serve\n"
        "from capture.store.feed import StoreFeed\n"
        "from capture.station import Station\n"
        "from capture.profiles import load_profile\n"
        "folder = Path(sys.argv[1])\n"
        "feed = StoreFeed(folder / 'e.sqlite', folder=folder / 's', start=False)\n"
        "station = Station('socket://127.0.0.1:9', profile=load_profile({'use': 'text-line'}),"
        " record_to=folder / 's', feed=feed)\n"
        "print(sorted({'sqlalchemy', 'alembic'} & set(sys.modules)))\n"
        "station.close()\n"
        "print(feed.close(60.0), 'sqlalchemy' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert (done.stdout.splitlines(), done.stderr) == (["[]", "True True"], "")
    with Store(tmp_path / "e.sqlite", make=False) as store:
        assert [s["state"] for s in store.streams()] == ["closed"]


def test_judging_while_readings_arrive_ends_in_the_result_of_all_of_them() -> None:
    events = list(simulate(replace(DEMO, seatings=3, sweeps=6), 11)[0])
    profile = load_profile({"use": "text-line", "rate": DEMO.rate})

    def play(session: Session) -> None:
        pipe = Pipeline(profile, session)
        for e in events:
            if e.kind == "data":
                pipe.chunk(e.t, e.data)
            elif e.kind == "reseat":
                pipe.mark(e.t, "reseat")
        session.close()

    alone = Session(demo_setup())
    play(alone)
    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        looks = 0
        for _ in range(3):
            session = Session(demo_setup())
            thread = threading.Thread(target=play, args=(session,))
            thread.start()
            while thread.is_alive():
                r: Any = session.result()
                assert r["set"]["accepted"] + r["set"]["rejected"] == len(r["sweeps"])
                looks += 1
            thread.join()
            assert session.result() == alone.result()
        assert looks > 1
    finally:
        sys.setswitchinterval(interval)
