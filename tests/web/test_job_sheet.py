"""A job's sheet: an invented transaxle from as-found to closed, on paper, and one changed number anywhere is found.

Figures invented, arithmetic derived here; they are those of ``tests/analysis/job_scenarios.py``, set by set.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import CaptureError
from capture.jobs import JobFile, JobFolder
from capture.jobs.journal import NAME, read_journal
from tests.analysis import job_scenarios as s
from tests.web.fonts import fonts_open as fonts_open
from web.cli.report import report_command
from web.cli.verify import verify_command
from web.report.checking import Check, Finding
from web.report.job_checking import check_job_folder, check_job_sheet, job_sheet
from web.report.job_gather import gather_job
from web.report.job_view import job_view
from web.report.page import render_page
from web.report.reading import Parts, take_apart

STREAM = Path(__file__).parents[2] / "recorded_streams" / "three-seatings-warming" / "stream.jsonl"
MORE: list[s.Row] = [
    ("check", {"instrument": "I1", "found": "0.000 over a 1.00 gauge block", "date": "2026-02-11"}),
    ("deviation", {"what": "old crush washer", "allowed_by": "EF", "reason": "none to be had"}),
]


def write(job: JobFile, rows: list[s.Row]) -> None:
    for kind, data in rows:
        job.add(kind, data, "AB")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop with one job, typed sets and a streamed one, and its sheet beside the job."""
    root = tmp_path_factory.mktemp("shop")
    job = JobFolder(root).new("2026-014")
    write(job, s.ONE[:-1] + MORE)
    # A second look at the depth from a recorded stream, by another person; not at its place in the order, so it is not used.
    job.add("zeroing", {"when": "before", **s.ONE_ZERO}, "CD")
    job.add("set", {"phase": "trial", "stream": job.attach(STREAM)}, "CD")
    job.add("zeroing", {"when": "after", "reading": "0.000 mm"}, "CD")
    write(job, [s.ONE[-1]])
    assert report_command([job.path], root / "sheet.html", None, None, "AB") == 0
    return root / "sheet.html"


@pytest.fixture
def spoilt(made: Path, tmp_path: Path) -> Path:
    """The same, to be spoilt."""
    shutil.copytree(made.parent, tmp_path / "shop")
    return tmp_path / "shop" / "sheet.html"


@pytest.fixture(scope="module")
def lines(made: Path) -> list[str]:
    return [f"{x.section}: {x.text}" for x in take_apart(made.read_text("utf-8")).lines]


def has(lines: list[str], *parts: str) -> bool:
    """One line has all of these."""
    return any(all(p in line for p in parts) for line in lines)


def checked(sheet: Path) -> Check:
    parts = job_sheet(sheet)
    assert parts is not None
    return check_job_sheet(sheet, parts)


def different(result: Check) -> list[Finding]:
    return [f for f in result.findings if f.word == "different"]


# what stands on it


@pytest.mark.parametrize(
    ("parts"),
    [
        ("unit", "invented transaxle"),
        ("complaint", "leak"),
        ("as-found, entry 19", "61.6507 mm", "0.0050 mm", "+0.0107 mm", "within"),
        ("trial, entry 25", "61.7325 mm", "0.0045 mm", "+0.0925 mm", "outside"),
        ("trial, entry 33", "61.6357 mm", "-0.0043 mm", "within"),
        ("final, entry 37", "61.6357 mm", "-0.0043 mm", "within"),
        ("mark, as it stands", "+14"),
        ("second reader", "CD"),
        ("second reader reads", "+14"),
        ("Target: nominal 61.50 with mark +14 gives 61.64 (mm)",),
        ("As found +0.011 mm", "supports the way the mark is read"),
        ("depth tolerance", "0.03 mm", "12"),
        ("depth aim", "0.02 mm", "shop"),
        ("backlash |", "0.18 mm ± 0.03 mm", "14"),
        ("pinion preload", "2.0 N·m to 4.0 N·m", "new bearings", "17"),
        ("carrier preload", "not stated"),
        ("1.679 1.662 1.655 1.671 mm", "left out", "grit in the bore"),
        ("1 | 1.553 1.551 1.554 1.552 mm | 1.5525",),
        ("stack that would leave no error", "0.8275 mm"),
        ("Shims: old", "0.921 0.919 0.920 0.920 mm", "0.920 mm"),
        ("Shims: depth | 0.82 | 0.823 mm | 30",),
        ("Predictions", "-0.0970 mm", "61.6355 mm", "yes", "+0.0002 mm"),
        ("zero play", "3.46 mm"),
        ("44 to 48", "+0.130 mm", "0.700 (stated)", "0.179 mm", "0.180 mm", "0.692"),
        ("places 0.27, 0.28, 0.26, 0.27", "mean 0.270 mm", "void"),
        ("backlash, mean", "0.180 mm"),
        ("Pinch +0.200 mm", "3.660 mm"),
        ("torque 2.8 N·m", "Within the limits"),
        ("Run-out 0.030 mm in all",),
        ("drive centre; coast centre", "The numbers say the same"),
        ("19 | depth, as-found", "housing temperature 21 °C", "master temperature 20 °C"),
        ("I1 | indicator", "2026-02-11: 0.000 over a 1.00 gauge block"),
        ("Rejected", "25 | seating 3, 1.6665 mm", "grit in the bore"),
        ("Rejected", "25 | depth, trial: void", "the depth shim was changed"),
        ("Accepted: old crush washer. Allowed by EF: none to be had",),
        ("As written when the job was closed: noise under load",),
        ("next check", "2026-09-01"),
        ("Cautions: Hot housings",),
        ("Cautions: This sheet informs; a competent person decides",),
        ("Filled in by hand: Running-in",),
    ],
)
def test_it_carries_the_job_s_figures_and_words(lines: list[str], parts: tuple[str, ...]) -> None:
    assert has(lines, *parts)


def test_what_nobody_entered_is_not_invented(lines: list[str]) -> None:
    assert not has(lines, "Afterwards: running-in")
    assert not has(lines, "Filled in by hand: Next check")


def test_the_budget_stands_largest_first(made: Path) -> None:
    page = take_apart(made.read_text("utf-8")).lines
    found: dict[str, list[float]] = {}
    for x in page:
        cells = x.text.split(" | ")
        if x.section.startswith("Depth set") and len(cells) == 6 and cells[2] in ("A", "B"):
            found.setdefault(x.section, []).append(float(cells[1]))
    assert len(found) == 5
    assert all(len(u) > 1 and u == sorted(u, reverse=True) for u in found.values())


def test_it_names_the_last_line_and_each_stream_by_its_sha_256(made: Path, lines: list[str]) -> None:
    import hashlib

    folder = made.parent / "2026-014"
    last = (folder / NAME).read_bytes().splitlines()[-1]
    assert has(lines, "job.jsonl, last line", hashlib.sha256(last).hexdigest())
    assert has(lines, "stream.jsonl", hashlib.sha256(STREAM.read_bytes()).hexdigest())
    assert has(lines, "program", "shimwright")


def test_a_streamed_set_shows_its_sweeps_as_the_stream_gives_them(made: Path, lines: list[str]) -> None:
    from capture.analyse import analyse_stream

    n = next(e.n for e in read_journal(made.parent / "2026-014" / NAME).entries if "stream" in e.data)
    sweeps = analyse_stream(STREAM)["sweeps"]
    assert len(sweeps) > 10
    for x in sweeps:
        if x["accepted"]:
            assert has(lines, f"entry {n}: {x['n']} | {x['seat']} | ", f"{x['minimum_mm']:.5f}")
        else:
            assert has(lines, "Rejected", f"{n} | sweep {x['n']},", x["reasons"][0])


def test_every_entry_stands_on_it(made: Path, lines: list[str]) -> None:
    for e in read_journal(made.parent / "2026-014" / NAME).entries:
        assert has(lines, f"Every entry, as written: {e.n} | {e.at} | {e.by} | {e.kind}")


@pytest.mark.parametrize("rows", [s.TWO, s.THREE, [], s.ONE_START], ids=["inch", "two packs", "empty", "begun"])
def test_any_job_makes_a_sheet_that_verifies(tmp_path: Path, rows: list[s.Row]) -> None:
    job = JobFolder(tmp_path / "shop").new("j")
    write(job, rows)
    # Inside the job's folder, where it travels with it.
    assert report_command([job.path], job.path / "sheet.html", None, None, None) == 0
    assert {f.word for f in checked(job.path / "sheet.html").findings} == {"same"}
    assert verify_command(job.path, [], False) == 0


def test_an_inch_job_is_told_in_inches_with_millimetres_beside(tmp_path: Path) -> None:
    job = JobFolder(tmp_path).new("j")
    write(job, s.TWO)
    page = render_page(job_view(gather_job(job.path, ".", written="2026-03-02T09:14:05Z", version="0")))
    text = [x.text for x in take_apart(page).lines]
    assert has(text, "2.49723 in", "+0.00023 in", "within")
    assert has(text, "-1.6782 -1.6785 -1.6780 -1.6783 in")


def test_a_covered_set_s_figures_stay_covered(tmp_path: Path) -> None:
    job = JobFolder(tmp_path).new("j")
    write(job, s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
    n = next(r.n for r in job.job().readings if r.phase == "trial")
    job.add("blind", {"first": n, "second": "CD"}, "AB")
    page = render_page(job_view(gather_job(job.path, ".", written="2026-03-02T09:14:05Z", version="0")))
    assert "until CD has measured" in page
    for figure in ("61.7325", "1.6325", "1.634", "0.8275"):
        assert figure not in page


# verified


def test_an_untouched_sheet_is_the_same_in_every_line(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    result = checked(made)
    assert {f.word for f in result.findings} == {"same"}
    assert {x.text for x in take_apart(made.read_text("utf-8")).lines} <= {f.stated for f in result.findings}
    assert verify_command(made, [], False) == 0
    assert "0 different. The sheet is what its job gives." in capsys.readouterr().out


def test_an_untouched_folder_is_the_same(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert verify_command(made.parent / "2026-014", [], True) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["same"] is True
    assert {"sweeps, set and play are the same", "SHA-256 is the same"} <= {x["now"] for x in told["lines"]}
    assert any(x["stated"].startswith("predicted") and "61.6355" in x["stated"] for x in told["lines"])


def test_sheet_and_job_moved_apart_are_put_together_by_hand(spoilt: Path, tmp_path: Path) -> None:
    there = shutil.move(spoilt.parent / "2026-014", tmp_path / "elsewhere")
    with pytest.raises(CaptureError, match=r"not there\. Put it back, or give it where it lies now"):
        verify_command(spoilt, [], False)
    assert verify_command(spoilt, [Path(there)], False) == 0


def visible_digits(text: str) -> list[int]:
    hidden = [m.span() for m in re.finditer(r"<style>.*?</style>|<script\b.*?</script>|<[^>]*>", text, flags=re.DOTALL)]
    free = bytearray(b"\x01" * len(text))
    for a, b in hidden:
        free[a:b] = b"\x00" * (b - a)
    return [m.start() for m in re.finditer(r"\d", text) if free[m.start()]]


@pytest.fixture(scope="module")
def fresh(made: Path) -> Parts:
    return take_apart(made.read_text("utf-8"))


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_single_digit_changed_on_the_sheet_is_found(made: Path, fresh: Parts, data: st.DataObject) -> None:
    from web.report.checking import lines_compared

    text = made.read_text("utf-8")
    at = data.draw(st.sampled_from(visible_digits(text)))
    other = str((int(text[at]) + data.draw(st.integers(1, 9))) % 10)
    changed = take_apart(text[:at] + other + text[at + 1 :])
    found = list(lines_compared(changed.lines, fresh.lines))
    assert any(f.word == "different" for f in found)


def test_a_number_changed_on_the_sheet(spoilt: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = spoilt.read_text("utf-8")
    assert text.count("61.6355") == 2  # predicted, and as the entry has it
    spoilt.write_text(text.replace("61.6355", "61.6365", 1), "utf-8")
    assert verify_command(spoilt, [], False) == 1
    told = capsys.readouterr().out
    assert "1 different. The sheet is NOT what its job gives." in told
    assert re.search(r"SHEET CHANGED .*\n +sheet: .*61\.6365.*\n +now: .*61\.6355", told)


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        (b'"1.634","1.633","1.635","1.634"', b'"1.634","1.633","1.636","1.634"'),
        (b'"mark":"+14"', b'"mark":"+15"'),
        (b'"recheck":"2026-09-01"', b'"recheck":"2026-10-01"'),
        (b'"predicted_mm":61.6355', b'"predicted_mm":61.6365'),
        (b'"minimum_mm":', b'"minimum_mm":1'),
    ],
    ids=["reading", "mark", "last line", "prediction", "result"],
)
def test_a_number_changed_in_the_journal(spoilt: Path, was: bytes, becomes: bytes) -> None:
    path = spoilt.parent / "2026-014" / NAME
    raw = path.read_bytes()
    assert was in raw
    path.write_bytes(raw.replace(was, becomes, 1))
    result = checked(spoilt)
    assert not result.same
    assert verify_command(spoilt, [], False) == 1
    if b"recheck" in was:
        # Nothing follows the last line: only the sheet can tell, and the folder's check says so.
        folder = check_job_folder(path.parent)
        assert folder.same
        assert [f.now for f in folder.findings if f.word == "not compared"] == [
            "no line follows it to vouch for it; compare it with the job's sheet"
        ]
        shutil.copy(spoilt, path.parent / "sheet.html")
    assert verify_command(path.parent, [], False) == 1


def test_a_journal_written_anew_with_sound_sums_is_found_by_the_sheet(spoilt: Path) -> None:
    from capture.jobs.journal import line_of, sum_of

    path = spoilt.parent / "2026-014" / NAME
    out: list[bytes] = []
    for line in path.read_bytes().splitlines():
        record = json.loads(line.replace(b'"1.553"', b'"1.554"'))
        if out:
            record["prev"] = sum_of(out[-1])
        out.append(line_of(record))
    path.write_bytes(b"\n".join(out) + b"\n")
    assert check_job_folder(path.parent).same
    found = different(checked(spoilt))
    assert any(f.section == "job.jsonl" for f in found)
    assert any("61.6507" in f.stated and "61.6508" in f.now for f in found)


def test_one_byte_of_a_stream_changed(spoilt: Path) -> None:
    stream = next((spoilt.parent / "2026-014" / "streams").rglob("stream.jsonl"))
    raw = bytearray(stream.read_bytes())
    raw[-20] ^= 1
    stream.write_bytes(bytes(raw))
    found = different(checked(spoilt))
    assert any(f.section == "raw stream" for f in found)
    assert verify_command(spoilt, [], False) == 1
    assert verify_command(stream.parents[2], [], False) == 1


def test_a_lost_stream_is_different_and_a_new_sheet_warns(spoilt: Path, tmp_path: Path) -> None:
    folder = spoilt.parent / "2026-014"
    shutil.rmtree(next((folder / "streams").iterdir()))
    assert verify_command(spoilt, [], False) == 1
    assert verify_command(folder, [], False) == 1
    assert report_command([folder], tmp_path / "again.html", None, None, None) == 0
    assert "Do not rely on this sheet" in (tmp_path / "again.html").read_text("utf-8")


def test_entries_written_afterwards_do_not_change_what_the_sheet_says(spoilt: Path) -> None:
    job = JobFile(spoilt.parent / "2026-014")
    job.add("reopen", {"reason": "came back"}, "AB")
    result = checked(spoilt)
    assert result.same
    assert [f.now for f in result.findings if f.word == "not compared"] == ["1 more were written afterwards"]


# bad input


def test_bad_input_is_a_clear_error_and_writes_nothing(made: Path, tmp_path: Path) -> None:
    job, out = made.parent / "2026-014", tmp_path / "x.html"
    with pytest.raises(CaptureError, match=r"2 paths with a folder.*one job's folder, or streams"):
        report_command([job, STREAM], out, None, None, None)
    with pytest.raises(CaptureError, match=r"--unit.*a job's own entries say it"):
        report_command([job], out, None, "other", None)
    with pytest.raises(CaptureError, match=r"holds no job"):
        report_command([tmp_path], out, None, None, None)
    with pytest.raises(CaptureError, match=r"holds no job"):
        verify_command(tmp_path, [], False)
    with pytest.raises(CaptureError, match=r"allowed: the folder alone"):
        verify_command(job, [STREAM], False)
    assert not out.exists()


def test_a_damaged_record_is_told(spoilt: Path) -> None:
    text = spoilt.read_text("utf-8")
    spoilt.write_text(text.replace('"entries":', '"entrees":', 1), "utf-8")
    with pytest.raises(CaptureError, match="record of its job is damaged"):
        verify_command(spoilt, [], False)


def test_what_people_write_cannot_break_the_page(tmp_path: Path) -> None:
    job = JobFolder(tmp_path / "s").new("j")
    job.add("intake", {"unit": "</script><script>x()</script>", "complaint": "<b>&amp;"}, "A<i>")
    assert report_command([job.path], tmp_path / "s.html", None, None, None) == 0
    text = (tmp_path / "s.html").read_text("utf-8")
    assert text.count("<script") == 1
    assert "<script>x()" not in text
    assert checked(tmp_path / "s.html").same


def test_a_pdf_comes_with_its_page(made: Path, tmp_path: Path) -> None:
    pytest.importorskip("typst", reason="needs typst (the extra [pdf]), which is not installed here")
    assert report_command([made.parent / "2026-014"], tmp_path / "unit.pdf", None, None, None) == 0
    assert (tmp_path / "unit.pdf").read_bytes().startswith(b"%PDF-")
    assert checked(tmp_path / "unit.html").same
    (tmp_path / "unit.pdf").unlink()
    with pytest.raises(
        CaptureError, match=r"unit\.html is already there \(.*unit\.pdf is written with the \.html sheet beside it"
    ):
        report_command([made.parent / "2026-014"], tmp_path / "unit.pdf", None, None, None)


def test_a_browser_shows_and_prints_it_without_asking_for_anything(made: Path, need: Callable[[str], str]) -> None:
    chromium = need("browser")
    from playwright.sync_api import sync_playwright

    asked: list[str] = []
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        try:
            tab = browser.new_page(viewport={"width": 900, "height": 1400})
            tab.on("request", lambda r: asked.append(r.url))
            tab.goto(made.as_uri())
            assert tab.locator("h1").inner_text() == "Gear set-up: job sheet"
            # A name or initials are not torn apart to make a column narrow.
            torn = """() => [...document.querySelectorAll("#ring td")].filter(d => d.textContent === "AB").map(d => {
                const r = document.createRange(); r.selectNodeContents(d); return r.getClientRects().length })"""
            assert set(tab.evaluate(torn)) == {1}
            tab.set_viewport_size({"width": 360, "height": 800})
            assert tab.evaluate("document.documentElement.scrollWidth") <= 360
            assert tab.pdf(format="A4").startswith(b"%PDF-")
        finally:
            browser.close()
    assert asked == [made.as_uri()]


def test_the_sheet_says_which_limit_holds_and_how_high_the_head_is(tmp_path: Path) -> None:
    from capture.jobs import JobFolder
    from web.report.job_gather import gather_job
    from web.report.job_view import job_view
    from web.report.page import render_page

    gear = {
        "pinion_pair": "5",
        "ring_pair": "5",
        "mark": "97.46",
        "mark_unit": "mm",
        "form": "full-distance",
        "face": "back",
    }
    job = JobFolder(tmp_path).new("j")
    band = {"name": "backlash", "min": "0.13 mm", "max": "0.23 mm", "also_min": "0.005 in", "also_max": "0.009 in"}
    rows = [
        ("intake", {"unit": "invented axle"}),
        ("gearset", {**gear, "head_heights": ["38.011", "38.014", "38.008"], "unit": "mm"}),
        ("limit", {**band, "page": "27"}),
        ("limit", {"name": "backlash", "min": "0.10 mm", "max": "0.20 mm", "page": "31"}),
    ]
    for kind, data in rows:
        job.add(kind, data, "AB")

    def page() -> str:
        return render_page(
            job_view(gather_job(job.path, str(job.path), written="2026-03-02T09:14:05Z", version="1", by=None))
        )

    assert "Look which one is for this unit" in page()
    job.add("confirm", {"entry": 3, "what": "limit", "reason": "page 27 is for this ratio"}, "AB")
    text = page()
    assert "Look which one is for this unit" not in text
    assert "0.13 mm to 0.23 mm (also printed as 0.005 in to 0.009 in)" in text
    assert "about entry 3, limit): page 27 is for this ratio" in text
    assert "38.011 mm, 38.014 mm, 38.008 mm" in text
    assert "Head height: 38.011 mm, the mean of 3 spots that differ by 0.006 mm." in text
