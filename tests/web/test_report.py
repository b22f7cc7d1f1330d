"""The sheet: everything it must hold, nothing from outside, and the same in every way of showing it."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from capture.analyse import analyse_stream
from capture.errors import CaptureError
from capture.fingerprint import fingerprints
from capture.setup_file import load_setup
from tests.web.fonts import fonts_open as fonts_open
from web.cli.report import report_command
from web.report import words
from web.report.gather import Stated, gather, read_setup
from web.report.model import Sheet
from web.report.page import render_page
from web.report.reading import take_apart
from web.report.view import view

STREAMS = Path(__file__).parents[2] / "recorded_streams"
WARMING = STREAMS / "three-seatings-warming"
KNOCKS = STREAMS / "knocks-and-half-sweeps"
STATED = Stated("2026-03-02T09:14:05Z", "0.1.0", "matplotlib 3", "invented transaxle 1", None)


def sheet_of(*names: str, setup: str | None = "three-seatings-warming", stated: Stated = STATED) -> Sheet:
    text = None if setup is None else read_setup(STREAMS / setup / "setup.toml")
    return view(gather([(STREAMS / n / "stream.jsonl", f"{n}/stream.jsonl") for n in names], text, stated))


@pytest.fixture(scope="module")
def page() -> str:
    return render_page(sheet_of("three-seatings-warming", "knocks-and-half-sweeps"))


@pytest.fixture(scope="module")
def lines(page: str) -> list[str]:
    return [x.text for x in take_apart(page).lines]


def has(lines: list[str], *parts: str) -> bool:
    return any(all(p in line for p in parts) for line in lines)


def test_the_answer_stands_first(lines: list[str]) -> None:
    setup = load_setup(WARMING / "setup.toml")
    for n, name in ((1, WARMING), (2, KNOCKS)):
        r = analyse_stream(name / "stream.jsonl", setup)
        d = r["depth"]
        row = f"{d['distance_mm']:.4f} | {d['U95_mm']:.4f} | {d['error_mm']:+.4f} | {words.RULINGS[d['ruling']]}"
        at = next(i for i, line in enumerate(lines) if row in line)
        assert lines[at].startswith(f"{n} | ")
        assert at < 12
        assert f"Set {n}: {r['shim']['say']}" in lines[:14]
    assert words.INFORMS in lines[:14]


def test_the_set_up_is_shown_as_it_was_read_with_its_keys(lines: list[str]) -> None:
    for row in (
        "nominal distance | 60.00 mm | gearset.nominal",
        "mark, as written | +3 | gearset.etched",
        "the mark | adds | gearset.etched_sense",
        "tolerance ± | 0.03 mm | gearset.tolerance",
        "arbor constant | 58.400 mm | arbor.constant",
        "a thicker shim moves the pinion | toward | shims.thicker_moves",
        "A | 0.301 mm | 1",
    ):
        assert row in lines
    assert has(lines, "Target: nominal 60.00 with mark +3 gives 60.03 (mm).")


def test_every_sweep_is_on_it_rejected_ones_with_their_reasons_and_advice(lines: list[str]) -> None:
    for name in (WARMING, KNOCKS):
        r = analyse_stream(name / "stream.jsonl", load_setup(WARMING / "setup.toml"))
        for s in r["sweeps"]:
            verdict = "accepted" if s["accepted"] else "rejected: " + ", ".join(s["reasons"])
            assert has(lines, f"{s['n']} | {s['seat']} | {s['heading']} | {s['bottom_s']:.2f} | ", verdict)
            if s["advice"]:
                assert s["advice"] in lines
    assert has(lines, "rejected: knock")


def test_the_budget_stands_largest_first_with_its_sources(lines: list[str]) -> None:
    r = analyse_stream(WARMING / "stream.jsonl", load_setup(WARMING / "setup.toml"))
    budget = sorted(r["depth"]["budget"], key=lambda x: -x["u_mm"])
    at = [
        next(i for i, x in enumerate(lines) if x.startswith(f"{b['name']} | {1000 * b['u_mm']:.3f} | {b['kind']} | "))
        for b in budget
    ]
    assert at == sorted(at)
    assert all(b["source"] in lines[i] for b, i in zip(budget, at, strict=True))


def test_ruling_rule_and_chance_are_printed(lines: list[str]) -> None:
    assert has(lines, "ruling | not proven | one-sided: 1.65 standard uncertainties")
    assert has(lines, "chance of being within | ", " %")
    assert has(lines, "Too close to the limit to be sure")


def test_conditions_and_instrument_are_told(lines: list[str]) -> None:
    assert has(lines, "source of the readings | serial:")
    assert "profile: use | text-line | header of the stream" in lines
    assert "housing temperature | not stated | housing.temperature" in lines
    assert has(lines, "arbor seated again")


def test_what_was_not_checked_is_told(lines: list[str]) -> None:
    for part in (
        "not proved by a push",
        "Temperatures of housing and arbor are not stated",
        "Set 2: Seating the arbor again",
    ):
        assert has(lines, part)
    for line in words.NOT_ON_THIS_SHEET:
        assert line in lines


def test_the_cautions_are_on_it(lines: list[str]) -> None:
    assert lines.count(words.INFORMS) == 2
    for caution in words.CAUTIONS:
        assert caution in lines


def test_each_raw_stream_is_named_with_its_sha_256(page: str, lines: list[str]) -> None:
    for name in (WARMING, KNOCKS):
        data = (name / "stream.jsonl").read_bytes()
        assert f"{name.name}/stream.jsonl | {len(data)} | {hashlib.sha256(data).hexdigest()}" in lines
    text = (WARMING / "setup.toml").read_bytes()
    assert has(lines, "setup.toml, as text below", hashlib.sha256(text).hexdigest())
    assert "program | shimwright 0.1.0" in lines
    assert take_apart(page).record["setup"]["text"].encode() == text


def test_figures_are_inside_and_every_name_in_the_page_is_its_own(page: str) -> None:
    parts = take_apart(page)
    assert len(parts.figures) >= 9
    names = re.findall(r'\bid="([^"]*)"', page)
    assert len(names) == len(set(names))


def test_nothing_runs_in_it_and_nothing_is_fetched(page: str) -> None:
    assert "default-src 'none'; style-src 'unsafe-inline'" in page
    scripts = re.findall(r"<script\b[^>]*>", page)
    assert scripts == ['<script type="application/json" id="shimwright-sheet">']
    assert not re.findall(r'\b(?:src|href)="(?!#)', page.replace("xlink:href", "href"))
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


def test_a_browser_shows_it_without_asking_for_anything(page: str, tmp_path: Path, need: Callable[[str], str]) -> None:
    path = need("browser")
    from playwright.sync_api import sync_playwright

    file = tmp_path / "sheet.html"
    file.write_text(page, "utf-8")
    with sync_playwright() as p:
        b = p.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        try:
            tab = b.new_page(viewport={"width": 360, "height": 800})
            asked: list[str] = []
            said: list[str] = []
            tab.on("request", lambda r: asked.append(r.url))
            tab.on("console", lambda m: said.append(m.text))
            tab.on("pageerror", lambda e: said.append(str(e)))
            tab.goto(file.as_uri())
            assert asked == [file.as_uri()]
            assert said == []
            assert tab.get_by_role("heading", level=1).inner_text() == words.TITLE
            assert tab.get_by_role("img").count() == len(take_apart(page).figures)
            # on a phone only tables move sideways
            assert tab.evaluate("document.documentElement.scrollWidth") <= 360
            box = tab.locator("figure svg").first.bounding_box()
            assert box is not None
            assert box["width"] > 250
            tab.emulate_media(media="print")
            printed = tab.pdf(format="A4")
            assert printed.startswith(b"%PDF")
        finally:
            b.close()


def test_the_same_matter_gives_the_same_bytes(page: str) -> None:
    assert render_page(sheet_of("three-seatings-warming", "knocks-and-half-sweeps")) == page


def test_what_people_say_cannot_break_the_page() -> None:
    nasty = '</script><script>alert("1")</script> & <b>"x"</b>'
    page = render_page(sheet_of("knocks-and-half-sweeps", setup=None, stated=Stated("t", "0", "m", nasty, nasty)))
    assert "alert(&#34;1&#34;)" in page
    assert len(re.findall(r"<script\b", page)) == 1
    assert take_apart(page).record["unit"] == nasty
    assert f"unit | {' '.join(nasty.split())}" in [x.text for x in take_apart(page).lines]


def test_without_a_set_up_it_says_what_is_missing() -> None:
    lines = [x.text for x in take_apart(render_page(sheet_of("knocks-and-half-sweeps", setup=None))).lines]
    assert has(lines, "No set-up was given: no distance, no ruling, no shim.")
    assert has(lines, "no distance")
    assert not has(lines, "ruling |")
    assert "Measured by" in lines


def test_an_inch_job_is_told_in_inches_with_millimetres_beside() -> None:
    name = "clean-inch"
    sheet = render_page(sheet_of(name, setup=name))
    lines = [x.text for x in take_apart(sheet).lines]
    r = analyse_stream(STREAMS / name / "stream.jsonl", load_setup(STREAMS / name / "setup.toml"))
    d = r["depth"]["distance_mm"]
    assert has(lines, f"distance, axis to end face | {d / 25.4:.5f} in ({d:.4f} mm)")
    assert has(lines, "distance, in | ± (95 %)")
    assert has(lines, f"| {d / 25.4:.5f} |")


@pytest.mark.parametrize(
    "name", ["too-fast", "link-lost-and-back", "damaged-frames", "shrinks", "coarse-inch", "play-two-levels"]
)
def test_a_set_is_told_whatever_happened_in_it(name: str) -> None:
    setup = name if (STREAMS / name / "setup.toml").is_file() else None
    sheet = sheet_of(name, setup=setup)
    assert sheet.sections[-2].ident == "cautions"
    assert json.dumps(sheet.record)


# the command


def test_the_command_writes_a_sheet_that_can_be_moved_with_its_streams(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a").mkdir()
    shutil.copy(WARMING / "stream.jsonl", tmp_path / "a" / "stream.jsonl")
    out = tmp_path / "sheets" / "unit.html"
    code = report_command([tmp_path / "a" / "stream.jsonl"], out, WARMING / "setup.toml", None, "A. Body")
    assert code == 0
    assert capsys.readouterr().out == f"{out}\n"
    record = take_apart(out.read_text("utf-8")).record
    assert record["streams"][0]["path"] == "../a/stream.jsonl"
    assert record["by"] == "A. Body"
    assert str(tmp_path) not in out.read_text("utf-8")
    with pytest.raises(CaptureError, match="already there"):
        report_command([tmp_path / "a" / "stream.jsonl"], out, None, None, None)
    assert report_command([tmp_path / "a" / "stream.jsonl"], out, None, None, None, replace=True) == 0
    capsys.readouterr()
    assert [p.name for p in out.parent.iterdir()] == ["unit.html"]


def test_wrong_endings_and_bad_streams_are_clear_errors_and_write_nothing(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"\.html or \.pdf"):
        report_command([KNOCKS / "stream.jsonl"], tmp_path / "sheet.doc", None, None, None)
    with pytest.raises(CaptureError, match="no such file"):
        report_command([tmp_path / "absent.jsonl"], tmp_path / "sheet.html", None, None, None)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(CaptureError, match="cannot be written"):
        report_command([KNOCKS / "stream.jsonl"], tmp_path / "file" / "sheet.html", None, None, None)


def test_a_pdf_without_the_extra_says_to_print_the_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(CaptureError, match=r"extra \[pdf\].*print it from the browser"):
        report_command([KNOCKS / "stream.jsonl"], tmp_path / "sheet.pdf", None, None, None)
    assert list(tmp_path.iterdir()) == []


def test_a_pdf_is_the_same_to_the_byte_and_tagged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("typst", reason="needs typst (the extra [pdf]), which is not installed here")
    from web.report.pdf import render_pdf

    sheet = sheet_of("three-seatings-warming", "knocks-and-half-sweeps")
    first = render_pdf(sheet, STATED.written)
    assert first.startswith(b"%PDF")
    assert b"/StructTreeRoot" in first or b"pdfuaid" in first
    assert render_pdf(sheet, STATED.written) == first
    out = tmp_path / "unit.pdf"
    assert report_command([KNOCKS / "stream.jsonl"], out, None, None, None) == 0
    assert capsys.readouterr().out == f"{out} and {tmp_path / 'unit.html'}\n"
    assert out.read_bytes().startswith(b"%PDF")
    with pytest.raises(CaptureError, match="already there"):
        report_command([KNOCKS / "stream.jsonl"], out, None, None, None)


def test_the_installed_command_reports_and_verifies(tmp_path: Path) -> None:
    script = str(Path(sys.executable).with_name("shimwright"))

    def run(*args: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run([script, *map(str, args)], capture_output=True, text=True, check=False, cwd=tmp_path)

    done = run(
        "report", WARMING / "stream.jsonl", "--setup", WARMING / "setup.toml", "-o", "s.html", "--unit", "invented 1"
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "s.html\n", "")
    checked = run("verify", "s.html")
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "0 different" in checked.stdout
    assert run("report", WARMING / "stream.jsonl").returncode == 2
    missing = run("report", "absent.jsonl", "-o", "t.html")
    assert missing.returncode == 1
    assert missing.stderr.startswith("shimwright: absent.jsonl: no such file")
    out = run("export", WARMING / "stream.jsonl", "--to", "json", "-o", "tables")
    assert (out.returncode, out.stderr) == (0, "")
    assert sorted(p.name for p in (tmp_path / "tables").iterdir())[0] == "budgets.json"


def test_fingerprints_take_in_every_segment_packed_or_not(tmp_path: Path) -> None:
    import gzip

    first = tmp_path / "stream.jsonl"
    first.write_bytes(b"one\n")
    (tmp_path / "stream.0002.jsonl").write_bytes(b"two\n")
    (tmp_path / "stream.0004.jsonl.gz").write_bytes(gzip.compress(b"four\n"))
    got = fingerprints(first)
    assert [f.name for f in got] == ["stream.jsonl", "stream.0002.jsonl", "stream.0004.jsonl.gz"]
    assert [f.sha256 for f in got] == [hashlib.sha256(x).hexdigest() for x in (b"one\n", b"two\n", b"four\n")]
    assert [f.size for f in got] == [4, 4, 5]


def test_as_json_the_sheet_is_named_with_its_hash(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "s.html"
    assert report_command([WARMING / "stream.jsonl"], out, WARMING / "setup.toml", None, None, json_out=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["written"] == [{"file": str(out), "sha256": hashlib.sha256(out.read_bytes()).hexdigest()}]
