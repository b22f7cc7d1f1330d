"""The event stream over a real server: a picture first, then everything that happens, and an end that comes at once."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from capture.rawstream import Mark, read_records
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from capture.simulator.pty_bench import PtyBench
from tests.capture.live import LONG_S, line, received, stream_files, until
from tests.web.serving import open_link, served, stream

SHUTDOWN_S = LONG_S
"""Longer than any stop takes on a busy machine; one that hangs takes for ever."""

END = b"\r\n"
"""Sent first, it shows that the line after it is whole."""


async def post(base: str, path: str, body: object = None) -> httpx.Response:
    """One command."""
    async with httpx.AsyncClient(base_url=base, timeout=60) as client:
        return await client.post(path, json=body)


def test_the_first_event_is_the_state(bench: PtyBench, tmp_path: Path) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}", tmp_path / "streams") as (base, station), stream(base) as page:
            assert page.response.status_code == 200
            assert page.response.headers["content-type"].startswith("text/event-stream")
            assert page.response.headers["cache-control"] in ("no-cache", "no-store")
            assert page.response.headers["content-security-policy"].startswith("default-src 'none'")
            name, state = page.events[0]
            assert name == "state"
            assert state["source"] == f"serial:{bench.link}"
            assert (state["set"], state["last"], state["result"], state["failure"]) == (1, None, None, None)
            assert state["link"]["state"] in ("waiting", "opened", "stale")
            assert state["period_s"] == 0.05
            assert state["recording"] == str(stream_files(tmp_path / "streams")[0])
            assert state["setup"] is None
            assert "retry: 1000" in page.lines[:4]
            async with httpx.AsyncClient(base_url=base, timeout=60) as client:
                assert set((await client.get("/api/state")).json()) == set(state) == set(station.state())

    asyncio.run(main())


def test_readings_and_the_link_arrive(bench: PtyBench) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}") as (base, station), stream(base) as page:
            await open_link(station)
            bench.write(END + line(478) + line(-479))
            reading = await page.wait("reading", counts=478)
            assert reading["value_mm"] == 0.478
            assert reading["shown"] == "0.478 mm"
            assert (reading["unit"], reading["step"]) == ("mm", 0.001)
            assert 0 <= reading["t"] <= station.now()
            assert (await page.wait("reading", counts=-479))["shown"] == "-0.479 mm"
            stale = await page.wait("link", state="stale")
            assert "no reading" in stale["why"]
            bench.write(line(480))
            await page.wait("link", state="back")
            await page.wait("reading", counts=480)
            bench.unplug()
            assert "unplugged" in (await page.wait("link", state="lost"))["why"]
            start = len(page.events)
            bench.replug()
            await page.wait("link", start, state="back")

    asyncio.run(main())


def test_every_reading_arrives_in_order_at_a_hundred_a_second(bench: PtyBench) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}", rate=100.0) as (base, station):
            await open_link(station)
            async with stream(base) as one, stream(base) as two:
                bench.write(END)
                for n in range(150):
                    bench.write(line(n))
                    await asyncio.sleep(0.01)
                for page in (one, two):
                    await page.wait("reading", counts=149)
                    assert [d["counts"] for name, d in page.events if name == "reading"] == list(range(150))

    asyncio.run(main())


def test_a_page_that_comes_late_gets_what_was(bench: PtyBench) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}") as (base, station):
            await open_link(station)
            bench.write(END)
            for n in range(20):
                bench.write(line(n))
            await until(lambda: (station.state()["last"] or {}).get("counts") == 19)
            async with stream(base) as page:
                _, state = page.events[0]
                assert state["last"]["counts"] == 19
                assert [round(1000 * mm) for _, mm in state["trace"]] == list(range(20))
                assert state["link"]["state"] in ("opened", "stale")

    asyncio.run(main())


def test_marks_arrive_on_every_page_and_bad_ones_on_none(bench: PtyBench, tmp_path: Path) -> None:
    async def main() -> None:
        async with (
            served(f"serial:{bench.link}", tmp_path / "streams") as (base, _),
            stream(base) as one,
            stream(base) as two,
        ):
            bad = await post(base, "/api/mark", {"mark": "resaet"})
            assert bad.status_code == 422
            assert "allowed: reseat" in bad.json()["detail"]
            assert (await post(base, "/api/mark", {"mark": "reseat"})).status_code == 204
            assert (await post(base, "/api/mark", {"mark": "note: oil on the face"})).status_code == 204
            for page in (one, two):
                await page.wait("mark", mark="note: oil on the face")
                assert [d["mark"] for n, d in page.events if n == "mark"] == ["reseat", "note: oil on the face"]

    asyncio.run(main())
    (path,) = stream_files(tmp_path / "streams")
    assert [r.mark for r in read_records(path) if isinstance(r, Mark)] == ["reseat", "note: oil on the face"]


def test_a_new_set_gives_a_new_picture_and_a_new_stream(bench: PtyBench, tmp_path: Path) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}", tmp_path / "streams") as (base, station), stream(base) as page:
            await open_link(station)
            bench.write(END + line(1))
            await page.wait("reading", counts=1)
            start = len(page.events)
            assert (await post(base, "/api/new-set")).status_code == 204
            assert (await page.wait("set", start))["n"] == 2
            state = await page.wait("state", start)
            assert (state["set"], state["last"], state["trace"]) == (2, None, [])
            assert state["result"] is None or state["result"]["readings"] == 0
            # The line before was whole: the next one counts.
            assert state["link"]["state"] in ("back", "stale")
            bench.write(line(2))
            await page.wait("reading", start, counts=2)

    asyncio.run(main())
    assert len(stream_files(tmp_path / "streams")) == 2


def test_sweeps_and_results_arrive(bench: PtyBench) -> None:
    scenario = replace(DEMO, seatings=1, sweeps=40, faults={}, rate=15.0)

    async def main() -> None:
        bench._speed = 4.0
        async with served(f"serial:{bench.link}", rate=60.0) as (base, station), stream(base) as page:
            await open_link(station)
            bench.start(simulate(scenario, 2)[0])
            first = await page.wait("sweep", n=1)
            assert set(first) >= {"n", "bottom_s", "minimum_mm", "u_mm", "accepted", "reasons", "seat", "heading"}
            await page.wait("sweep", n=2)
            results = [d for n, d in page.events if n == "result"]
            assert results
            assert set(results[-1]) >= {"readings", "sweeps", "set", "play", "depth", "shim"}
            numbers = [d["n"] for n, d in page.events if n == "sweep"]
            assert numbers == sorted(set(numbers))

    asyncio.run(main())


def test_a_page_that_goes_away_is_forgotten_and_the_others_go_on(bench: PtyBench) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}") as (base, station), stream(base) as stays:
            await open_link(station)
            for _ in range(10):
                async with stream(base):
                    assert len(station._hub) == 2
                # The server sees that a page has gone when it next has something for it, or at once.
                bench.write(line(0))
                await until(lambda: len(station._hub) == 1)
            bench.write(line(7))
            await stays.wait("reading", counts=7)

    asyncio.run(main())


def test_the_stream_ends_when_the_server_is_about_to_stop(bench: PtyBench) -> None:
    async def main() -> None:
        async with served(f"serial:{bench.link}") as (base, station), stream(base) as page:
            station.end_subscriptions()
            # With the server still up: nothing but the end of the subscription closes the stream.
            await asyncio.wait_for(page.ended.wait(), SHUTDOWN_S)

    asyncio.run(main())


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "terminated"])
def test_the_program_stops_with_a_page_open_and_nothing_is_lost(
    bench: PtyBench, tmp_path: Path, how: signal.Signals
) -> None:
    script = str(Path(sys.executable).with_name("shimwright"))
    command = [script, "serve", f"serial:{bench.link}", "--port", "0", "--no-browser", "--record", str(tmp_path / "s")]
    # No store: it has a limit of its own for what is still to be put in at the end, and says when that was too short.
    command += ["--store", "off"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            told = process.stdout.readline()
            assert told.startswith("shimwright: the page is at http://127.0.0.1:")
            base = told.split()[5].rstrip("/")

            async def main() -> None:
                async with stream(base) as page:
                    await page.wait("state")
                    if page.events[0][1]["link"]["state"] == "waiting":
                        await page.wait("link", state="opened")
                    bench.write(END + line(478))
                    await page.wait("reading", counts=478)
                    os.kill(process.pid, how)
                    await asyncio.wait_for(page.ended.wait(), SHUTDOWN_S)
                    await asyncio.to_thread(process.wait, SHUTDOWN_S)

            asyncio.run(main())
            assert process.returncode == 0
            assert process.stderr is not None
            assert process.stderr.read() == ""
        finally:
            if process.poll() is None:
                process.kill()
    assert received(tmp_path / "s") == END + line(478)
