"""The answer of a set that is far off, on a phone: its marks do not lie on each other, and no chance is rounded to none."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from tests.browser.benches import PATIENCE_MS, Seen
from tests.browser.job_pages import Row, as_writer, shop, written

BEFORE: list[Row] = [
    ("intake", {"unit": "INVENTED axle", "manual": "invented manual"}),
    ("limit", {"name": "depth-tolerance", "value": "0.03 mm", "page": "4-10"}),
    ("family", {"shim_effect": "-1", "effect_basis": "stated"}),
    ("instrument", {"id": "M", "type": "master", "distance": "58.000 mm", "u": "0.0015 mm"}),
    ("direction", {"pushed_in": "falls"}),
    ("target", {"distance": "60.08 mm", "source": "invented"}),
    ("fit", {"place": "depth", "stack": "1.120 mm"}),
    (
        "state",
        {"nut": "nipped", "seal": "out", "turns": 20, "covers": "torqued", "bearings": "new", "bearings_seated": True},
    ),
    ("zeroing", {"when": "before", "reading": "0.000 mm", "master": "M", "blade_on": "none"}),
]


@pytest.mark.parametrize("off", ["0.081", "0.150"])
def test_the_marks_of_the_band_keep_apart_on_a_phone(browser: Any, tmp_path: Path, off: str) -> None:
    at = 2.08 + float(off)
    readings = [{"unit": "mm", "readings": [f"{at + d:.3f}" for d in row]} for row in ((0, 1e-3), (-1e-3, 0), (0, 0))]
    rows: list[Row] = [
        *BEFORE,
        ("set", {"phase": "trial", "seatings": readings}),
        ("zeroing", {"when": "after", "reading": "0.000 mm"}),
    ]
    with shop(tmp_path) as address:
        written(address, "far-off", rows)
        page = browser.new_page(viewport={"width": 360, "height": 780})
        as_writer(page)
        seen = Seen(page, address)
        page.goto(f"{address}jobs/far-off#depth")
        marks = page.locator("svg.band text.mark")
        marks.first.wait_for(timeout=PATIENCE_MS)
        boxes = sorted((m.bounding_box() for m in marks.all()), key=lambda b: b["x"])
        assert len(boxes) >= 2
        for left, right in itertools.pairwise(boxes):
            assert left["x"] + left["width"] <= right["x"], boxes
        assert "Chance of being within: under 0.1 %" in page.locator("#step").inner_text()
        assert seen.trouble == []
        page.close()
