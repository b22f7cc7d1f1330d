"""The large display: what a person at the bench reads from three metres, on a screen and on a phone, and nothing to press."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from tests.browser.benches import LINES, PATIENCE_MS, Program, at_the_bench, bumped, opened, read
from tests.browser.test_page import demo as demo

CAPITAL = 0.72
"""Height of a capital letter over the size of the type (value from memory, usual sans serif)."""
MM_A_PIXEL = 0.277
"""A screen of 24 inches with 1920 by 1080 points."""
READ_AT_3_M = 3000 * 0.00436
"""A letter seen under 15 minutes of arc, mm: three times the smallest that good eyes make out (five minutes, the line of the eye chart
that stands for normal sight)."""


def _height(page: Any, selector: str) -> float:
    size = page.evaluate(f"parseFloat(getComputedStyle(document.querySelector('{selector}')).fontSize)")
    return float(size) * CAPITAL * MM_A_PIXEL


def test_the_bench_is_told_what_to_do_what_counted_and_the_answer(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 2.2, seatings=8, sweeps=6, lifted=True, faults={2: "knock", 8: "knock"}) as (_, swing):
        running = Program(tmp_path, 33)
        try:
            page = browser.new_page(viewport={"width": 1920, "height": 1080})
            page.add_init_script(LINES)
            page.goto(running.start() + "display")
            page.locator("#next").filter(has_text=re.compile(r"\w")).wait_for(timeout=PATIENCE_MS)
            swing()
            read(page, "Swing the arbor slowly", "next")
            read(page, "Sweep 1 counted.", "verdict", "yes")
            bumped(page)
            for selector in ("#next", "#number", "#seating", "#verdict"):
                assert _height(page, selector) >= READ_AT_3_M, selector
            assert page.evaluate("document.documentElement.scrollHeight") <= 1080, "all of it at one look"
            read(page, "Lift the arbor out", "next")
            read(page, "Seating 1: 3 of 3 sweeps", "seating")
            read(page, "aim ±0.0075 mm", "far-text")
            page.locator("#next[data-kind=done]").wait_for(timeout=2 * PATIENCE_MS)
            page.locator("#answer").wait_for()
            assert page.locator("#measuring").is_hidden()
            assert re.fullmatch(r"\d\d\.\d{4} mm ± 0\.\d{4}", page.locator("#depth").inner_text())
            assert page.locator("#ruling").inner_text().startswith("Outside tolerance: +0.0")
            assert "so take out 0." in page.locator("#shim").inner_text()
            for selector in ("#depth", "#ruling"):
                assert _height(page, selector) >= READ_AT_3_M, selector
            assert page.evaluate("document.documentElement.scrollHeight") <= 1080
            page.close()
        finally:
            running.end()


def test_the_display_changes_nothing_and_fits_a_phone(browser: Any, demo: str) -> None:
    page, seen = opened(browser, demo, "display", width=360, color_scheme="dark")
    page.locator("#number").filter(has_text=re.compile(r"\d")).wait_for(timeout=PATIENCE_MS)
    page.locator("#verdict").filter(has_text="Sweep").wait_for(timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.locator("button, input, select, textarea, [contenteditable]").count() == 0
    for key in ("r", "n", "g", "b", " ", "Enter"):
        page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert seen.posted == []
    assert page.locator("text=This tool informs; a competent person decides.").is_visible()
    assert seen.trouble == []
    page.close()
