"""The first run: a newcomer watches the invented bench, presses one button, and reads the shim of the invented job."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

from tests.browser.benches import PATIENCE_MS, Seen
from tests.browser.conftest import running


def test_from_the_start_of_the_demonstration_to_the_shim(
    browser: Any, record_testsuite_property: Callable[[str, object], None]
) -> None:
    """The time it takes is kept with the result, at the bench's own speed; nothing here waits for a clock."""
    began = time.monotonic()
    with running("demo") as address:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        seen = Seen(page, address)
        page.goto(address)
        page.locator("#job-bar").filter(has_text="INVENTED transaxle (demonstration) is at the bench").wait_for(
            timeout=PATIENCE_MS
        )
        page.locator("#who").fill("newcomer r n")  # letters that are commands of the page elsewhere
        page.locator("#next[data-kind=done]").wait_for(timeout=2 * PATIENCE_MS)
        page.locator("#use-set").click()
        shim = page.locator('[data-panel="shim"] .shim')
        shim.wait_for(timeout=PATIENCE_MS)
        record_testsuite_property("seconds from the command to the shim sentence", round(time.monotonic() - began, 1))
        assert re.search(r"too far out; it must go in, toward the ring gear's axis", shim.inner_text())
        assert re.search(r"so take out 0\.\d{3} mm .* From the box: ", shim.inner_text())
        panel = page.locator('[data-panel="shim"]')
        assert re.fullmatch(r"\d\d\.\d{4} mm ± 0\.\d{4} mm", panel.locator(".depth").inner_text())
        assert panel.locator(".ruling").inner_text().startswith("Outside tolerance: +0.0")
        assert page.locator("#unit-h").inner_text() == "INVENTED transaxle (demonstration)"
        assert "Read the master again" in page.locator(".next-up").inner_text()
        panel.get_by_role("button", name="Write these down as put in").click()
        page.locator('[data-form="fit-depth"] button[type=submit]').click()
        page.locator("#told").filter(has_text="Saved on the disk").wait_for(timeout=PATIENCE_MS)
        assert seen.trouble == []
        page.close()


def test_the_job_page_takes_the_set_too_and_says_for_which_job_the_indicator_measures(browser: Any) -> None:
    with running("demo", "--speed", "6") as address:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        seen = Seen(page, address)
        page.goto(f"{address}jobs/invented-transaxle")
        bench = page.locator('[data-form="set-bench"]')
        bench.filter(has_text="The indicator is measuring for this job.").wait_for(timeout=PATIENCE_MS)
        bench.filter(has_text=re.compile(r"[1-9]\d* sweeps count")).wait_for(timeout=PATIENCE_MS)
        page.locator("#who").fill("AB")
        bench.get_by_role("button", name="Use this set").click()
        page.locator("#told").filter(has_text="Saved on the disk as entry").wait_for(timeout=PATIENCE_MS)
        page.locator('.readings li[data-status="provisional"]').wait_for(timeout=PATIENCE_MS)
        page.goto(f"{address}jobs")
        page.locator("#unit").fill("a second unit, invented")
        page.locator("#begin button").click()
        page.locator("#unit-h").filter(has_text="a second unit").wait_for(timeout=PATIENCE_MS)
        page.goto(page.url.split("#")[0] + "#trial")
        page.locator('details.form-fold[data-name="set-bench"]').evaluate("(d) => (d.open = true)")
        bench.filter(
            has_text="The indicator is measuring for another job: INVENTED transaxle (demonstration)."
        ).wait_for(timeout=PATIENCE_MS)
        assert bench.get_by_role("button", name="Use this set").is_hidden()
        bench.get_by_role("button", name="Measure for this job").click()
        bench.filter(has_text="The indicator is measuring for this job.").wait_for(timeout=PATIENCE_MS)
        assert seen.trouble == []
        page.close()


def test_a_seating_that_was_just_taken_is_not_asked_for_again(browser: Any) -> None:
    with running("demo", "--speed", "3") as address:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        seen = Seen(page, address)
        page.goto(f"{address}jobs/invented-transaxle")
        bench = page.locator('[data-form="set-bench"] .bench')
        bench.wait_for(timeout=PATIENCE_MS)
        told: list[list[str]] = []
        deadline = time.monotonic() + PATIENCE_MS / 1000
        # In one breath: the page goes on in between.
        lines = "(b) => [...b.querySelectorAll('[data-from=program]')].map((x) => x.textContent)"
        while len(told) < 5 and time.monotonic() < deadline:
            now = bench.evaluate(lines)
            if any(re.search(r"Seating [23]: (one|\d) more good sweep", x) for x in now):
                told.append(now)
            page.wait_for_timeout(100)
        assert told, "the page says of a later seating how many sweeps it still wants"
        assert not [x for one in told for x in one if "eat" in x and "Seating" not in x and "this job" not in x]
        assert seen.trouble == []
        page.close()
