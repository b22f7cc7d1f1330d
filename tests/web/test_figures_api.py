"""Figures over HTTP: the same drawings as on the sheet, one at a time, none that nobody waits for, none drawn twice."""

from __future__ import annotations

import asyncio
import gzip
import os
import signal
import subprocess
import sys
import threading
import time
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any, cast

import httpx
import pytest

from capture.rerun import rerun
from capture.sources.replay import ReplaySource
from tests.capture.live import LONG_S, until, until_blocking
from tests.web.fonts import fonts_open as fonts_open
from tests.web.serving import served
from web import figures
from web.figures.drawer import Drawer, Order
from web.figures_api import KEPT, Desk, Drawing, Wanted

STREAM = Path(__file__).parents[2] / "recorded_streams" / "three-seatings-warming" / "stream.jsonl"
SVG = "{http://www.w3.org/2000/svg}"


def _alt(svg: str) -> str:
    desc = ET.fromstring(svg).find(f"{SVG}desc")
    assert desc is not None
    assert desc.text
    return desc.text


def test_the_pages_figures_are_the_sheets(tmp_path: Path) -> None:
    """Every figure says word for word what it says when the stream is read again."""
    again = rerun(STREAM)
    result = again.result()
    wanted = {
        "minima.svg": figures.minima(result),
        "drift.svg": figures.drift(result),
        "budget.svg": figures.budget(result),
        "sweep.svg": figures.sweep(again.session.traces[-1]),
        "sweep.svg?sweep=2": figures.sweep(again.session.traces[1]),
    }

    async def main() -> None:
        async with (
            served(ReplaySource(STREAM, 0.0)) as (base, station),
            httpx.AsyncClient(base_url=base, timeout=LONG_S) as client,
        ):
            await until(lambda: len((station.result or {"sweeps": []})["sweeps"]) == len(result["sweeps"]))
            for path, figure in wanted.items():
                answer = await client.get(f"/api/figures/{path}")
                assert answer.status_code == 200
                assert answer.headers["content-type"] == "image/svg+xml"
                assert answer.headers["content-encoding"] == "gzip"
                assert answer.text == figure.inline()
                assert _alt(answer.text) == figure.alt
            plain = await client.get("/api/figures/drift.svg", headers={"accept-encoding": "identity"})
            assert "content-encoding" not in plain.headers
            assert plain.text == wanted["drift.svg"].inline()
            small = await client.get("/api/figures/drift.svg?narrow=1")
            assert _alt(small.text) == wanted["drift.svg"].alt
            assert small.text != plain.text
            # No set-up, so no shims: nothing to draw is no error of the program.
            assert (await client.get("/api/figures/stock.svg")).status_code == 204
            for none in ("sweep.svg?sweep=0", "sweep.svg?sweep=999", "sweep.svg?sweep=-1"):
                assert (await client.get(f"/api/figures/{none}")).status_code == 204
            assert (await client.get("/api/figures/other.svg")).status_code == 422
            assert (await client.get("/api/figures/sweep.svg?sweep=two")).status_code == 422

    asyncio.run(main())


def test_a_page_that_has_the_figure_is_told_so_until_the_set_changes() -> None:
    async def main() -> None:
        async with (
            served(ReplaySource(STREAM, 0.0)) as (base, station),
            httpx.AsyncClient(base_url=base, timeout=LONG_S) as client,
        ):
            assert (await client.get("/api/figures/minima.svg")).status_code in (200, 204)
            await until(lambda: station.number > 0 and not station._judge.busy)
            first = await client.get("/api/figures/drift.svg")
            same = await client.get("/api/figures/drift.svg", headers={"if-none-match": first.headers["etag"]})
            assert (same.status_code, same.content) == (304, b"")
            number = station.number
            station.mark_now("reseat")
            await until(lambda: station.number > number)
            fresh = await client.get("/api/figures/drift.svg", headers={"if-none-match": first.headers["etag"]})
            assert fresh.status_code == 200
            assert fresh.headers["etag"] != first.headers["etag"]

    asyncio.run(main())


class _Board:
    """A station as the desk sees it, and a hand that draws when it is let."""

    def __init__(self) -> None:
        self.sets, self.number = 1, 1
        self.drawn: list[tuple[str, int]] = []
        self.at_once = 0
        self.most_at_once = 0
        self.go = threading.Semaphore(0)
        self.loop_thread = threading.get_ident()

    def draw(self, wanted: Wanted) -> bytes:
        assert threading.get_ident() != self.loop_thread, "off the event loop"
        self.drawn.append((wanted.name, self.number))
        self.at_once += 1
        self.most_at_once = max(self.at_once, self.most_at_once)
        assert self.go.acquire(timeout=LONG_S)
        self.at_once -= 1
        return gzip.compress(f"{wanted.name} {self.number}".encode())

    def desk(self) -> Desk:
        desk = Desk(cast(Any, self))
        desk.draw = self.draw  # type: ignore[method-assign]
        return desk


async def _stays() -> None:
    await asyncio.Event().wait()


MINIMA, DRIFT = Wanted("minima", None, False), Wanted("drift", None, False)


def _text(d: Drawing | None) -> str:
    assert d is not None
    return gzip.decompress(d.packed).decode()


def test_one_at_a_time_and_ten_pages_cost_one_drawing() -> None:
    async def main() -> None:
        board = _Board()
        desk = board.desk()
        asked = [asyncio.create_task(desk.get(w, _stays)) for _ in range(10) for w in (MINIMA, DRIFT)]
        await until(lambda: board.drawn)
        board.go.release(2)
        assert [_text(x) for x in await asyncio.gather(*asked)] == ["minima 1", "drift 1"] * 10
        assert board.drawn == [("minima", 1), ("drift", 1)]
        assert board.most_at_once == 1
        assert _text(await desk.get(MINIMA, _stays)) == "minima 1", "kept"
        assert len(board.drawn) == 2

    asyncio.run(main())


def test_what_a_newer_result_overtakes_is_drawn_once_as_the_newest() -> None:
    async def main() -> None:
        board = _Board()
        desk = board.desk()
        first = asyncio.create_task(desk.get(MINIMA, _stays))
        await until(lambda: board.drawn)
        later = []
        for number in (2, 3, 4, 5):
            board.number = number
            later.append(asyncio.create_task(desk.get(MINIMA, _stays)))
            await asyncio.sleep(0)
        board.go.release(2)
        await first
        assert {_text(x) for x in await asyncio.gather(*later)} == {"minima 5"}
        assert board.drawn == [("minima", 1), ("minima", 5)], "2, 3 and 4 were never drawn"

    asyncio.run(main())


def test_what_nobody_waits_for_any_more_is_not_drawn() -> None:
    async def main() -> None:
        board = _Board()
        desk = board.desk()
        first = asyncio.create_task(desk.get(MINIMA, _stays))
        await until(lambda: board.drawn)
        left = asyncio.Event()
        tasks = [asyncio.create_task(desk.get(Wanted("sweep", n, False), left.wait)) for n in range(1, 30)]
        await asyncio.sleep(0.01)
        left.set()
        assert await asyncio.gather(*tasks) == [None] * 29
        board.go.release(5)
        await first
        assert _text(await desk.get(DRIFT, _stays)) == "drift 1"
        assert [name for name, _ in board.drawn] == ["minima", "drift"]
        assert desk._jobs == {}

    asyncio.run(main())


def test_few_drawings_are_kept_and_a_failure_holds_up_none() -> None:
    async def main() -> None:
        board = _Board()
        desk = board.desk()
        board.go.release(200)
        for n in range(1, 3 * KEPT):
            await desk.get(Wanted("sweep", n, False), _stays)
        assert len(desk._drawn) == KEPT

        def fails(wanted: Wanted) -> bytes:
            raise ValueError("no paper")

        desk.draw, board.number = fails, 2  # type: ignore[method-assign, assignment]
        with pytest.raises(ValueError, match="no paper"):
            await desk.get(MINIMA, _stays)
        desk.draw = board.draw  # type: ignore[method-assign]
        assert _text(await asyncio.wait_for(desk.get(MINIMA, _stays), LONG_S)) == "minima 2"

    asyncio.run(main())


def test_the_event_loop_goes_on_while_a_figure_is_drawn() -> None:
    async def main() -> None:
        async with (
            served(ReplaySource(STREAM, 0.0)) as (base, station),
            httpx.AsyncClient(base_url=base, timeout=LONG_S) as client,
        ):
            await until(lambda: station.number > 0)
            asked = asyncio.create_task(client.get("/api/figures/minima.svg"))
            turns = 0
            until_s = time.monotonic() + LONG_S
            while not asked.done() and time.monotonic() < until_s:
                await asyncio.sleep(0.001)
                turns += 1
            assert asked.result().status_code == 200
            assert turns > 10

    asyncio.run(main())


def test_a_drawing_process_that_ends_is_told_and_the_next_figure_gets_a_new_one() -> None:
    trace = rerun(STREAM).session.traces[0]
    drawer = Drawer()
    try:
        first = drawer.draw(Order("sweep", trace))
        assert first is not None
        assert gzip.decompress(first).decode() == figures.sweep(trace).inline()
        with pytest.raises(RuntimeError, match="sweep was not drawn: AttributeError"):
            drawer.draw(Order("sweep", {}))
        process = drawer._process
        assert process is not None
        assert drawer.draw(Order("sweep", trace)) == first
        assert drawer._process is process, "an error of a figure ends nothing"
        os.kill(process.pid, signal.SIGSTOP)
        threading.Timer(0.3, process.kill).start()
        with pytest.raises(RuntimeError, match="the process that draws ended"):
            drawer.draw(Order("sweep", trace))
        assert drawer.draw(Order("sweep", trace)) == first
    finally:
        drawer.close()


def test_the_drawing_process_ends_with_the_program_however_that_ends() -> None:
    code = (
        "import sys, time\nfrom web.figures.drawer import Drawer\nd = Drawer()\nd.start()\n"
        "print(d._process.pid, flush=True)\ntime.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        drawing = int(program.stdout.readline())
        assert Path(f"/proc/{drawing}/stat").exists()
        program.kill()
    until_blocking(lambda: not _lives(drawing))


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in ("Z", "X")
    except OSError:
        return False


def test_the_drawing_process_rests_when_nothing_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("web.figures_api.IDLE_S", 0.2)
    before = set(_children())

    async def main() -> None:
        async with (
            served(ReplaySource(STREAM, 0.0)) as (base, station),
            httpx.AsyncClient(base_url=base, timeout=LONG_S) as client,
        ):
            await until(lambda: station.number > 0)
            for width in ("", "?narrow=1"):
                assert (await client.get(f"/api/figures/drift.svg{width}")).status_code == 200
                await until(lambda: set(_children()) <= before)

    asyncio.run(main())


def _children() -> list[int]:
    own = f"/proc/{os.getpid()}/task"
    found = "".join(p.read_text() for p in Path(own).glob("*/children")).split()
    return [int(x) for x in found if _lives(int(x))]
