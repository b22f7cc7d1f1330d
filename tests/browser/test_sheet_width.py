"""A job's sheet in inches, the widest there is, on paper and on a phone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from capture.jobs import JobFolder
from tests.analysis import job_scenarios as s
from tests.browser.benches import PATIENCE_MS
from web.cli.report import report_command

OVER_THE_EDGE = """() => [...document.querySelectorAll("table, pre, figure")]
  .filter((x) => Math.max(x.getBoundingClientRect().right, x.parentElement.scrollWidth) > document.documentElement.clientWidth + 1)
  .map((x) => `${x.closest("section")?.id ?? "lead"}: ${x.innerText.slice(0, 60)}`)"""


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("shop")
    job = JobFolder(root).new("2026-015")
    for kind, data in s.TWO:
        job.add(kind, data, "AB")
    assert report_command([job.path], root / "sheet.html", None, None, "AB") == 0
    return root / "sheet.html"


@pytest.mark.parametrize(
    ("media", "width"),
    # A4 has 180 mm between its margins, 680 of these.
    [("print", 680), ("screen", 360), ("screen", 768), ("screen", 1280)],
)
def test_no_table_hangs_over_the_edge(browser: Any, sheet: Path, media: str, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.emulate_media(media=media)
    page.goto(sheet.as_uri())
    page.locator("main section").first.wait_for(timeout=PATIENCE_MS)
    assert page.evaluate(OVER_THE_EDGE) == []
    assert page.evaluate("document.documentElement.scrollWidth") == width
    cell = page.locator("table:has(thead th:nth-child(8)) tbody td.num").first
    name = cell.evaluate("(x) => getComputedStyle(x, '::before').content")
    assert name == ('"distance"' if width == 360 else "none"), (
        "on a phone each figure has the name of its column beside it"
    )
    page.close()
