"""What a page shows after it was left, after the program was killed, beside a page that is stuck, and in many tabs at once."""

from __future__ import annotations

import re
import resource
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from capture.rawstream import Mark, read_records
from capture.sources.replay import ReplaySource
from tests.browser.benches import (
    LISTEN,
    PATIENCE_MS,
    Program,
    at_the_bench,
    heard,
    in_this_program,
    opened,
    poll,
)

STREAM = Path(__file__).parents[2] / "recorded_streams" / "three-seatings-warming" / "stream.jsonl"
DIGITS = re.compile(r"\d\.\d{3}")
ALONE = "delete window.SharedWorker;"


def test_a_page_left_and_opened_again_in_the_middle_of_a_set_shows_all_of_it(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 3.0, seatings=1, sweeps=200, faults={}) as (_, swing):
        running = Program(tmp_path, 45)
        try:
            page, seen = opened(browser, running.start(), scripts=LISTEN)
            page.locator("#sound").click()
            swing()
            page.locator("#sweeps tbody tr").nth(3).wait_for(timeout=PATIENCE_MS)
            before = int(page.locator("#sweeps tbody tr").first.locator("button").inner_text())
            recording = page.locator("#recording").inner_text()
            page.reload()
            page.locator("#sweeps tbody tr").nth(before - 1).wait_for(timeout=PATIENCE_MS)
            rows = page.locator("#sweeps tbody tr button").all_inner_texts()
            assert rows == [str(n) for n in range(len(rows), 0, -1)], "each once"
            assert page.locator("#recording").inner_text() == recording
            assert page.locator("#sound").get_attribute("aria-pressed") == "true"
            page.locator("#touch").wait_for()
            assert heard(page) == [], "what was told before is not told again"
            page.keyboard.press("Shift")
            page.locator("#touch").wait_for(state="hidden")
            poll(page, lambda: "accepted" in heard(page), "and the next one sounds, after any key")
            page.locator("#sweep-figure svg").wait_for(timeout=PATIENCE_MS)
            assert seen.trouble == []
            page.close()
        finally:
            running.end()


def test_the_program_killed_in_the_middle_of_a_set_the_page_says_so_and_what_to_do(
    browser: Any, tmp_path: Path
) -> None:
    with at_the_bench(tmp_path, 3.0, seatings=1, sweeps=200, faults={}) as (_, swing):
        running = Program(tmp_path, 45)
        try:
            page, seen = opened(browser, running.start(), scripts=LISTEN, may_lose_program=True)
            page.locator("#sound").click()
            swing()
            page.locator("#sweeps tbody tr.yes").nth(2).wait_for(timeout=PATIENCE_MS)
            recording = page.locator("#recording").inner_text()
            running.end(kill=True)
            page.locator("#link[data-kind=off]").filter(has_text="does not answer").wait_for(timeout=PATIENCE_MS)
            page.locator("p.number.late").wait_for(timeout=PATIENCE_MS)
            poll(page, lambda: "trouble" in heard(page), "heard")
            running.start()
            page.locator("#link[data-kind=on]").wait_for(timeout=PATIENCE_MS)
            notice = page.locator("#interrupted")
            notice.filter(has_text=recording).wait_for(timeout=PATIENCE_MS)
            assert "The program stopped before that set was finished" in notice.inner_text()
            assert "Seat the arbor and swing; this is a new set." in notice.inner_text()
            now = page.locator("#recording").inner_text()
            assert now != recording
            # The new set counts from one.
            page.locator("#sweeps tbody tr").nth(1).wait_for(timeout=PATIENCE_MS)
            assert page.locator("#sweeps tbody tr button").last.inner_text() == "1"
            page.reload()
            notice.filter(has_text=recording).wait_for(timeout=PATIENCE_MS)
            page.locator("#interrupted-read").click()
            notice.wait_for(state="hidden")
            assert not [r for r in read_records(Path(recording)) if isinstance(r, Mark)]
            assert seen.trouble == []
            page.close()
        finally:
            running.end()


def test_the_number_of_a_program_that_was_stopped_does_not_stay(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 6.0, seatings=1, sweeps=2, faults={}) as (bench, swing):
        running = Program(tmp_path, 90)
        try:
            page, _ = opened(browser, running.start(), may_lose_program=True)
            swing()
            page.locator("#number").filter(has_text=DIGITS).wait_for(timeout=PATIENCE_MS)
            assert bench.finished.wait(2 * PATIENCE_MS / 1000)
            running.end(kill=True)
            page.locator("p.number.late").wait_for(timeout=PATIENCE_MS)
            running.start()
            page.locator("#number").filter(has_text=re.compile("^–$")).wait_for(timeout=PATIENCE_MS)
            assert page.locator("#age").inner_text() == "No reading yet"
            assert page.locator("p.number.late").count() == 0
            page.close()
        finally:
            running.end()


def test_a_page_that_never_reads_holds_up_nobody_and_costs_little_memory(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 12.0, seatings=1, sweeps=200, faults={}) as (_, swing):
        running = Program(tmp_path, 180)
        try:
            address = running.start()
            assert running.process is not None
            page, seen = opened(browser, address)
            swing()
            page.locator("#sweeps tbody tr").nth(2).wait_for(timeout=PATIENCE_MS)
            page.locator("#sweep-figure svg").wait_for(timeout=PATIENCE_MS)

            def memory() -> float:
                return (
                    int(Path(f"/proc/{running.process.pid}/statm").read_text().split()[1])
                    * resource.getpagesize()
                    / 1e6
                )  # type: ignore[union-attr]

            before = memory()
            stuck = []
            try:
                for _ in range(20):
                    s = socket.create_connection(("127.0.0.1", running.port))
                    s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                    s.sendall(f"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n\r\n".encode())
                    stuck.append(s)
                shown = int(page.locator("#sweeps tbody tr button").first.inner_text())
                # Long enough for what nobody reads to pile up.
                least, most = time.monotonic() + 7.0, time.monotonic() + PATIENCE_MS / 1000
                moved: set[str] = set()
                while time.monotonic() < (most if len(moved) <= 10 else least):
                    moved.add(page.locator("#number").inner_text())
                    page.wait_for_timeout(50)
                assert len(moved) > 10, "the readings go on"
                poll(
                    page,
                    lambda: int(page.locator("#sweeps tbody tr button").first.inner_text()) > shown + 10,
                    "so do the sweeps",
                )
                assert memory() - before < 40.0
            finally:
                for s in stuck:
                    s.close()
            assert seen.trouble == []
            page.close()
        finally:
            running.end()


@pytest.fixture
def replayed() -> Any:
    # Slowly, so that readings go on coming for as long as a busy machine may need them.
    with in_this_program(ReplaySource(STREAM, 0.2), rate=2.0) as both:
        yield both


def test_eight_pages_of_a_browser_share_one_stream(browser: Any, replayed: Any) -> None:
    address, station = replayed
    context = browser.new_context()
    pages = [context.new_page() for _ in range(8)]
    for n, page in enumerate(pages):
        page.goto(address + ("/display" if n % 2 else "/"))
        page.locator("#number").filter(has_text=DIGITS).wait_for(timeout=PATIENCE_MS)
    assert len(station._hub) == 1
    # All of them go on, and an action in one is seen in another.
    for page in pages:
        first = page.locator("#number").inner_text()
        page.locator("#number").filter(has_not_text=first).wait_for(timeout=PATIENCE_MS)
    pages[0].close()
    first = pages[1].locator("#number").inner_text()
    pages[1].locator("#number").filter(has_not_text=first).wait_for(timeout=PATIENCE_MS)
    context.close()
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while len(station._hub) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert len(station._hub) == 0, "and none is left when the last page is closed"


def test_a_browser_without_shared_workers_has_a_stream_a_page(browser: Any, replayed: Any) -> None:
    address, station = replayed
    context = browser.new_context()
    context.add_init_script(ALONE)
    for n in range(2):
        page = context.new_page()
        page.goto(address)
        page.locator("#number").filter(has_text=DIGITS).wait_for(timeout=PATIENCE_MS)
        assert len(station._hub) == n + 1
    context.close()


def test_a_page_that_gets_no_stream_says_so(browser: Any, replayed: Any) -> None:
    address, _ = replayed
    context = browser.new_context()
    # A stream that never comes, as when all the browser's connections are taken.
    context.add_init_script(
        ALONE
        + "window.EventSource = class extends EventTarget { constructor() { super(); this.readyState = 0; } close() {} };"
        + "window.EventSource.CLOSED = 2;"
    )
    page = context.new_page()
    page.goto(address)
    page.locator("#link[data-kind=off]").filter(has_text="No live readings reach this page").wait_for(
        timeout=PATIENCE_MS
    )
    context.close()


def test_a_worker_that_fails_is_replaced_by_a_stream_of_the_pages_own(browser: Any, replayed: Any) -> None:
    address, station = replayed
    context = browser.new_context()
    context.route("**/static/stream_worker.js", lambda route: route.abort())
    page = context.new_page()
    page.goto(address)
    page.locator("#number").filter(has_text=DIGITS).wait_for(timeout=PATIENCE_MS)
    assert len(station._hub) == 1
    context.close()
