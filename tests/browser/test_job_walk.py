"""A job's page leads: where the cursor goes after an entry, what is unfolded, and in which unit things are said."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from capture.jobs import JobFolder
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from capture.simulator.pty_bench import PtyBench
from capture.simulator.wires import frame_of
from tests.analysis import job_scenarios as s
from tests.browser.benches import Seen, in_this_program
from tests.browser.conftest import running
from tests.browser.job_pages import PATIENCE_MS, Keys, Row, as_writer, ask, shop, written
from tests.fakes.handed import HandedSource


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with shop(tmp_path_factory.mktemp("shop")) as found:
        yield found


def opened(browser: Any, address: str, job: str, step: str, width: int = 360) -> tuple[Any, Seen]:
    page = browser.new_page(viewport={"width": width, "height": 780})
    as_writer(page)
    seen = Seen(page, address)
    page.goto(f"{address}jobs/{job}#{step}")
    page.locator(f'#steps a[aria-current][href="#{step}"]').wait_for(state="attached", timeout=PATIENCE_MS)
    return page, seen


def at_form(page: Any, form: str) -> None:
    page.locator(f'[data-form="{form}"] :focus').wait_for(timeout=PATIENCE_MS)


def unfolded(page: Any) -> list[str]:
    return [str(x) for x in page.locator("details.form-fold[open]").evaluate_all("(a) => a.map((d) => d.dataset.name)")]


def test_one_limit_after_the_other_is_typed_without_going_back(browser: Any, address: str) -> None:
    written(address, "limits", s.ONE_START[:1])
    page, seen = opened(browser, address, "limits", "limits")
    keys = Keys(page)
    keys.form("limit", {"name": "Depth: tolerance", "value": "0.03 mm", "page": "12"})
    at_form(page, "limit")
    here = page.locator('[data-form="limit"] .here')
    assert re.match(r"Saved on the disk as entry \d+\. Go on: ", here.inner_text())
    assert here.evaluate(
        "(x) => { const r = x.getBoundingClientRect(); return r.top >= 0 && r.bottom <= innerHeight; }"
    )
    keys.form("limit", {"name": "Backlash: spread", "value": "0.05", "page": "14"})
    at_form(page, "limit")
    keys.go('[data-form="limit"] .here a')
    page.keyboard.press("Enter")
    page.locator('#steps a[aria-current]:not([href="#limits"])').wait_for(state="attached", timeout=PATIENCE_MS)
    assert seen.trouble == []
    page.close()


def test_as_found_asks_for_one_thing_after_the_other(browser: Any, address: str) -> None:
    before = [r for r in s.ONE_START if r[0] not in ("skip",)]
    written(address, "found", before)
    page, seen = opened(browser, address, "found", "as-found")
    assert unfolded(page) == ["backlash"]
    keys = Keys(page)
    keys.form("backlash", {"places": ("mm", ["0.25", "0.26", "0.24", "0.25"])})
    page.locator('details.form-fold[data-name="backlash"]:not([open])').wait_for(timeout=PATIENCE_MS)
    assert "state" in unfolded(page)
    at_form(page, "state")
    found = {"nut": "as found", "seal": "in", "retainer": "torqued", "covers": "torqued", "bearings": "used"}
    keys.form("state", found | {"bearings_seated": "yes", "turns": "20", "carrier": "out"})
    at_form(page, "zeroing-before")
    assert "state" not in unfolded(page), "the build is as it must be: it is not asked for again"
    keys.unfold('details.form-fold[data-name="state"]')
    stands = page.locator('[data-panel="state"]').inner_text()
    assert re.search(r"Shaft seal\s+in\b", stands)
    # What somebody unfolds himself stays so while he writes something else.
    keys.form("zeroing-before", {"master": "M60", "reading": "0.000 mm", "blade_on": "nowhere"})
    page.locator('details.form-fold[data-name="set-bench"][open]').wait_for(timeout=PATIENCE_MS)
    assert "state" in unfolded(page)
    assert seen.trouble == []
    page.close()


PINCH: list[Row] = [
    ("intake", {"unit": "INVENTED axle", "manual": "invented"}),
    ("limit", {"name": "depth-tolerance", "value": "0.03 mm", "page": "9"}),
    ("limit", {"name": "carrier-pinch", "value": "0.20 mm", "page": "9"}),
    ("family", {"shim_effect": "unknown"}),
]


def test_the_carriers_step_asks_for_what_the_pinch_lacks_and_takes_both_sides(browser: Any, address: str) -> None:
    written(address, "pinch", PINCH)
    page, seen = opened(browser, address, "pinch", "carrier-preload")
    step = page.locator("#step")
    assert "Pinch: 0.20 mm" in step.inner_text()
    assert "State the backlash" not in step.inner_text()
    keys = Keys(page)
    keys.form("zero-play", {"sum": "3.46 mm"})
    keys.form("fit-left", {"stack": "1.80 mm"})
    at_form(page, "fit-right")
    keys.form("fit-right", {"stack": "1.86 mm"})
    lacks = step.locator("p.lead").filter(has_text="whether a thicker side shim makes the preload higher or lower")
    lacks.wait_for(timeout=PATIENCE_MS)
    assert page.locator('[data-form="family-sides"] ~ .panel').count() == 0, "the pinion's sketch says nothing of it"
    sides = {"left_moves": "toward", "right_moves": "away", "left_preload": "higher", "right_preload": "higher"}
    keys.form("family-sides", sides)
    page.locator('#steps a[href="#carrier-preload"] + .how').filter(has_text="done").wait_for(
        state="attached", timeout=PATIENCE_MS
    )
    assert ask(address, "/api/jobs/pinch")["family"]["shim_effect"] == "unknown", "the rest of it stays"
    assert seen.trouble == []
    page.close()


def test_a_depth_without_a_target_has_no_error(browser: Any, address: str) -> None:
    rows = [r for r in [*s.ONE_START, *s.ONE_AS_FOUND] if r[0] not in ("gearset", "target")]
    written(address, "bare", rows)
    page, seen = opened(browser, address, "bare", "as-found")
    said = page.locator(".readings li").filter(has_text="depth").first.inner_text()
    assert "61.6507 mm ± 0" in said
    assert "No target is stated" in said
    assert "–" not in said
    assert seen.trouble == []
    page.close()


def test_a_job_in_inches_says_inches_first(browser: Any, address: str) -> None:
    written(address, "inches", [*s.TWO_START, *s.TWO_TRIAL])
    page, seen = opened(browser, address, "inches", "depth")
    panel = page.locator('[data-panel="shim"]')
    assert re.fullmatch(r"2\.4907\d in ± 0\.00\d+ in", panel.locator(".depth").inner_text())
    assert re.match(
        r"Outside tolerance: −0\.0062\d in from the target 2\.4970 in", panel.locator(".ruling").inner_text()
    )
    assert "+0.0020" in panel.locator("svg.band").text_content()
    shim = panel.locator(".shim").inner_text()
    assert re.search(r"take out 0\.0063 in \(0\.159 mm\)", shim), shim
    assert not re.search(r"\d (in|mm) \([\d.]+ (in|mm) \(", shim), shim
    assert seen.trouble == []
    page.close()


def test_the_second_reader_does_not_see_what_the_first_one_read(browser: Any, address: str) -> None:
    written(address, "marks", [r for r in s.ONE_START if r[0] != "gearset"])
    page, seen = opened(browser, address, "marks", "marks")
    keys = Keys(page)
    keys.field('[data-form="gearset"] [data-path="mark"]', "+14")
    seen_as = 'getComputedStyle(document.querySelector("[data-path=mark] input")).filter'
    assert page.evaluate(seen_as) == "none"
    keys.go('[data-form="gearset"] [data-path="second_reading"] input')
    assert page.evaluate(seen_as) != "none"
    page.keyboard.press("Tab")
    assert page.evaluate(seen_as) == "none"
    assert seen.trouble == []
    page.close()


def test_a_closed_job_is_opened_again_and_nothing_else(browser: Any, address: str) -> None:
    written(address, "closed", s.ONE)
    page, seen = opened(browser, address, "closed", "close")
    assert page.locator('[data-form="close"]').count() == 0
    assert unfolded(page) == []
    page.locator('details.form-fold[data-name="reopen"]').wait_for()
    assert seen.trouble == []
    page.close()


def test_the_display_is_taken_over_once_it_stands_still(browser: Any, tmp_path: Path) -> None:
    bench, stop, moving = PtyBench(tmp_path / "indicator"), threading.Event(), threading.Event()
    moving.set()

    def speak() -> None:
        n = 0
        while not stop.wait(0.05):
            n += 1
            bench.write(frame_of(12 + (n % 2) * 500 if moving.is_set() else 12, 0.001, "mm", "plain"))

    thread = threading.Thread(target=speak)
    folders = ["--jobs", str(tmp_path / "jobs"), "--record", str(tmp_path / "streams"), "--store", "off"]
    try:
        with running("serve", f"serial:{bench.link}", "--rate", "20", *folders) as address:
            thread.start()
            written(address, "zero", [*s.ONE_START, s.ONE_AS_FOUND[0]])
            page, seen = opened(browser, address, "zero", "as-found")
            fold = page.locator('details.form-fold[data-name="zeroing-before"]')
            fold.evaluate("(d) => (d.open = true)")
            fold.locator("output").filter(has_text=re.compile(r"0\.\d{3} mm")).first.wait_for(timeout=PATIENCE_MS)
            take = fold.get_by_role("button", name="Take this reading")
            fold.get_by_text("It can be taken once the display stands still.").wait_for(timeout=PATIENCE_MS)
            assert take.is_disabled()
            moving.clear()
            take.click(timeout=PATIENCE_MS)
            assert fold.locator('[data-path="reading"] input').first.input_value() == "0.012"
            assert fold.locator('[data-path="reading"] select').first.input_value() == "mm"
            fold.locator("button[type=submit]:focus").wait_for(timeout=PATIENCE_MS)
            assert seen.trouble == []
            page.close()
    finally:
        stop.set()
        thread.join(10)
        bench.stop()


def test_sweeps_from_before_the_zero_are_told_and_a_set_without_one_is_not_used(browser: Any, tmp_path: Path) -> None:
    source, jobs = HandedSource(), JobFolder(tmp_path / "jobs")
    with in_this_program(source, folder=tmp_path / "streams", jobs=jobs, rate=DEMO.rate) as (base, _):
        address = f"{base.rstrip('/')}/"
        written(address, "older", [*s.ONE_START, *s.ONE_AS_FOUND, *s.ONE_TRIAL[:3]])
        ask(address, "/api/bench", {"job": "older"})
        page, seen = opened(browser, address, "older", "trial")
        page.locator('details.form-fold[data-name="set-bench"]').evaluate("(d) => (d.open = true)")
        bench = page.locator('[data-form="set-bench"]')
        bench.filter(has_text="The indicator is measuring for this job.").wait_for(timeout=PATIENCE_MS)
        use = bench.get_by_role("button", name="Use this set")
        assert use.is_disabled(), "nothing was swept yet"
        events, _ = simulate(replace(DEMO, seatings=1, sweeps=6, faults={}), 3)
        source.hand([(e.t, e.data) for e in events if e.kind == "data"])
        bench.filter(has_text=re.compile(r"[1-9] sweeps? counts?,|[2-9] sweeps count,")).wait_for(timeout=PATIENCE_MS)
        assert not use.is_disabled()
        assert bench.get_by_text("made before entry").count() == 0
        # Longer than the first sweep took by its own times.
        page.wait_for_timeout(5000)
        before = {"when": "before", **s.ONE_ZERO}
        n = ask(address, "/api/jobs/older/entries", {"kind": "zeroing", "data": before, "by": "AB"})["entry"]["n"]
        told = bench.get_by_text(
            f"made before entry {n} was written down (The display on the master). Begin the set anew"
        )
        told.wait_for(timeout=PATIENCE_MS)
        bench.get_by_role("button", name="Begin the set anew").click()
        told.wait_for(state="hidden", timeout=PATIENCE_MS)
        assert seen.trouble == []
        page.close()
