"""The sweep page in a real browser: its keyboard, its widths, the link told truly."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from capture.simulator.pty_bench import PtyBench
from tests.browser.benches import PATIENCE_MS, Seen, opened
from tests.browser.conftest import running

__all__ = ["PATIENCE_MS", "Seen"]

SPEED = 6


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    with running("demo", "--speed", str(SPEED)) as address:
        yield address


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_nothing_is_cut_off_at_any_width(browser: Any, demo: str, width: int) -> None:
    page, seen = opened(browser, demo, width=width)
    page.locator("#sweeps tbody tr").nth(1).wait_for(timeout=PATIENCE_MS)
    page.locator("#sweep-figure svg").wait_for(timeout=PATIENCE_MS)
    page.locator("#settings summary").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Asked in one breath: the rows are drawn anew with every sweep.
    farthest = page.evaluate(
        "Math.max(...[...document.querySelectorAll('#sweeps td:last-child')].map((x) => x.getBoundingClientRect().right))"
    )
    assert farthest <= width, "the verdict is seen without moving the table"
    assert seen.trouble == []
    page.close()


@pytest.mark.parametrize("width", [360, 1280])
def test_the_words_on_the_tolerance_band_can_be_read_on_a_phone(browser: Any, demo: str, width: int) -> None:
    page, seen = opened(browser, demo, width=width)
    page.locator("#band text").first.wait_for(timeout=PATIENCE_MS)
    scale, size, clear = page.evaluate(
        """() => {
          const svg = document.getElementById("band");
          const words = [...svg.querySelectorAll("text")];
          const boxes = words.map((x) => x.getBoundingClientRect());
          const own = svg.getBoundingClientRect();
          const clear = boxes.every((a, i) => a.left >= own.left - 1 && a.right <= own.right + 1
            && boxes.slice(i + 1).every((b) => a.right <= b.left || b.right <= a.left || a.bottom <= b.top + 4 || b.bottom <= a.top + 4));
          return [svg.getScreenCTM().a, Math.min(...words.map((x) => parseFloat(getComputedStyle(x).fontSize))), clear];
        }"""
    )
    assert scale * size >= 14
    assert clear, "no word lies on another or out of the picture"
    assert seen.trouble == []
    page.close()


def test_the_keyboard_does_everything(browser: Any, demo: str) -> None:
    page, seen = opened(browser, demo)
    page.locator("#sweeps tbody tr").first.wait_for(timeout=PATIENCE_MS)
    reached = []
    for _ in range(14):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "document.activeElement.id || document.activeElement.className || document.activeElement.tagName"
            )
        )
    assert {"skip", "reseat", "new-set", "sound"} <= set(reached)
    page.reload()
    page.locator("#sweeps tbody tr").first.wait_for(timeout=PATIENCE_MS)
    for key in ("r", "b"):
        with page.expect_request("**/api/mark") as asked:
            page.keyboard.press(key)
        assert asked.value.post_data_json == {"mark": "reseat"}, "a foot switch sends any key"
        page.wait_for_timeout(1600)
    before = page.locator("#recording").inner_text()
    page.keyboard.press("n")
    page.locator("#recording").filter(has_not_text=before).wait_for(timeout=PATIENCE_MS)
    # A button that was clicked does not keep the foot switch to itself.
    page.locator("#sound").click()
    with page.expect_request("**/api/mark"):
        page.keyboard.press("Enter")
    assert page.locator("#sound").get_attribute("aria-pressed") == "true"
    assert seen.trouble == []
    page.close()


def test_a_seating_that_was_just_taken_is_not_asked_for_again(browser: Any, demo: str) -> None:
    page, seen = opened(browser, demo)
    page.locator("#sweeps tbody tr").first.wait_for(timeout=PATIENCE_MS)
    both = "['next', 'far-say'].map((id) => document.getElementById(id).textContent)"
    told: list[str] = []
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while len(told) < 5 and time.monotonic() < deadline:
        # In one breath: the page goes on in between.
        now, beside = page.evaluate(both)
        # Nor is what stands in the sentence said again beside it.
        if re.search(r"Seating [23]: \d more good sweep|Lift the arbor out", now):
            told.append(beside)
        page.wait_for_timeout(100)
    assert told
    assert set(told) == {""}
    assert seen.trouble == []
    page.close()


def test_settings_hold_after_a_reload_and_in_the_other_pages(browser: Any, demo: str) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, color_scheme="light")
    one, two = context.new_page(), context.new_page()
    seen = [Seen(p, demo) for p in (one, two)]
    for p in (one, two):
        p.goto(demo)
        p.locator("#number").filter(has_text=re.compile(r"\d")).wait_for(timeout=PATIENCE_MS)
    ground = "getComputedStyle(document.body).backgroundColor"
    light = two.evaluate(ground)
    one.locator("#settings summary").focus()
    one.keyboard.press("Enter")
    one.locator("input[name=theme][value=dark]").check()
    two.locator("html[data-theme=dark]").wait_for(timeout=PATIENCE_MS)
    assert two.evaluate(ground) != light
    one.locator("input[name=unit][value=in]").check()
    two.locator("#unit").filter(has_text=re.compile("^in$")).wait_for(timeout=PATIENCE_MS)
    for width in (320, 360, 1280):
        two.set_viewport_size({"width": width, "height": 900})
        assert two.locator("p.number").evaluate("(n) => n.scrollWidth <= n.clientWidth"), "five places and the unit fit"
    assert re.fullmatch(r"-?0\.\d{5}", two.locator("#number").inner_text().replace("−", "-"))
    assert re.fullmatch(r"The indicator shows -?\d\.\d{3} mm", two.locator("#as-shown").inner_text().replace("−", "-"))
    one.locator("#volume").focus()
    for _ in range(3):
        one.keyboard.press("ArrowLeft")
    assert one.locator("#volume-said").inner_text() == "55 %"
    two.reload()
    two.locator("html[data-theme=dark]").wait_for(timeout=PATIENCE_MS)
    assert two.locator("#volume").input_value() == "55"
    two.goto(demo + "connect")
    two.locator("html[data-theme=dark]").wait_for(timeout=PATIENCE_MS)
    assert [s.trouble for s in seen] == [[], []]
    context.close()


def test_the_link_is_told_truly_and_the_page_survives_the_program(browser: Any, tmp_path: Path) -> None:
    link = tmp_path / "indicator"
    bench = PtyBench(link)
    events, _ = simulate(replace(DEMO, seatings=1, sweeps=40), 3)
    try:
        with running("serve", f"serial:{link}", "--record", str(tmp_path / "streams"), "--rate", "15") as address:
            page, _ = opened(browser, address)
            bench.start(events)
            page.locator("#link[data-kind=on]").wait_for(timeout=PATIENCE_MS)
            page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
            bench.unplug()
            page.locator("#link[data-kind=off]").filter(has_text="Indicator not connected").wait_for(
                timeout=PATIENCE_MS
            )
            page.locator("#next").filter(has_text="The indicator is not connected").wait_for(timeout=PATIENCE_MS)
            page.locator("p.number.late").wait_for(timeout=PATIENCE_MS)
            bench.replug()
            page.locator("#link[data-kind=on]").wait_for(timeout=PATIENCE_MS)
            first = page.locator("#number").inner_text()
            page.locator("#number").filter(has_not_text=first).wait_for(timeout=PATIENCE_MS)
            page.reload()
            page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
        page.locator("#link").filter(has_text="does not answer").wait_for(timeout=PATIENCE_MS)
        page.locator("#next").filter(has_text="see whether it still runs").wait_for(timeout=PATIENCE_MS)
        page.close()
    finally:
        bench.stop()
        assert threading.active_count() < 20
