"""Drawings of a job: the title says the finding, the words say it again, the same bytes every time, and the sheet bears them."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from capture.jobs import JobFile, JobFolder
from tests.analysis import job_scenarios as s
from tests.golden.compare import ROOT
from tests.web.fonts import fonts_open as fonts_open
from web.figures import Figure, narrow
from web.figures.closure import closure
from web.figures.ring import backlash, run_out
from web.figures.seatings import seatings
from web.report.job_checking import check_job_sheet, job_sheet
from web.report.job_gather import gather_job
from web.report.job_view import job_view
from web.report.page import render_page

CLOSED = [
    {"fit": 30, "change_mm": -0.097, "closure": {"miss_mm": 0.0002, "U_mm": 0.0038, "agrees": True}},
    {"fit": 41, "change_mm": 0.05, "closure": {"miss_mm": 0.012, "U_mm": 0.004, "agrees": False}},
    {"fit": 50, "change_mm": 0.05, "closure": None},
]
FOUND = {
    "places_mm": [0.18, 0.19, 0.17, 0.18],
    "mean_mm": 0.18,
    "spread_mm": 0.02,
    "smallest_mm": 0.17,
    "largest_mm": 0.19,
    "tight_spot": 3,
}
RUN_OUT = {"total_mm": 0.028, "first_harmonic_mm": 0.027, "highest_at": 4}
HEIGHTS = [0.010, 0.018, 0.027, 0.030, 0.024, 0.013, 0.004, 0.002]
SEATS: list[dict[str, Any]] = [
    {"n": 1, "median_mm": 1.5525, "left_out": None},
    {"n": 2, "median_mm": 1.5485, "left_out": None},
    {"n": 3, "median_mm": 1.6665, "left_out": "push and pull"},
]
DEPTH = {"error_mm": 0.0107, "tolerance_mm": 0.03, "ruling": "within"}


def drawn() -> dict[str, Figure]:
    c = closure(CLOSED)
    assert c is not None
    return {
        "closure": c,
        "backlash": backlash(FOUND, (0.15, 0.21)),
        "run-out": run_out(HEIGHTS, RUN_OUT, 0.05),
        "seatings": seatings(SEATS, DEPTH, "grows"),
    }


@pytest.mark.parametrize(
    ("name", "title", "told"),
    [
        ("closure", "1 of 2 changes missed", "entry 41: +12.0 µm off, outside ±4.0 µm"),
        ("backlash", "tight spot at place 3", "place 3 0.170 mm"),
        ("run-out", "0.028 mm in all, 0.027 mm of it one wave a turn", "Highest at place 4"),
        ("seatings", "2 seatings: mean 1.5505 mm; against the tolerance: within", "Left out: 3"),
    ],
)
def test_the_title_is_the_finding_and_the_words_tell_it(name: str, title: str, told: str) -> None:
    f = drawn()[name]
    assert title in f.title
    assert told in f.alt
    root = ET.fromstring(f.svg)
    assert root.attrib["role"] == "img"
    assert "<text" not in f.svg, "text is drawn as paths"
    assert drawn()[name].svg == f.svg, "the same bytes for the same input"


def test_they_can_be_drawn_for_a_phone() -> None:
    wide = drawn()
    with narrow():
        for name, f in drawn().items():
            assert f.svg != wide[name].svg


def test_agreement_is_told_by_shape_not_by_colour_alone() -> None:
    """In grey the miss is a cross: its marker has another path than that of a hit."""
    hit, miss = (closure([{**CLOSED[0], "closure": {**CLOSED[0]["closure"], "agrees": a}}]) for a in (True, False))  # type: ignore[dict-item]
    assert hit is not None
    assert miss is not None
    grey = re.compile("#[0-9a-f]{6}")
    assert grey.sub("#000000", hit.svg) != grey.sub("#000000", miss.svg)


def test_nothing_measured_after_a_change_is_no_drawing() -> None:
    assert closure([CLOSED[2]]) is None
    assert closure([]) is None


@pytest.fixture
def job(tmp_path: Path) -> JobFile:
    file = JobFolder(tmp_path / "shop").new("one")
    for kind, data in s.ONE:
        if kind != "close":
            file.add(kind, data, "AB")
    stream = file.attach(ROOT / "rocked-four-places" / "stream.jsonl")
    file.add("backlash", {"phase": "final", "stream": stream}, "AB")
    return file


def test_the_sheet_bears_them_and_they_are_checked_with_it(job: JobFile, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.html"
    text = render_page(job_view(gather_job(job.path, "shop/one", written="2026-03-02T10:00:00Z", version="0", by="AB")))
    sheet.write_text(text, "utf-8")
    for name in ("-seatings", "-budget", "predictions-closure", "ring-backlash", "ring-runout"):
        assert f'{name}-title"' in text
    stated = job_sheet(sheet)
    assert stated is not None
    found = check_job_sheet(sheet, stated, [job.path]).findings
    assert [f for f in found if f.section == "figures"]
    assert {f.word for f in found if f.section in ("figures", "raw stream")} == {"same"}
    # The raw stream of the backlash stands in the sheet's record with its sum.
    assert any("rocked-four-places" in str(f) for f in found if f.section == "raw stream")
    svg = re.findall(r"<svg\b.*?</svg>", text, flags=re.DOTALL)[0]
    sheet.write_text(text.replace(svg, svg.replace("<path", "<path ", 1)), "utf-8")
    stated = job_sheet(sheet)
    assert stated is not None
    assert [f.word for f in check_job_sheet(sheet, stated, [job.path]).findings if f.section == "figures"].count(
        "different"
    ) == 1
