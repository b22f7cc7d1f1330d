"""A sheet checked against its raw streams: one changed number anywhere is found."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import CaptureError
from capture.stamp import stamp
from tests.web.fonts import fonts_open as fonts_open
from web.cli.report import report_command
from web.cli.verify import verify_command
from web.report import checking, gather
from web.report.checking import Check, again, check, compare
from web.report.reading import Parts, read_sheet, take_apart

STREAMS = Path(__file__).parents[2] / "recorded_streams"
SETUP = STREAMS / "three-seatings-warming" / "setup.toml"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sheet beside its stream."""
    folder = tmp_path_factory.mktemp("job")
    shutil.copy(STREAMS / "three-seatings-warming" / "stream.jsonl", folder / "set1.jsonl")
    args = (folder / "sheet.html", SETUP, "invented transaxle 1", "A. Body")
    assert report_command([folder / "set1.jsonl"], *args) == 0
    return folder / "sheet.html"


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Path:
    """The same, to be spoilt."""
    shutil.copytree(made.parent, tmp_path / "job")
    return tmp_path / "job" / "sheet.html"


@pytest.fixture(scope="module")
def fresh(made: Path) -> Parts:
    """What comes out now, worked out once: most tests spoil the sheet only."""
    return take_apart(again(made, read_sheet(made)))


def different(result: Check) -> list[checking.Finding]:
    return [f for f in result.findings if f.word == "different"]


def test_an_untouched_sheet_is_the_same_in_every_line(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    result = check(made)
    assert result.same
    assert {f.word for f in result.findings} == {"same"}
    stated = {f.stated for f in result.findings}
    assert {x.text for x in take_apart(made.read_text("utf-8")).lines} <= stated
    assert verify_command(made, [], False) == 0
    told = capsys.readouterr().out
    assert "0 different. The sheet is what its raw streams give." in told
    assert told.count("same       ") == len(result.findings)


def visible_numbers(text: str) -> list[tuple[int, int]]:
    """Where digits stand that a reader sees: outside tags, drawings, style and record."""
    hidden = [m.span() for m in re.finditer(r"<style>.*?</style>|<script\b.*?</script>|<[^>]*>", text, flags=re.DOTALL)]
    free = bytearray(b"\x01" * len(text))
    for a, b in hidden:
        free[a:b] = b"\x00" * (b - a)
    return [m.span() for m in re.finditer(r"\d", text) if free[m.start()]]


def without_drawings(text: str) -> str:
    """A page whose figures have kept their words only, which is quicker to read a hundred times."""
    return re.sub(r"(</desc>).*?(</svg>)", r"\1\2", text, flags=re.DOTALL)


@settings(max_examples=60)
@given(data=st.data())
def test_any_single_digit_changed_is_found(made: Path, data: st.DataObject) -> None:
    text = without_drawings(made.read_text("utf-8"))
    at, end = data.draw(st.sampled_from(visible_numbers(text)))
    digit = data.draw(st.sampled_from([d for d in "0123456789" if d != text[at]]))
    spoilt = take_apart(text[:at] + digit + text[end:])
    assert different(compare(spoilt, take_apart(text)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("60.0021 mm", "60.0121 mm"),
        ("not proven</td>", "within the tolerance</td>"),
        ("12 accepted, 0 rejected", "12 accepted, 1 rejected"),
        ("<li>Presses and pullers", "<li>Presses"),
        ("text-line", "text-lime"),
    ],
)
def test_a_changed_line_is_one_difference(made: Path, fresh: Parts, old: str, new: str) -> None:
    text = made.read_text("utf-8")
    assert old in text
    result = compare(take_apart(text.replace(old, new, 1)), fresh)
    assert not result.same
    assert 1 <= len(different(result)) <= 2


def test_the_command_shows_what_is_stated_and_what_it_is(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = job.read_text("utf-8")
    job.write_text(text.replace("60.0021 mm", "60.0121 mm", 1), "utf-8")
    result = check(job)
    assert verify_command(job, [], False) == 1
    told = capsys.readouterr().out
    assert "SHEET CHANGED" in told
    assert "The sheet itself was changed after it was written" in told
    assert "The sheet is NOT what its raw streams give." in told
    assert verify_command(job, [], True) == 1
    line = json.loads(capsys.readouterr().out)
    assert line["same"] is False
    assert [x for x in line["lines"] if x["word"] == "different"] == [f.as_dict() for f in different(result)]


def test_a_line_left_out_or_added_is_found(made: Path, fresh: Parts) -> None:
    text = made.read_text("utf-8")
    row = re.search(r"<tr><td data-head=\"[^\"]*\" class=\"num\">3</td>.*?</tr>\n", text)
    assert row is not None
    left_out = compare(take_apart(text.replace(row[0], "", 1)), fresh)
    assert [f.stated for f in different(left_out)] == ["nothing"]
    added = compare(take_apart(text.replace("<li>Heavy", "<li>It is safe.</li><li>Heavy", 1)), fresh)
    assert [(f.stated, f.now) for f in different(added)] == [("It is safe.", "nothing")]


def test_a_changed_drawing_is_found(made: Path, fresh: Parts) -> None:
    text = made.read_text("utf-8")
    path = re.search(r'<path d="M (\d+\.\d+)', text)
    assert path is not None
    at = path.start(1)
    spoilt = take_apart(text[:at] + ("1" if text[at] != "1" else "2") + text[at + 1 :])
    assert [f.section for f in different(compare(spoilt, fresh))] == ["figures"]


@pytest.mark.parametrize(
    ("old", "new"),
    [("</style>", "#open { display: none }</style>"), ('<section id="open">', '<section id="open" hidden>')],
)
def test_a_hidden_line_is_found(made: Path, fresh: Parts, old: str, new: str) -> None:
    text = made.read_text("utf-8")
    assert old in text
    spoilt = take_apart(text.replace(old, new, 1))
    assert [(f.section, f.stated) for f in different(compare(spoilt, fresh))] == [("page", "structure and style")]


def test_a_changed_stream_is_found_by_its_sum_and_by_what_it_gives(job: Path) -> None:
    stream = job.parent / "set1.jsonl"
    lines = stream.read_text("utf-8").splitlines(keepends=True)
    at = next(i for i, x in enumerate(lines) if '"rx"' in x and i > len(lines) // 3)
    stream.write_text("".join(lines[:at] + lines[at + 1 :]), "utf-8")
    found = different(check(job))
    assert found[0].section == "raw stream"
    assert "set1.jsonl" in found[0].stated
    assert any("readings | 555" in f.stated and "readings | 554" in f.now for f in found)


def test_a_changed_set_up_on_the_sheet_is_found(job: Path) -> None:
    text = job.read_text("utf-8")
    assert text.count("tolerance = 0.03") == 2  # seen, and in the record
    job.write_text(text.replace("tolerance = 0.03", "tolerance = 0.05"), "utf-8")
    found = different(check(job))
    assert any("tolerance ± | 0.03 mm" in f.stated and "0.05" in f.now for f in found)
    assert any("SHA-256" in f.stated or "as text below" in f.stated for f in found)


def test_a_stream_that_moved_is_asked_for_and_known_by_its_sum(job: Path, tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere.jsonl"
    (job.parent / "set1.jsonl").rename(moved)
    with pytest.raises(CaptureError, match=r"set1\.jsonl is not there.*shimwright verify") as e:
        check(job)
    assert "SHA-256" in str(e.value)
    other = STREAMS / "knocks-and-half-sweeps" / "stream.jsonl"
    with pytest.raises(CaptureError, match=r"set1\.jsonl is not there"):
        check(job, [other])
    assert check(job, [other, moved]).same


def test_the_whole_folder_can_be_moved(job: Path, tmp_path: Path) -> None:
    shutil.move(job.parent, tmp_path / "archive")
    assert check(tmp_path / "archive" / "sheet.html").same


def test_another_drawing_library_or_version_is_said_and_not_held_against_the_sheet(
    made: Path, fresh: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checking, "drawing_library", lambda: "matplotlib 99")
    text = made.read_text("utf-8")
    path = re.search(r'<path d="M (\d+\.\d+)', text)
    assert path is not None
    elsewhere = take_apart(text[: path.start(1)] + "9" + text[path.end(1) :])
    result = compare(fresh, elsewhere)
    assert result.same
    assert [f.word for f in result.findings if f.section == "figures"].count("not compared") == 1
    # The same difference, where the sheet is not what its own sum says.
    assert [(f.section, f.cause) for f in different(compare(elsewhere, fresh))] == [("page", "sheet")]
    monkeypatch.setattr(checking, "stamp", lambda: replace(stamp(), version="99.0"))
    newer = compare(fresh, take_apart(text.replace("border-collapse", "border-spacing", 1)))
    assert newer.same
    assert [f.section for f in newer.findings if f.word == "not compared"] == ["page"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "no such file"),
        (b"\xff\xfe", "cannot be read"),
        (b"<html><p>hello</p></html>", "not a sheet"),
        (b'<script type="application/json" id="shimwright-sheet">' + b"[" * 100_000 + b"</script>", "not a sheet"),
        (b'<script id="shimwright-sheet">{"format":"shimwright-sheet/9"}</script>', "format is 'shimwright-sheet/9'"),
        (b'<script id="shimwright-sheet">{"format":"shimwright-sheet/1","streams":[]}</script>', "damaged"),
    ],
)
def test_what_is_no_sheet_is_a_clear_error(tmp_path: Path, content: bytes | None, says: str) -> None:
    path = tmp_path / "x.html"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CaptureError, match=says):
        check(path)


def test_a_pdf_points_to_the_page_beside_it(tmp_path: Path) -> None:
    (tmp_path / "x.pdf").write_bytes(b"%PDF")
    with pytest.raises(CaptureError, match=r"give the \.html"):
        check(tmp_path / "x.pdf")


def test_the_record_holds_what_the_program_says_of_itself(made: Path) -> None:
    record = take_apart(made.read_text("utf-8")).record
    assert record["format"] == gather.FORMAT
    assert record["version"] == gather.program_version()
    assert record["drawn_with"] == gather.drawing_library()
    assert record["unit"] == "invented transaxle 1"
