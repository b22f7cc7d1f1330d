"""What the program asks back, and readings taken in a wrong state: shown with their reason, answered on the page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.analysis import job_scenarios as s
from tests.browser.benches import Seen
from tests.browser.conftest import running
from tests.browser.job_pages import PATIENCE_MS, Keys, as_writer, ask, shop, written

BUMPED = [
    (k, {**d, "seatings": [{**x, "unit": "in"} for x in d["seatings"]]} if k == "set" else d) for k, d in s.TWO_TRIAL
]


@pytest.fixture
def page(browser: Any, tmp_path: Path) -> Iterator[Any]:
    with shop(tmp_path) as address:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        as_writer(page)
        seen = Seen(page, address)
        page.address = address
        yield page
        assert seen.trouble == []
        page.close()


def at(page: Any, job: str, step: str) -> None:
    page.goto(f"{page.address}jobs/{job}#{step}")
    page.locator(f'#steps a[aria-current][href="#{step}"]').wait_for(timeout=PATIENCE_MS)


def test_a_bumped_unit_key_is_asked_about_and_answered(page: Any) -> None:
    written(page.address, "two", [*s.TWO_START, *BUMPED])
    at(page, "two", "trial")
    reading = page.locator('.readings li[data-status="question"]')
    assert "waits for an answer" in reading.inner_text()
    assert "was the display in mm and not in in?" in reading.inner_text()
    assert "Seating 2" in page.locator(".next-up").inner_text()
    keys = Keys(page)
    keys.unfold('.readings li[data-status="question"] details')
    entry = reading.get_attribute("data-entry")
    keys.field(f'[data-form="confirm-{entry}"] [data-path="reason"]', "looked at the display again")
    keys.save(f'[data-form="confirm-{entry}"]')
    page.locator(f'.readings li[data-status="valid"][data-entry="{entry}"]').wait_for(timeout=PATIENCE_MS)


def test_a_reading_in_a_wrong_state_is_kept_and_used_only_with_a_reason(page: Any) -> None:
    written(page.address, "three", [*s.THREE_START, *s.THREE_HOT])
    at(page, "three", "trial")
    reading = page.locator('.readings li[data-status="wrong state"]')
    assert "too far apart" in reading.inner_text()
    assert "Measure the depth again:" in page.locator(".next-up").inner_text()
    entry = reading.get_attribute("data-entry")
    keys = Keys(page)
    keys.unfold('.readings li[data-status="wrong state"] details')
    keys.field(f'[data-form="allow-{entry}"] [data-path="reason"]', "only to look at the scatter")
    keys.save(f'[data-form="allow-{entry}"]')
    page.locator(f'.readings li[data-status="valid"][data-entry="{entry}"]').wait_for(timeout=PATIENCE_MS)
    assert page.locator(".redo").count() == 0


def test_a_large_change_waits_for_a_word(page: Any) -> None:
    far = s.measured("trial", s.seated("mm", "2.034 2.033", "2.031 2.030", "2.033 2.034"), s.ONE_ZERO, "0.000 mm")
    rows = [*s.ONE_START, *s.ONE_AS_FOUND, *s.ONE_TRIAL[:3], *far, *s.ONE_BOX]
    written(page.address, "one", rows)
    at(page, "one", "depth")
    assert "Stop: a change of" in page.locator('[data-panel="shim"] .shim').inner_text()
    assert page.get_by_role("button", name="Write these down as put in").count() == 0
    entry = ask(page.address, "/api/jobs/one")["depth"]["set"]
    keys = Keys(page)
    keys.field(f'[data-form="confirm-{entry}"] [data-path="reason"]', "another gear set, invented")
    keys.save(f'[data-form="confirm-{entry}"]')
    page.locator('[data-panel="shim"] .shim').filter(has_not_text="Stop: a change").wait_for(timeout=PATIENCE_MS)


def test_a_second_person_measures_without_seeing_the_first_set(page: Any) -> None:
    rows = [*s.ONE_START, *s.ONE_AS_FOUND, *s.ONE_TRIAL]
    written(page.address, "one", rows)
    first = next(n for n, (k, d) in reversed(list(enumerate(rows, start=1))) if k == "set")
    at(page, "one", "trial")
    of = f'.readings li[data-entry="{first}"]'
    Keys(page).unfold(f"{of} details")
    Keys(page).field(f'[data-form="blind-{first}"] [data-path="second"]', "CD")
    Keys(page).save(f'[data-form="blind-{first}"]')
    at(page, "one", "blind")
    assert "CD measures without seeing set" in page.locator(".next-up").inner_text()
    assert "61.7325" not in page.locator("main").inner_text(), "the first set is covered"
    page.get_by_role("button", name="Change").click()
    page.locator("#who").fill("CD")
    page.keyboard.press("Enter")
    keys = Keys(page)
    keys.form(
        "zeroing-before", {"master": "M60", "reading": "0.000 mm", "blade_on": "on the pinion only", "blade": "B10"}
    )
    keys.unfold('details.form-fold[data-name="set-typed"]')
    for n in range(1, 4):
        keys.figures(
            f'[data-form="set-typed"] .seating:nth-child({n}) [data-path="seatings.readings"]',
            "mm",
            ["1.633", "1.632", "1.633"],
        )
    keys.save('[data-form="set-typed"]')
    people = ask(page.address, "/api/jobs/one")["people"]
    assert people[0]["people"] == ["AB", "CD"]
    page.locator("#told .found").filter(has_text="CD reads ").wait_for(timeout=PATIENCE_MS)
    page.locator(".next-up").filter(has_not_text="without seeing").wait_for(timeout=PATIENCE_MS)
    at(page, "one", "trial")
    page.locator('[data-panel="depth"]').filter(has_text="Two people compared").wait_for(timeout=PATIENCE_MS)


def test_serve_keeps_jobs_beside_the_recordings_and_goes_on_with_the_one_at_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    with running("serve", "push", "--store", "off") as address:
        name = ask(address, "/api/new-job", {"unit": "invented axle", "by": "AB"})["job"]
        assert (tmp_path / "shimwright" / "jobs" / name / "job.jsonl").is_file()
        assert ask(address, "/api/bench", {"job": name})["job"] == name
    with running("serve", "push", "--store", "off") as address:
        assert ask(address, "/api/bench")["job"] == name
        assert ask(address, "/api/bench")["current"] is True
    assert (tmp_path / "shimwright" / "streams").is_dir()
