"""What verify says where another version of the program looks: files the same and figures others, or a file that was changed.

The other version is this one with a figure of its analysis moved, and another stamp; figures invented.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import capture.jobs.checking as job_files
import capture.jobs.streams as streams
from capture.jobs import JobFolder
from capture.jobs.journal import NAME
from capture.stamp import Stamp, stamp, stamp_from
from tests.analysis import job_scenarios as s
from tests.web.fonts import fonts_open as fonts_open
from web.cli.report import report_command
from web.cli.verify import verify_command
from web.report import checking, job_checking
from web.report.checking import compare
from web.report.job_gather import gather_job
from web.report.job_view import job_view
from web.report.page import render_page
from web.report.reading import Parts, take_apart
from web.report.seal import seal_of, unsealed

RECORDED = Path(__file__).parents[2] / "recorded_streams" / "three-seatings-warming"
OTHER = Stamp("0.2.0", "ab" * 20, "0123456789ab", "numpy 9.9, scipy 9.9, Python 3.99")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with one recorded set, its sheet beside it; a sheet of the recording alone too."""
    root = tmp_path_factory.mktemp("shop")
    job = JobFolder(root).new("2026-014")
    for kind, data in [*s.ONE_START, ("zeroing", {"when": "before", **s.ONE_ZERO})]:
        job.add(kind, data, "AB")
    job.add("set", {"phase": "as-found", "stream": job.attach(RECORDED / "stream.jsonl")}, "AB")
    job.add("zeroing", {"when": "after", "reading": "0.000 mm"}, "AB")
    assert report_command([job.path], root / "job.html", None, None, None) == 0
    shutil.copy(RECORDED / "stream.jsonl", root / "set1.jsonl")
    assert report_command([root / "set1.jsonl"], root / "set1.html", RECORDED / "setup.toml", None, None) == 0
    return root


@pytest.fixture
def here(shop: Path, tmp_path: Path) -> Path:
    """The same, to be spoilt."""
    shutil.copytree(shop, tmp_path / "shop")
    return tmp_path / "shop"


@pytest.fixture
def other_version(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Have a later version look, whose analysis of a stream lies so many mm further out."""

    def look(shift_mm: float) -> None:
        for module in (checking, job_checking, job_files):
            monkeypatch.setattr(module, "stamp", lambda: OTHER)
        plain = streams.analyse_stream

        def shifted(*args: Any) -> dict[str, Any]:
            out = plain(*args)
            out["set"]["minimum_mm"] += shift_mm
            return out

        monkeypatch.setattr(streams, "analyse_stream", shifted)

    return look


def told(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    code = verify_command(path, [], True)
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, found


def test_a_job_that_another_version_computes_otherwise(
    shop: Path, other_version: Callable[[float], None], capsys: pytest.CaptureFixture[str]
) -> None:
    other_version(0.0004)
    code, found = told(shop / "2026-014", capsys)
    assert (code, found["verdict"], found["files_same"], found["ruling_changed"]) == (3, "computed", True, False)
    assert found["largest_um"] == pytest.approx(0.4)
    assert found["written_by"] == stamp().as_dict()
    assert found["looked_at_by"] == OTHER.as_dict()
    [line] = [x for x in found["lines"] if x["word"] == "different"]
    assert line["cause"] == "computed"
    for part in (
        "the stream is the one that was measured",
        stamp().say,
        OTHER.say,
        "(+0.400 µm)",
        "No ruling is another",
    ):
        assert part in line["now"]
    assert verify_command(shop / "2026-014", [], False) == 3
    text = capsys.readouterr().out
    assert "Every file is the same, by its SHA-256." in text
    assert "lengths differ by up to 0.4 µm. No ruling is another." in text


def test_a_ruling_that_turns_with_the_version_is_said(
    shop: Path, other_version: Callable[[float], None], capsys: pytest.CaptureFixture[str]
) -> None:
    other_version(-0.0621)
    code, found = told(shop / "2026-014", capsys)
    assert (code, found["verdict"], found["files_same"], found["ruling_changed"]) == (4, "ruling", True, True)
    [line] = [x for x in found["lines"] if x["word"] == "different"]
    assert "Another ruling: entry" in line["now"]
    verify_command(shop / "2026-014", [], False)
    assert "A RULING IS ANOTHER" in capsys.readouterr().out


def test_a_new_sheet_by_another_version_tells_the_same(
    here: Path, other_version: Callable[[float], None], tmp_path: Path
) -> None:
    other_version(0.0004)
    assert report_command([here / "2026-014"], tmp_path / "new.html", None, None, None) == 0
    text = (tmp_path / "new.html").read_text("utf-8")
    assert "this program works 1 of them out otherwise" in text
    assert "Do not rely on this sheet" not in text


def test_a_sheet_written_by_the_version_that_looked_is_still_sound(
    shop: Path, other_version: Callable[[float], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """A set in a job keeps what was worked out when it was measured: only the check of its stream reads otherwise."""
    other_version(0.0004)
    code, found = told(shop / "job.html", capsys)
    assert code == 3
    assert {x["cause"] for x in found["lines"] if x["word"] == "different"} == {"computed"}
    assert all("62." not in x["stated"] for x in found["lines"] if x["word"] == "different")


@pytest.fixture(scope="module")
def sheet(shop: Path) -> str:
    return (shop / "set1.html").read_text("utf-8")


def moved(text: str, *pairs: tuple[str, str]) -> Parts:
    for a, b in pairs:
        assert a in text
        text = text.replace(a, b)
    return take_apart(text)


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checking, "stamp", lambda: OTHER)


@pytest.mark.usefixtures("later")
def test_a_sheet_line_by_line(sheet: str) -> None:
    now = moved(sheet, ("60.0021 mm", "60.0024 mm"))
    found = compare(take_apart(sheet), now)
    assert (found.verdict, found.um, found.sealed) == ("computed", pytest.approx(0.3), True)
    assert {f.cause for f in found.different} == {"computed"}
    ruled = compare(take_apart(sheet), moved(sheet, ("not proven</td>", "within the tolerance</td>")))
    assert ruled.verdict == "ruling"
    assert any(f.stated.endswith("not proven") and f.now.endswith("within the tolerance") for f in ruled.different)


@pytest.mark.usefixtures("later")
def test_a_sheet_changed_by_hand_is_no_other_version(sheet: str) -> None:
    found = compare(moved(sheet, ("60.0021 mm", "60.0024 mm")), take_apart(sheet))
    assert found.verdict == "evidence"
    assert {f.cause for f in found.different} == {"sheet"}


@pytest.mark.usefixtures("later")
def test_a_sheet_whose_sum_was_taken_off_was_changed(sheet: str) -> None:
    bare = take_apart(unsealed(sheet).replace("60.0021 mm", "60.0024 mm"))
    assert bare.seal == "none"
    assert {f.cause for f in compare(bare, take_apart(sheet)).different} == {"sheet"}


def test_line_ends_of_another_system_break_no_seal(sheet: str) -> None:
    assert seal_of(sheet) == "whole"
    assert seal_of(sheet.replace("\n", "\r\n")) == "whole"
    assert seal_of(sheet.replace("60.0021", "60.0022", 1)) == "broken"
    assert seal_of(sheet.replace("sha-256 of all above: ", "sha-256 of all above: 0", 1)) == "none"


def test_an_old_sheet_bears_no_sum_and_says_so(
    here: Path, other_version: Callable[[float], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """As versions wrote them that named neither their sources nor a sum."""
    matter = gather_job(here / "2026-014", "2026-014", written="2026-03-02T09:14:05Z", version="0.1.0")
    old = unsealed(render_page(job_view(matter)))
    assert '"program"' not in old
    (here / "job.html").write_text(old, "utf-8")
    assert told(here / "job.html", capsys)[0] == 0
    other_version(0.0004)
    code, found = told(here / "job.html", capsys)
    assert (code, found["sealed"], found["written_by"]) == (3, False, None)
    verify_command(here / "job.html", [], False)
    text = capsys.readouterr().out
    assert "This sheet bears no sum of itself" in text
    assert "Written by a version that did not name its sources" in text


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-40])


def another_byte(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[-20] ^= 1
    path.write_bytes(bytes(raw))


@pytest.mark.parametrize(
    ("spoil", "cause", "word"),
    [
        (cut, "cut off", "Cut off before its end"),
        (another_byte, "changed", "Changed"),
        (Path.unlink, "missing", "Missing"),
    ],
    ids=["cut off", "changed", "missing"],
)
def test_a_spoilt_stream_is_named_for_what_it_is(
    here: Path,
    other_version: Callable[[float], None],
    capsys: pytest.CaptureFixture[str],
    spoil: Callable[[Path], None],
    cause: str,
    word: str,
) -> None:
    """Whichever version looks."""
    other_version(0.0)
    spoil(next((here / "2026-014" / "streams").rglob("stream.jsonl")))
    for path in (here / "2026-014", here / "job.html"):
        code, found = told(path, capsys)
        assert (code, found["verdict"], found["files_same"]) == (1, "evidence", False)
        assert cause in {x["cause"] for x in found["lines"]}
        verify_command(path, [], False)
        text = capsys.readouterr().out
        assert f"{word}: " in text
        assert "stream.jsonl" in text.rpartition(f"{word}: ")[2]


def test_a_stream_cut_off_under_a_sheet_of_its_own(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raw = (here / "set1.jsonl").read_bytes()
    for keep in (len(raw) - 40, 60):
        (here / "set1.jsonl").write_bytes(raw[:keep])
        code, found = told(here / "set1.html", capsys)
        assert (code, found["verdict"]) == (1, "evidence")
        assert [x["cause"] for x in found["lines"] if x["section"] == "raw stream"] == ["cut off"]


def test_a_job_that_lost_its_last_lines(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = here / "2026-014" / NAME
    path.write_bytes(b"\n".join(path.read_bytes().splitlines()[:-1]) + b"\n")
    code, found = told(here / "job.html", capsys)
    assert (code, found["verdict"]) == (1, "evidence")
    assert {x["cause"] for x in found["lines"] if x["section"] == "job.jsonl"} == {"cut off"}


def test_what_a_program_worked_out_bears_its_stamp(shop: Path) -> None:
    rows = [json.loads(x) for x in (shop / "2026-014" / NAME).read_bytes().splitlines()[1:]]
    for row in rows:
        assert ("program" in row) == ("result" in row["data"] or "predicted" in row["data"])
    assert any(stamp_from(row.get("program")) == stamp() for row in rows)


def test_a_stamp_tells_two_sources_apart_and_not_two_systems(tmp_path: Path) -> None:
    from capture.stamp import _sources

    for name in ("a", "b", "c"):
        (tmp_path / name / "analysis").mkdir(parents=True)
        (tmp_path / name / "analysis" / "x.py").write_bytes(b"a = 1\nb = 2\n")
    (tmp_path / "b" / "analysis" / "x.py").write_bytes(b"a = 1\r\nb = 2\r\n")
    (tmp_path / "c" / "analysis" / "x.py").write_bytes(b"a = 1\nb = 3\n")
    a, b, c = (_sources(tmp_path / n) for n in ("a", "b", "c"))
    assert a == b != c


def test_the_commit_of_a_checkout_and_of_none(tmp_path: Path) -> None:
    from capture.stamp import _commit

    assert _commit(tmp_path) is None
    git = tmp_path / ".git"
    git.mkdir()
    (git / "HEAD").write_text("ref: refs/heads/trunk\n")
    assert _commit(tmp_path) is None
    (git / "packed-refs").write_text(f"# pack-refs\n{'cd' * 20} refs/heads/trunk\n")
    assert _commit(tmp_path) == "cd" * 20
    (git / "refs" / "heads").mkdir(parents=True)
    (git / "refs" / "heads" / "trunk").write_text(f"{'ef' * 20}\n")
    assert _commit(tmp_path) == "ef" * 20
    (git / "HEAD").write_text(f"{'12' * 20}\n")
    assert _commit(tmp_path) == "12" * 20


@pytest.mark.parametrize("given", [None, {}, {"version": "1"}, {**stamp().as_dict(), "sources": 3}, "0.1.0"])
def test_a_stamp_that_is_none(given: object) -> None:
    assert stamp_from(given) is None
    assert stamp_from(replace(stamp(), commit=None).as_dict()) == replace(stamp(), commit=None)
