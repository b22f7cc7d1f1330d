"""A whole invented job typed through the pages by the keyboard alone, from the unit's name to its sheet.  Figures invented."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.browser.job_pages import PATIENCE_MS, Keys, ask, shop
from tests.browser.test_page import Seen

ZERO = {"master": "M60", "reading": "0.000 mm", "blade_on": "nowhere"}
BUILT = {
    "nut": "torqued",
    "seal": "out",
    "covers": "torqued",
    "bearings": "new",
    "bearings_seated": "yes",
    "turns": "20",
    "carrier": "out",
}


def seatings(keys: Keys, form: str, rows: list[str]) -> None:
    """Readings of a set, one seating after the other."""
    keys.unfold(f'details.form-fold[data-name="{form}"]')
    for n, row in enumerate(rows, start=1):
        keys.figures(f'[data-form="{form}"] .seating:nth-child({n}) [data-path="seatings.readings"]', "mm", row.split())
    keys.save(f'[data-form="{form}"]')


def measured(keys: Keys, rows: list[str]) -> None:
    """Master, set, master."""
    keys.form("zeroing-before", ZERO)
    seatings(keys, "set-typed", rows)
    keys.form("zeroing-after", {"reading": "0.000 mm"})


@pytest.fixture(scope="module")
def job(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder: Path = tmp_path_factory.mktemp("shop")
    with shop(folder) as address:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        seen = Seen(page, address)
        page.goto(f"{address}jobs")
        page.locator("#jobs").filter(has_text="There is no job yet").or_(
            page.locator("#first:not([hidden])")
        ).first.wait_for()
        keys = Keys(page)
        keys.go("#unit")
        page.keyboard.type("invented transaxle, bench 2")
        keys.go("#who")
        page.keyboard.type("AB")
        page.keyboard.press("Enter")
        keys.go("#begin button")
        page.keyboard.press("Enter")
        page.locator("#unit-h").filter(has_text="invented transaxle").wait_for(timeout=PATIENCE_MS)
        yield page, keys, address, seen
        assert seen.trouble == []
        page.close()


def test_from_the_units_name_to_the_target(job: Any) -> None:
    page, keys, _, _ = job
    page.locator('#steps a[aria-current][href="#intake"]').wait_for(timeout=PATIENCE_MS)
    keys.form("intake", {"manual": "invented manual, 2nd edition", "ran_quietly": "yes"})
    # The way on stands under the cursor.
    assert page.evaluate("document.activeElement.getAttribute('href')") == "#limits"
    page.keyboard.press("Enter")
    keys.form("limit", {"name": "Depth: tolerance", "value": "0.03 mm", "page": "12"})
    keys.form("limit", {"name": "Backlash", "value": "0.18 mm", "tolerance": "0.03 mm", "page": "14"})
    keys.form("limit", {"name": "Run-out", "value": "0.05 mm", "page": "15"})
    keys.form("limit", {"name": "Carrier: pinch", "value": "0.20 mm", "page": "16"})
    keys.form("limit", {"name": "Pinion turning", "min": "2.0 N·m", "max": "4.0 N·m", "condition": "new", "page": "17"})
    limits = page.locator('[data-panel="limits"]').inner_text()
    assert "0.18 mm (0.00709 in) ± 0.03 mm (0.00118 in)" in limits
    assert "2.0 N·m (17.7 lbf·in) to 4.0 N·m (35.4 lbf·in), for new bearings" in limits
    assert "not stated; it is never filled in" in limits
    keys.step("family")
    keys.form(
        "family",
        {"shim_effect": "moves the pinion AWAY", "effect_basis": "the manual", "page": "11", "max_pieces": "1"},
    )
    keys.step("instruments")
    keys.form("instrument", {"type": "master", "id": "M60", "distance": "60.000 mm"})
    keys.step("direction")
    keys.form("direction", {"pushed_in": "falls"})
    keys.step("as-found")
    keys.unfold("details.leave-out")
    keys.field('[data-form="skip"] [data-path="reason"]', "invented: came in pieces")
    keys.save('[data-form="skip"]')
    keys.step("marks")
    mark = {
        "pinion_pair": "417",
        "ring_pair": "417",
        "mark": "+14",
        "form": "a count",
        "nominal": "61.50 mm",
        "count": "0.01 mm",
    }
    keys.form(
        "gearset",
        mark
        | {"sense": "the pinion stands further OUT", "read_by": "AB", "second_reader": "CD", "second_reading": "+14"},
    )
    page.locator(".next-up").filter(has_text="Measure the old shims").wait_for(timeout=PATIENCE_MS)


def test_from_the_old_shim_to_one_that_closes_the_loop(job: Any) -> None:
    page, keys, address, _ = job
    keys.step("old-shims")
    keys.form("piece", {"id": "old", "readings": ("mm", ["0.921", "0.919", "0.920", "0.920"])})
    keys.form("fit-depth", {"pieces": ["old"]})
    keys.step("trial")
    keys.form("state", BUILT)
    measured(keys, ["1.734 1.733 1.735", "1.731 1.730 1.732", "1.733 1.734 1.732"])
    depth = page.locator('[data-panel="depth"]')
    assert "Outside tolerance: +0.0927 mm" in depth.inner_text()
    keys.step("depth")
    assert "take out 0.093 mm" in page.locator('[data-panel="shim"] .shim').inner_text()
    keys.unfold('details.form-fold[data-name="piece"]')
    keys.form("piece", {"id": "0.82", "readings": ("mm", ["0.827", "0.828", "0.827"])})
    keys.go('[data-panel="shim"] button')
    page.keyboard.press("Enter")
    assert keys.at('[data-form="fit-depth"] button[type=submit]')
    keys.save('[data-form="fit-depth"]')
    keys.step("trial")
    page.locator(".next-up").filter(has_text="the depth shim was changed").wait_for(timeout=PATIENCE_MS)
    keys.form("state", {"nut": "torqued", "turns": "25"})
    measured(keys, ["1.642 1.641 1.643", "1.640 1.639 1.641", "1.641 1.642 1.640"])
    assert "Within tolerance" in depth.inner_text()
    keys.step("depth")
    closure = page.locator('[data-panel="shim"]').inner_text()
    assert "The measurement agrees with the prediction" in closure
    (name,) = [j["job"] for j in ask(address, "/api/jobs")["jobs"]]
    assert ask(address, f"/api/jobs/{name}")["predictions"][-1]["closure"]["agrees"] is True


def test_from_the_preload_to_the_sheet(job: Any) -> None:
    page, keys, _, seen = job
    keys.step("pinion-preload")
    keys.field('[data-form="preload-pinion"] [data-path="force"]', "34 N")
    keys.field('[data-form="preload-pinion"] [data-path="radius"]', "82 mm")
    assert "2.79 N·m = 24.7 lbf·in" in page.locator('details.form-fold[data-name="preload-pinion"]').inner_text()
    keys.form("preload-pinion", {"method": "turned steadily", "phase": "trial"})
    keys.step("final-depth")
    measured(keys, ["1.642 1.641 1.643", "1.640 1.639 1.641", "1.641 1.642 1.640"])
    keys.step("run-out")
    keys.form("state", {"carrier": "in", "covers": "torqued"})
    keys.form(
        "run-out", {"readings": ("mm", ["0", "0.01", "0.02", "0.03", "0.03", "0.02", "0.01", "0"]), "phase": "final"}
    )
    keys.step("carrier-preload")
    keys.form("zero-play", {"sum": "3.46 mm"})
    keys.form("fit-left", {"stack": "1.93 mm"})
    keys.form("fit-right", {"stack": "1.73 mm"})
    keys.step("family")
    keys.form(
        "family",
        {"left_preload": "higher", "right_preload": "higher", "left_moves": "toward", "right_moves": "away"},
        more=["left_preload"],
    )
    keys.step("backlash")
    keys.form("backlash", {"places": ("mm", ["0.18", "0.19", "0.17", "0.18"]), "phase": "final"})
    picture = page.locator('[data-panel="backlash"] svg').get_attribute("aria-label")
    assert (
        picture
        == "Ring seen from the back face: place 1: 0.180 mm; place 2: 0.190 mm; place 3: 0.170 mm; place 4: 0.180 mm"
    )
    assert "smallest 0.170 at place 3" in page.locator('[data-panel="backlash"] .shim').inner_text()
    keys.step("pattern")
    keys.form("pattern", {"drive": ["centred"], "coast": ["centred"], "load": "by hand", "phase": "final"})
    keys.step("close")
    keys.form("close", {"not_checked": "noise under load"})
    page.locator(".next-up").filter(has_text="This job is closed").wait_for(timeout=PATIENCE_MS)
    keys.go('[data-panel="sheet"] a:not([download])')
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/sheet\.html"))
    sheet = page.locator("body").inner_text()
    for said in ("invented transaxle, bench 2", "+14", "61.64", "noise under load", "invented manual, 2nd edition"):
        assert said in sheet
    assert seen.trouble == []
