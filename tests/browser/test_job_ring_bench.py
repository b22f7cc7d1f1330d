"""Backlash, end play and run-out measured on a job's page: an invented ring gear on a real pseudo-terminal, rocked and turned by hand.

What the bench knows must lie where the page says; the raw stream goes into the job and gives the same again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from capture.jobs import JobFile
from capture.simulator.pty_bench import PtyBench
from tests.browser.benches import PATIENCE_MS, Seen
from tests.browser.conftest import running
from tests.browser.job_pages import Row, as_writer, ask, written
from tests.fakes.ring_bench import RingBench, simulate_ring

IN: list[Row] = [
    ("intake", {"unit": "INVENTED axle (ring gear under the indicator)"}),
    ("limit", {"name": "backlash", "value": "0.18 mm", "tolerance": "0.03 mm", "page": "14"}),
    ("limit", {"name": "run-out", "value": "0.05 mm", "page": "15"}),
    ("instrument", {"id": "I1", "type": "indicator", "resolution": "0.001 mm", "mpe": "0.003 mm"}),
    ("state", {"carrier": "in", "covers": "torqued"}),
]


@dataclass
class Shop:
    """A program that listens to a bench, and its jobs."""

    address: str
    bench: PtyBench
    folder: Path


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder = tmp_path_factory.mktemp("ring")
    bench = PtyBench(folder / "indicator")
    try:
        with running(
            "serve", f"serial:{folder / 'indicator'}", "--rate", "15", "--jobs", str(folder / "jobs"),
            "--record", str(folder / "streams"), "--store", "off",
        ) as address:  # fmt: skip
            yield Shop(address, bench, folder)
    finally:
        bench.stop()


def at_step(browser: Any, shop: Shop, job: str, step: str, form: str) -> tuple[Any, Seen, Any]:
    """A job's page at a step, its form open and the indicator measuring for this job."""
    written(shop.address, job, IN)
    page = browser.new_page(viewport={"width": 360, "height": 780})
    as_writer(page)
    seen = Seen(page, shop.address)
    page.goto(f"{shop.address}jobs/{job}#{step}")
    page.locator(f'details.form-fold[data-name="{form}"]').evaluate("(d) => (d.open = true)")
    here = page.locator(f'[data-form="{form}"]')
    use = here.locator("button[type=submit]")
    here.get_by_role("button", name="Measure for this job").wait_for(timeout=PATIENCE_MS)
    assert use.is_hidden(), "nothing is used while the indicator measures for nobody"
    here.get_by_role("button", name="Measure for this job").click()
    here.filter(has_text="The indicator is measuring for this job.").wait_for(timeout=PATIENCE_MS)
    use.wait_for(timeout=PATIENCE_MS)
    return page, seen, here


def measured(shop: Shop, bench: RingBench, seed: int) -> Any:
    """The bench plays from here on; gives what it knows."""
    events, truth = simulate_ring(bench, seed)
    shop.bench.finished.clear()
    shop.bench.start(events)
    return truth


def saved(page: Any, here: Any, name: str) -> None:
    here.get_by_role("button", name=name).click()
    page.locator("#told").filter(has_text=re.compile("Saved on the disk as entry")).wait_for(timeout=PATIENCE_MS)
    page.locator(".readings li").first.wait_for(timeout=PATIENCE_MS)


def entry(shop: Shop, job: str) -> dict[str, Any]:
    found: dict[str, Any] = ask(shop.address, f"/api/jobs/{job}/entries")["entries"][-1]
    check = ask(shop.address, f"/api/jobs/{job}/check")
    assert check["same"], check
    assert any(f["what"].endswith("result") for f in check["findings"]), "worked out again from the raw stream"
    assert JobFile(shop.folder / "jobs" / job).check()
    return found


def test_backlash_at_four_places_is_heard_and_used(browser: Any, shop: Shop) -> None:
    page, seen, here = at_step(browser, shop, "rocked", "backlash", "backlash-bench")
    truth = measured(shop, RingBench("rocked", stops=8, hold_s=1.1, gaps=(0.17, 0.19, 0.18, 0.18)), 811)
    for n in (1, 4):
        here.filter(has_text=re.compile(rf"{n} places? found")).wait_for(timeout=3 * PATIENCE_MS)
    assert shop.bench.finished.wait(5 * PATIENCE_MS / 1000)
    saved(page, here, "Use these places")
    found = entry(shop, "rocked")
    assert found["kind"] == "backlash"
    assert found["data"]["phase"] == "trial"
    halves = [p["U95_mm"] for p in found["data"]["result"]["places"]]
    for place, true, half in zip(found["data"]["places"], truth.gaps, halves, strict=True):
        assert abs(float(place) - true) <= max(half, 0.004)
    assert page.locator(".readings li").first.get_attribute("data-status") == "valid"
    page.locator('[data-panel="backlash"] [data-live="backlash"] svg').wait_for(timeout=PATIENCE_MS)
    assert seen.trouble == []
    page.close()


def test_end_play_of_the_pinion_is_heard_and_used(browser: Any, shop: Shop) -> None:
    page, seen, here = at_step(browser, shop, "pushed", "pinion-preload", "end-play-pinion-bench")
    truth = measured(shop, RingBench("pushed", stops=10, hold_s=1.1, gaps=(0.06,)), 812)
    assert shop.bench.finished.wait(5 * PATIENCE_MS / 1000)
    here.filter(has_text=re.compile(r"1 place found")).wait_for(timeout=PATIENCE_MS)
    saved_here(page, here, "Use this end play")
    found = entry(shop, "pushed")
    assert (found["kind"], found["data"]["where"]) == ("end-play", "pinion")
    size, unit = found["data"]["play"].split()
    assert unit == "mm"
    assert abs(float(size) - truth.gaps[0]) <= 0.004
    page.locator(f'details.written li[data-n="{found["n"]}"]').wait_for(state="attached", timeout=PATIENCE_MS)
    assert seen.trouble == []
    page.close()


def test_run_out_of_two_turns_is_heard_and_used(browser: Any, shop: Shop) -> None:
    page, seen, here = at_step(browser, shop, "turned", "run-out", "run-out-bench")
    here.locator('[data-path="turns"] input').fill("2")
    bench = RingBench("turned", gaps=(), wave=0.034, second=0.005, turns=2, turn_s=9.0)
    truth = measured(shop, bench, 813)
    assert shop.bench.finished.wait(5 * PATIENCE_MS / 1000)
    here.locator("p[data-from=program]").filter(has_text=re.compile(r"Run-out 0\.0\d\d")).first.wait_for(
        timeout=PATIENCE_MS
    )
    saved(page, here, "Use this run-out")
    found = entry(shop, "turned")
    assert (found["kind"], found["data"]["turns"]) == ("run-out", 2)
    heights = [float(x) for x in found["data"]["readings"]]
    assert abs((max(heights) - min(heights)) - truth.run_out) <= 0.004
    assert seen.trouble == []
    page.close()


def saved_here(page: Any, here: Any, name: str) -> None:
    """For a step whose list of readings is of another kind."""
    here.get_by_role("button", name=name).click()
    page.locator("#told").filter(has_text="Saved on the disk as entry").wait_for(timeout=PATIENCE_MS)
