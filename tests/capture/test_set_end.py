"""A hands-free set ends by itself, keeps its answer, and says so in its stream; one that a stop broke off is told at the next start."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from capture.clock import Clock
from capture.interrupted import RECENT_S, interrupted_set
from capture.profiles import load_profile
from capture.rawstream import Mark, read_records
from capture.rerun import rerun
from capture.simulator.bench import Event, simulate
from capture.simulator.demo import DEMO, demo_setup, demo_setup_file
from capture.simulator.pty_bench import PtyBench
from capture.station import Station
from tests.capture.live import until

SPEED = 6.0
PATIENCE_S = 180.0
"""A hand that swings in real time halts as often as the machine does."""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[PtyBench]:
    made = PtyBench(tmp_path / "indicator", speed=SPEED)
    try:
        yield made
    finally:
        made.stop()


def _station(tmp_path: Path) -> Station:
    return Station(
        f"serial:{tmp_path / 'indicator'}",
        profile=load_profile({"use": "text-line", "rate": DEMO.rate * SPEED}),
        setup=demo_setup(),
        setup_file=demo_setup_file(),
        record_to=tmp_path / "streams",
    )


def _answer(result: dict[str, Any]) -> dict[str, Any]:
    return {k: result[k] for k in ("set", "depth", "shim", "enough")}


def _swing(bench: PtyBench, station: Station, **more: Any) -> None:
    events, _ = simulate(replace(DEMO, **more), 5)

    def happened(event: Event) -> None:
        if event.kind == "reseat":
            station.mark_now("reseat")

    bench._tell = happened
    bench.start(events)


def test_a_set_ends_by_itself_and_the_answer_stays(tmp_path: Path, bench: PtyBench) -> None:
    async def main() -> None:
        station = _station(tmp_path)
        await station.start()
        try:
            _swing(bench, station, seatings=12)
            await until(lambda: bool((station.state()["step"] or {}).get("ended")), PATIENCE_S)
            assert station.result is not None
            answer = _answer(station.result)
            assert answer["set"]["seats"] >= 3
            assert answer["enough"]["reached"]
            assert station.state()["step"]["do"] == "read-answer"
            await until(
                lambda: sum("after-the-end" in s["reasons"] for s in (station.result or {})["sweeps"]) >= 5, PATIENCE_S
            )
            assert _answer(station.result) == answer
            path = station.recording
            assert path is not None
        finally:
            await station.stop()
        marks = [r.mark for r in read_records(path) if isinstance(r, Mark)]
        assert marks.count("set-end") == 1
        again = rerun(path, demo_setup()).result()
        assert _answer(again) == answer, "the stream, read again, gives the answer that was shown"

    asyncio.run(main())


def test_the_user_may_go_on_and_then_ends_the_set_himself(tmp_path: Path, bench: PtyBench) -> None:
    async def main() -> None:
        station = _station(tmp_path)
        await station.start()
        try:
            _swing(bench, station, seatings=12)
            await until(lambda: bool((station.state()["step"] or {}).get("ended")), PATIENCE_S)
            assert station.result is not None
            seats = station.result["set"]["seats"]
            station.mark_now("go-on")
            await until(lambda: (station.result or {})["set"]["seats"] > seats, PATIENCE_S)
            assert not station.state()["step"]["ended"], "it does not end by itself a second time"
            station.mark_now("set-end")
            await until(lambda: station.state()["step"]["ended"], PATIENCE_S)
        finally:
            await station.stop()

    asyncio.run(main())


def _broken_off(tmp_path: Path, bench: PtyBench) -> Path:
    """A set of two and more sweeps, stopped in the middle."""

    async def main() -> Path:
        station = _station(tmp_path)
        await station.start()
        try:
            _swing(bench, station, seatings=1, sweeps=60)
            await until(lambda: (station.result or {"set": {"accepted": 0}})["set"]["accepted"] >= 2, PATIENCE_S)
            assert station.recording is not None
            return station.recording
        finally:
            await station.stop()

    return asyncio.run(main())


def test_a_set_broken_off_by_a_stop_is_told_at_the_next_start(tmp_path: Path, bench: PtyBench) -> None:
    left = _broken_off(tmp_path, bench)
    bench.stop()

    async def main() -> None:
        station = _station(tmp_path)
        subscription = station.subscribe()
        await station.start()
        try:
            await until(lambda: station.state()["interrupted"] is not None, PATIENCE_S)
            told = station.state()["interrupted"]
            assert told["recording"] == str(left)
            assert told["accepted"] >= 2
            assert told["seats"] == 1
            events: list[dict[str, Any]] = []
            while not any(e["event"] == "interrupted" for e in events):
                events += await subscription.take(PATIENCE_S) or []
            assert [e for e in events if e["event"] == "interrupted"] == [{"event": "interrupted", **told}]
            await asyncio.to_thread(station.new_set)
            assert station.state()["interrupted"] is None, "whoever begins a new set has read it"
        finally:
            await station.stop()

    asyncio.run(main())


def test_nothing_is_told_of_a_set_that_had_its_end_or_is_old_or_is_being_written(
    tmp_path: Path, bench: PtyBench
) -> None:
    left = _broken_off(tmp_path, bench)
    folder, clock = left.parent.parent, Clock()
    assert interrupted_set(folder, None, clock) is not None
    assert interrupted_set(folder, left, clock) is None, "the set that runs is not broken off"
    sums = left.with_name(left.name + ".sha256")
    kept = sums.read_bytes()
    sums.unlink()
    assert interrupted_set(folder, None, clock) is None, "another program is writing it"
    sums.write_bytes(kept)
    then = clock.wall() - RECENT_S - 60
    before = left.stat()
    os.utime(left, (then, then))
    assert interrupted_set(folder, None, clock) is None, "older than a working day"
    os.utime(left, (before.st_atime, before.st_mtime))
    assert interrupted_set(folder, None, clock) is not None
    with left.open("a", encoding="utf-8") as file:
        file.write('{"t":9999.0,"mark":"set-end"}\n')
    assert interrupted_set(folder, None, clock) is None, "it had its end"
    left.write_text("no stream\n", encoding="utf-8")
    assert interrupted_set(folder, None, clock) is None, "what cannot be read is left to those who look for it"
    assert interrupted_set(tmp_path / "nowhere", None, clock) is None
