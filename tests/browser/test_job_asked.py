"""What a job's page says of an entry that is odd, at the moment it is saved, and how it is answered."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.analysis import job_scenarios as s
from tests.browser.benches import PATIENCE_MS, Seen
from tests.browser.job_pages import Row, as_writer, ask, shop, written

BUILT: Row = ("state", {"bearings": "new", "seal": "out", "nut": "torqued", "turns": 20, "bearings_seated": True})
START: list[Row] = [
    ("intake", {"unit": "INVENTED axle", "manual": "invented manual"}),
    ("limit", {"name": "depth-tolerance", "value": "0.05 mm", "page": "4-10"}),
    ("family", {"shim_effect": "-1", "effect_basis": "stated", "preload_by": "crush sleeve"}),
    BUILT,
]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder: Path = tmp_path_factory.mktemp("shop")
    with shop(folder) as where:
        yield where


def opened(browser: Any, address: str, job: str, step: str, more: list[Row] | None = None) -> tuple[Any, Seen]:
    written(address, job, [*START, *(more or [])])
    page = browser.new_page(viewport={"width": 360, "height": 780})
    as_writer(page)
    seen = Seen(page, address)
    page.goto(f"{address}jobs/{job}#{step}")
    page.locator("#step h2").wait_for(timeout=PATIENCE_MS)
    return page, seen


def closed(page: Any, seen: Seen) -> None:
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 360, f"nothing hangs over the edge of a phone: {wide}"
    assert seen.trouble == []
    page.close()


def test_pound_feet_for_pound_inches(browser: Any, address: str) -> None:
    page, seen = opened(browser, address, "torque", "pinion-preload")
    form = page.locator('[data-form="preload-pinion"]')
    page.locator('details.form-fold[data-name="preload-pinion"][open]').wait_for(timeout=PATIENCE_MS)
    form.locator('[data-path="torque"] input').fill("19 lb·ft")
    form.locator('[data-path="sleeve"] input').fill("1")
    form.locator("button[type=submit]").click()
    remark = page.locator("#told .remark")
    remark.filter(has_text="Likely 19 lb·in (2.15 N·m)").wait_for(timeout=PATIENCE_MS)
    right = page.locator("#told").get_by_role("button", name="Put entry 5 right")
    assert right.evaluate("(b) => b === document.activeElement"), "the way on stands under the cursor"
    right.click()
    again = page.locator("#step .written form")
    again.wait_for(timeout=PATIENCE_MS)
    assert again.locator('[data-path="torque"] input').input_value() == "19", "nothing is filled in"
    assert again.locator('[data-path="torque"] select').input_value() == "lb·ft"
    again.locator('[data-path="torque"] select').select_option("lb·in")
    again.locator("button[type=submit]").click()
    page.locator("#told").filter(has_text="Saved on the disk as entry 6").wait_for(timeout=PATIENCE_MS)
    assert remark.count() == 0
    entries = ask(address, "/api/jobs/torque/entries")["entries"]
    assert [e["data"]["torque"] for e in entries if e["kind"] == "preload"] == ["19 lb·ft", "19 lb·in"]
    # The pinion is out again: the sleeve is told once, and the form for the next torque lies open.
    page.reload()
    written_state = {"kind": "state", "data": {"nut": "loose"}, "by": "AB"}
    ask(address, "/api/jobs/torque/entries", written_state)
    page.locator(".lead").filter(has_text="Fit a new sleeve").wait_for(timeout=PATIENCE_MS)
    page.locator('details.form-fold[data-name="preload-pinion"][open]').wait_for(timeout=PATIENCE_MS)
    assert page.locator('details.form-fold[data-name="fit-spacer"]').count() == 0, "a sleeve has no shim beside it"
    closed(page, seen)


def test_two_pages_that_disagree(browser: Any, address: str) -> None:
    page, seen = opened(browser, address, "limits", "limits")
    form = page.locator('[data-form="limit"]')
    form.locator('[data-path="name"] select').select_option("depth-tolerance")
    form.locator('[data-path="value"] input').fill("0.03 mm")
    form.locator('[data-path="page"] input').fill("9-3")
    form.locator("button[type=submit]").click()
    page.locator("#told .remark").filter(has_text="Look which one is for this unit").wait_for(timeout=PATIENCE_MS)
    panel = page.locator('[data-panel="limits"]')
    assert "0.05 mm" not in panel.inner_text(), "neither is used"
    answer = page.locator('[data-form="confirm-limit"]')
    names = answer.locator('[data-path="entry"] option').all_inner_texts()
    assert [x for x in names if "Depth" in x] == ["entry 2, Depth: tolerance ±", "entry 5, Depth: tolerance ±"]
    answer.locator('[data-path="entry"] select').select_option("5")
    answer.locator('[data-path="reason"] textarea').fill("its serial number is on page 9-3")
    answer.locator("button[type=submit]").click()
    panel.filter(has_text="0.03 mm").wait_for(timeout=PATIENCE_MS)
    assert answer.count() == 0
    closed(page, seen)


def test_the_same_limit_printed_in_two_units(browser: Any, address: str) -> None:
    page, seen = opened(browser, address, "units", "limits")
    form = page.locator('[data-form="limit"]')
    form.locator('[data-path="name"] select').select_option("pinion-preload")
    form.locator("details.more").evaluate("(d) => (d.open = true)")
    for name, figure in (("min", "16 lb·in"), ("max", "29 lb·in")):
        form.locator(f'[data-path="{name}"] input').fill(figure)
        form.locator(f'[data-path="{name}"] input').blur()
    assert form.locator('[data-path="also_min"] select').input_value() == "", "the other unit keeps its own"
    for name, figure in (("also_min", "23 N·m"), ("also_max", "37 N·m")):
        form.locator(f'[data-path="{name}"] input').fill(figure)
    form.locator('[data-path="condition"] label').filter(has_text="new").click()
    form.locator('[data-path="page"] input').fill("4-12")
    form.locator("button[type=submit]").click()
    said = page.locator("#told .remark").filter(has_text="16 lb·in is 1.808 N·m, not 23 N·m")
    said.wait_for(timeout=PATIENCE_MS)
    closed(page, seen)


SENTENCES = ("say", "missing", "because", "what", "why")


def reworded(x: Any, key: str = "") -> Any:
    """The same with every sentence in other words, as a translation or a better sentence would have it."""
    if isinstance(x, dict):
        return {k: reworded(v, k) for k, v in x.items()}
    if isinstance(x, list):
        return [reworded(v, key) for v in x]
    return "Other words." if x and key in SENTENCES else x


def test_what_is_unfolded_hangs_on_no_sentence(browser: Any, address: str) -> None:
    rows = [*s.ONE_START, *s.ONE_AS_FOUND, *s.ONE_TRIAL, *s.ONE_BOX, *s.ONE_DELIVERED, ("state", {"nut": "loose"})]
    written(address, "words", rows)
    page = browser.new_page(viewport={"width": 360, "height": 780})
    as_writer(page)
    seen = Seen(page, address)
    page.route(
        "**/api/jobs/words", lambda route: route.fulfill(json=reworded(json.loads(route.fetch().text()))), times=50
    )
    page.goto(f"{address}jobs/words#trial")
    page.locator(".next", has_text="Other words.").wait_for(timeout=PATIENCE_MS)
    page.locator('details.form-fold[data-name="state"][open]').wait_for(timeout=PATIENCE_MS)
    assert page.locator(".redo").count() == 0, "what is next says it already"
    # A build that is as it must be is not asked for again.
    ask(address, "/api/jobs/words/entries", {"kind": "state", "data": {"nut": "torqued", "turns": 20}, "by": "AB"})
    page.reload()
    page.locator('details.form-fold[data-name="zeroing-before"][open]').wait_for(timeout=PATIENCE_MS)
    assert page.locator('details.form-fold[data-name="state"][open]').count() == 0
    closed(page, seen)


def test_the_shim_beside_a_solid_spacer(browser: Any, address: str) -> None:
    spacer: Row = ("family", {"shim_effect": "-1", "effect_basis": "stated", "preload_by": "solid spacer"})
    piece: Row = ("piece", {"id": "P1", "readings": ["1.201", "1.200", "1.202"], "unit": "mm", "place": "spacer"})
    page, seen = opened(browser, address, "spacer", "pinion-preload", [spacer, piece])
    torque = page.locator('[data-form="preload-pinion"]')
    torque.locator('[data-path="torque"]').wait_for(state="attached", timeout=PATIENCE_MS)
    assert torque.locator('[data-path="sleeve"]').count() == 0, "a solid spacer has no sleeve to number"
    fold = page.locator('details.form-fold[data-name="fit-spacer"]')
    fold.evaluate("(d) => (d.open = true)")
    fold.locator("label.choice").filter(has_text="P1: 1.2010 mm").click()
    fold.locator("button[type=submit]").click()
    page.locator("#told").filter(has_text="Saved on the disk").wait_for(timeout=PATIENCE_MS)
    stacks = ask(address, "/api/jobs/spacer")["stacks"]
    assert stacks["spacer"]["pieces"] == ["P1"]
    closed(page, seen)


LINES = """
window.told = [];
new MutationObserver(() => {
  const line = document.getElementById("told")?.textContent;
  if (line && line !== window.told.at(-1)) window.told.push(line);
}).observe(document, { subtree: true, childList: true, characterData: true });
"""


def test_what_the_page_is_writing_itself_is_no_news_from_elsewhere(browser: Any, address: str) -> None:
    """The answer comes late, as from a slow disk: meanwhile the page sees that its job has grown."""
    written(address, "slow", START)
    page = browser.new_page(viewport={"width": 360, "height": 780})
    as_writer(page)
    page.add_init_script(LINES)
    seen = Seen(page, address)
    page.goto(f"{address}jobs/slow#direction")
    page.locator('[data-form="direction"]').wait_for(timeout=PATIENCE_MS)

    def late(route: Any) -> None:
        if route.request.method != "POST":
            route.continue_()
            return
        answer = route.fetch()
        time.sleep(6)
        route.fulfill(response=answer)

    page.route("**/api/jobs/slow/entries", late)
    page.locator('[data-path="pushed_in"] label').filter(has_text="falls").click()
    page.locator('[data-form="direction"] button[type=submit]').click()
    page.locator("#told").filter(has_text="Saved on the disk as entry 5").wait_for(timeout=PATIENCE_MS)
    assert not [x for x in page.evaluate("window.told") if "elsewhere" in x]
    ask(address, "/api/jobs/slow/entries", {"kind": "note", "data": {"text": "from the other bench"}, "by": "CD"})
    page.locator("#told").filter(has_text="Something was written down elsewhere").wait_for(timeout=PATIENCE_MS)
    closed(page, seen)
