"""What an indicator says of itself when its port is opened is recorded and read by nobody, live and in replay alike."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from analysis.readings import Reading
from analysis.session import Session
from capture.errors import ProfileError
from capture.pipeline import NEW_SET, Pipeline
from capture.profiles import load_profile
from capture.simulator.pty_bench import PtyBench
from tests.capture.live import LONG_S, listening, received

BANNER = b"start 4.20\r\n+009.999\r\n"


def piped(settle: float) -> tuple[Pipeline, list[int]]:
    """A pipeline, and the counts it gives."""
    heard: list[int] = []

    def hear(r: Reading, shown: str) -> None:
        del shown
        heard.append(r.counts)

    return Pipeline(load_profile({"use": "text-line", "settle": settle}), Session(), hear), heard


def test_nothing_is_read_for_a_while_after_each_opening() -> None:
    pipe, heard = piped(1.0)
    pipe.link(0.0, "opened")
    pipe.chunk(0.2, BANNER)
    pipe.chunk(0.999, b"+009.999\r\n")
    pipe.chunk(1.0, b"\r\n+000.478\r\n")
    assert heard == [478]
    pipe.link(2.0, "lost", "unplugged")
    pipe.link(3.0, "back")
    pipe.chunk(3.5, BANNER)
    pipe.chunk(4.1, b"\r\n+000.479\r\n")
    assert heard == [478, 479]


def test_neither_silence_nor_a_new_set_is_an_opening() -> None:
    pipe, heard = piped(1.0)
    pipe.link(0.0, "opened", NEW_SET)
    pipe.chunk(0.1, b"\r\n+000.478\r\n")
    pipe.link(0.5, "stale", "no reading for 0.2 s")
    pipe.link(0.6, "back", "readings again")
    pipe.chunk(0.7, b"+000.479\r\n")
    assert heard == [478, 479]
    pipe.link(0.8, "stale", "no reading for 0.2 s")
    pipe.link(0.9, "lost", "unplugged")
    pipe.link(1.0, "back")
    pipe.chunk(1.5, b"\r\n+009.999\r\n")
    assert heard == [478, 479]


def test_without_the_key_all_is_read_as_before() -> None:
    pipe, heard = piped(0.0)
    pipe.link(0.0, "opened")
    pipe.chunk(0.0, BANNER)
    assert heard == [9999]
    with pytest.raises(ProfileError, match="settle: given -1; allowed: seconds, 0 to 60"):
        load_profile({"use": "text-line", "settle": -1})


def test_it_is_recorded_all_the_same(tmp_path: Path) -> None:
    bench = PtyBench(tmp_path / "indicator")

    async def main() -> None:
        async with listening(f"serial:{bench.link}", record_to=tmp_path / "s", settle=60.0) as heard:
            await heard.wait("link", state="opened")
            bench.write(BANNER)
            end = asyncio.get_running_loop().time() + LONG_S
            while heard.station.counters.bytes < len(BANNER):
                assert asyncio.get_running_loop().time() < end
                await asyncio.sleep(0.01)
            assert heard.of("reading") == []

    try:
        asyncio.run(main())
    finally:
        bench.stop()
    assert received(tmp_path / "s") == BANNER
