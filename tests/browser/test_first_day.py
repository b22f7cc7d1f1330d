"""The first day: nothing is plugged in and nothing written down, and each page says where to go next."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from capture.simulator.pty_bench import PtyBench
from tests.browser.conftest import running
from tests.browser.test_page import PATIENCE_MS, Seen


@pytest.mark.parametrize("width", [360, 1280])
def test_from_nothing_to_the_first_job(browser: Any, tmp_path: Path, width: int) -> None:
    link = tmp_path / "indicator"
    bench = PtyBench(link)
    bench.unplug()
    folders = ["--record", str(tmp_path / "streams"), "--jobs", str(tmp_path / "jobs"), "--store", "off"]
    try:
        with running("serve", f"serial:{link}", *folders) as address:
            page = browser.new_page(viewport={"width": width, "height": 900})
            seen = Seen(page, address)
            page.goto(f"{address}jobs")
            page.locator("#first").filter(has_text="begin the first job here").wait_for(timeout=PATIENCE_MS)
            page.locator("#jobs").filter(has_text="There is no job yet").wait_for(timeout=PATIENCE_MS)
            page.goto(address)
            page.get_by_role("link", name="Find the indicator").click(timeout=PATIENCE_MS)
            page.wait_for_url(f"{address}connect")
            page.locator("#now-said").filter(has_text="Indicator not connected").wait_for(timeout=PATIENCE_MS)
            page.locator("#findings li").first.wait_for(timeout=PATIENCE_MS)
            bench.replug()
            bench.start(simulate(DEMO, 3)[0])
            page.locator("#counts").filter(has_text=re.compile(r"Readings taken\s*[1-9]")).wait_for(timeout=PATIENCE_MS)
            page.get_by_role("link", name="To the jobs").click()
            page.locator("#jobs").filter(has_text="There is no job yet").wait_for(timeout=PATIENCE_MS)
            assert page.locator("#first").is_hidden(), "the indicator is heard already"
            page.locator("#unit").fill("INVENTED unit 1")
            page.keyboard.press("Enter")
            page.locator("#who-problem").filter(has_text="Say who is writing first").wait_for(timeout=PATIENCE_MS)
            # Asked for in the middle of it, the name is all that was missing.
            page.keyboard.type("AB")
            page.keyboard.press("Enter")
            page.locator("#unit-h").filter(has_text="INVENTED unit 1").wait_for(timeout=PATIENCE_MS)
            page.locator("#next").filter(has_text=re.compile(r"\w+")).wait_for(timeout=PATIENCE_MS)
            page.get_by_role("link", name="Sweeps", exact=True).click()
            page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
            assert page.locator("#way-on").is_hidden()
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            # The browser tells of the refusal that asked for the name.
            assert [x for x in seen.trouble if "422" not in x] == []
            page.close()
    finally:
        bench.stop()
