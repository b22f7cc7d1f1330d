"""The page in a real browser: from the first sweep to the shim, by itself."""

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
from tests.browser.conftest import running

SPEED = 6
PATIENCE_MS = 60_000

# Counts the tones that are really started.
COUNT_TONES = """
window.tones = [];
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (...a) { window.tones.push(this.frequency.value); return start.apply(this, a); };
"""


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    with running("demo", "--speed", str(SPEED)) as address:
        yield address


class Seen:
    """What a page did that it should not."""

    def __init__(self, page: Any, origin: str) -> None:
        self.trouble: list[str] = []
        page.on(
            "console",
            lambda m: self.trouble.append(f"console {m.type}: {m.text}") if m.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda e: self.trouble.append(f"error: {e}"))
        page.on("request", lambda r: None if r.url.startswith(origin) else self.trouble.append(f"request to {r.url}"))


def _open(browser: Any, address: str, width: int = 1280, **more: Any) -> tuple[Any, Seen]:
    page = browser.new_page(viewport={"width": width, "height": 900}, **more)
    seen = Seen(page, address)
    page.goto(address)
    return page, seen


def test_sweeps_appear_and_end_in_a_shim_sentence(browser: Any, demo: str) -> None:
    page, seen = _open(browser, demo)
    page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
    page.locator("#sweeps tbody tr.yes").nth(2).wait_for(timeout=PATIENCE_MS)
    page.locator("#next").filter(has_text="Enough").wait_for(timeout=PATIENCE_MS)
    shim = page.locator("#shim").inner_text()
    assert re.search(
        r"The pinion stands \d\.\d{3} mm .* too far out; it must go in, toward the ring gear's axis\.", shim
    )
    assert re.search(r"so take out 0\.\d{3} mm", shim)
    assert re.fullmatch(r"\d\d\.\d{4} mm ± 0\.\d{4}", page.locator("#depth").inner_text())
    assert page.locator("#ruling").inner_text().startswith("Outside tolerance: +0.0")
    assert "too far out" in page.locator("#band").text_content()
    assert page.locator("#sweeps tbody tr.no").count() >= 1, "the knocked sweep stays in the list"
    assert "No bearing play found" in page.locator("#play").inner_text()
    assert page.locator("text=This tool informs; a competent person decides.").is_visible()
    page.locator("#how summary").click()
    assert page.locator("#budget tr").count() >= 3
    assert seen.trouble == []
    page.close()


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_nothing_is_cut_off_at_any_width(browser: Any, demo: str, width: int) -> None:
    page, seen = _open(browser, demo, width)
    page.locator("#sweeps tbody tr").nth(1).wait_for(timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Asked in one breath: the rows are drawn anew with every sweep.
    farthest = page.evaluate(
        "Math.max(...[...document.querySelectorAll('#sweeps td:last-child')].map((x) => x.getBoundingClientRect().right))"
    )
    assert farthest <= width, "the verdict is seen without moving the table"
    assert seen.trouble == []
    page.close()


def test_the_keyboard_does_everything(browser: Any, demo: str) -> None:
    page, seen = _open(browser, demo)
    page.locator("#sweeps tbody tr").first.wait_for(timeout=PATIENCE_MS)
    reached = []
    for _ in range(8):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "document.activeElement.id || document.activeElement.className || document.activeElement.tagName"
            )
        )
    assert {"skip", "reseat", "new-set", "sound"} <= set(reached)
    page.keyboard.press("r")
    page.locator("#next").filter(has_text="Seated again").wait_for(timeout=PATIENCE_MS)
    page.reload()
    page.locator("#sweeps tbody tr").first.wait_for(timeout=PATIENCE_MS)
    with page.expect_request("**/api/mark") as asked:
        page.keyboard.press("b")
    assert asked.value.post_data_json == {"mark": "reseat"}, "a foot switch sends any key"
    before = page.locator("#recording").inner_text()
    page.keyboard.press("n")
    page.locator("#recording").filter(has_not_text=before).wait_for(timeout=PATIENCE_MS)
    assert seen.trouble == []
    page.close()


def test_tones_for_accepted_and_rejected_after_a_touch(browser: Any, demo: str) -> None:
    page = browser.new_page()
    page.add_init_script(COUNT_TONES)
    page.goto(demo)
    page.locator("#sweeps tbody tr").first.wait_for(timeout=PATIENCE_MS)
    assert page.evaluate("window.tones.length") == 0, "no sound before it is asked for"
    page.locator("#sound").click()
    page.locator("#sound[aria-pressed=true]").wait_for()
    page.keyboard.press("n")
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while time.monotonic() < deadline:
        tones = page.evaluate("window.tones")
        if 660 in tones and 240 in tones:
            break
        page.wait_for_timeout(200)
    assert 660 in tones, "a tone for an accepted sweep"
    assert 240 in tones, "another for a rejected one"
    page.locator("#sound").click()
    page.locator("#sound[aria-pressed=false]").wait_for()
    quiet = page.evaluate("window.tones.length")
    page.wait_for_timeout(3000)
    assert page.evaluate("window.tones.length") == quiet, "and none once it is switched off"
    page.close()


def test_the_link_is_told_truly_and_the_page_survives_the_program(browser: Any, tmp_path: Path) -> None:
    link = tmp_path / "indicator"
    bench = PtyBench(link)
    events, _ = simulate(replace(DEMO, seatings=1, sweeps=40), 3)
    try:
        with running("serve", f"serial:{link}", "--record", str(tmp_path / "streams"), "--rate", "15") as address:
            page, _ = _open(browser, address)
            bench.start(events)
            page.locator("#link[data-kind=on]").wait_for(timeout=PATIENCE_MS)
            page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
            pulled = time.monotonic()
            bench.unplug()
            page.locator("#link[data-kind=off]").filter(has_text="Indicator not connected").wait_for(
                timeout=PATIENCE_MS
            )
            assert time.monotonic() - pulled < 3.0
            page.locator("p.number.late").wait_for(timeout=PATIENCE_MS)
            back = time.monotonic()
            bench.replug()
            page.locator("#link[data-kind=on]").wait_for(timeout=PATIENCE_MS)
            assert time.monotonic() - back < 5.0
            first = page.locator("#number").inner_text()
            page.locator("#number").filter(has_not_text=first).wait_for(timeout=PATIENCE_MS)
            page.reload()
            page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
        page.locator("#link").filter(has_text="does not answer").wait_for(timeout=PATIENCE_MS)
        page.close()
    finally:
        bench.stop()
        assert threading.active_count() < 20
