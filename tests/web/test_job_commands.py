"""The ``job`` commands as a user starts them: three invented jobs start to finish, exit codes, what goes where."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.jobs.journal import NAME
from tests.analysis import job_scenarios as s
from tests.capture.test_analyse import record
from tests.capture.test_jobs import STREAM_START
from tests.web.fonts import fonts_open as fonts_open
from web.cli import main

SCRIPT = str(Path(sys.executable).with_name("shimwright"))
IN = 25.4


@pytest.fixture
def run(tmp_path: Path) -> Any:
    """Function that runs a job command to its end."""

    def go(*args: object, by: str | None = "AB") -> subprocess.CompletedProcess[str]:
        env = {k: v for k, v in os.environ.items() if k != "SHIMWRIGHT_BY"}
        if by is not None:
            env["SHIMWRIGHT_BY"] = by
        return subprocess.run(
            [SCRIPT, "job", *map(str, args)],
            capture_output=True,
            text=True,
            timeout=60,
            cwd=tmp_path,
            env=env,
            check=False,
        )

    return go


@pytest.fixture
def quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """The same entry point in this process, for many short commands."""
    monkeypatch.chdir(tmp_path)

    def go(*args: object, by: str | None = "AB") -> subprocess.CompletedProcess[str]:
        monkeypatch.setattr(sys, "argv", ["shimwright", "job", *map(str, args)])
        monkeypatch.delenv("SHIMWRIGHT_BY", raising=False)
        if by is not None:
            monkeypatch.setenv("SHIMWRIGHT_BY", by)
        capsys.readouterr()
        with pytest.raises(SystemExit) as e:
            main.run()
        out, err = capsys.readouterr()
        return subprocess.CompletedProcess(args, e.value.code if isinstance(e.value.code, int) else 0, out, err)

    return go


PICTURE = b"\x89PNG\r\n\x1a\ninvented picture"


def test_a_picture_is_taken_in_kept_and_known_by_its_sum(quick: Any, tmp_path: Path) -> None:
    import hashlib

    quick("new", "j", "--unit", "invented axle")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "tooth side.png").write_bytes(PICTURE)
    (tmp_path / "elsewhere" / "two.png").write_bytes(PICTURE + b"2")
    done = quick("photo", "j", "elsewhere/tooth side.png", "elsewhere/two.png", "--of", "pattern, drive side")
    assert done.returncode == 0
    assert "kept as tooth-side.png" in done.stdout
    assert (tmp_path / "j" / "photos" / "tooth-side.png").read_bytes() == PICTURE
    rows = json.loads(quick("show", "j", "--json").stdout)["entries"]
    photos = [r["data"] for r in rows if r["kind"] == "photo"]
    assert [p["sha256"] for p in photos] == [hashlib.sha256(PICTURE + x).hexdigest() for x in (b"", b"2")]
    assert photos[0]["of"] == "pattern, drive side"
    assert quick("check", "j").returncode == 0
    # The name it bears there is the one a pattern names.
    assert (
        quick("add", "j", "pattern", "phase=final", "drive=centre", "coast=centre", 'photos=["two.png"]').returncode
        == 0
    )
    again = json.loads(quick("photo", "j", "elsewhere/two.png", "--json").stdout)
    assert [e["data"]["file"] for e in again["entries"]] == ["two.png"], "the same picture is not kept twice"


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("no.png", None, "cannot be read"),
        ("x.png", b"GIF89a", "x.png: This is no picture"),
        ("", None, "cannot be read"),
    ],
)
def test_where_one_picture_cannot_be_kept_none_is(
    quick: Any, tmp_path: Path, name: str, content: bytes | None, says: str
) -> None:
    quick("new", "j", "--unit", "invented axle")
    (tmp_path / "good.png").write_bytes(PICTURE)
    if content is not None:
        (tmp_path / name).write_bytes(content)
    done = quick("photo", "j", "good.png", tmp_path / name)
    assert done.returncode == 1
    assert says in done.stderr
    assert list((tmp_path / "j" / "photos").iterdir()) == []
    assert len((tmp_path / "j" / NAME).read_bytes().splitlines()) == 2


def test_a_set_is_typed_in_one_line(quick: Any) -> None:
    quick("new", "j", "--unit", "invented axle")
    done = quick("add", "j", "set", "phase=trial", "seatings=1.553 1.551 1.554 mm; 1.548 1.549 mm", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["entries"][0]["data"]["seatings"] == s.seated(
        "mm", "1.553 1.551 1.554", "1.548 1.549"
    )


def toml_value(x: object) -> str:
    if isinstance(x, bool):
        return "true" if x else "false"
    if isinstance(x, dict):
        return "{" + ", ".join(f"{k} = {toml_value(v)}" for k, v in x.items()) + "}"
    if isinstance(x, list):
        return "[" + ", ".join(toml_value(v) for v in x) + "]"
    return json.dumps(x, ensure_ascii=False)


def snippet(path: Path, rows: Sequence[s.Row]) -> Path:
    """Entries as a TOML file."""
    text = ""
    for kind, data in rows:
        text += f'[[entry]]\nkind = "{kind}"\n' + "".join(f"{k} = {toml_value(v)}\n" for k, v in data.items()) + "\n"
    path.write_text(text, "utf-8")
    return path


def state(run: Any, job: str) -> dict[str, Any]:
    p = run("show", job, "--json")
    assert p.returncode == 0, p.stderr
    assert p.stderr == ""
    out: dict[str, Any] = json.loads(p.stdout)
    return out


def added(run: Any, tmp_path: Path, job: str, rows: Sequence[s.Row]) -> dict[str, Any]:
    p = run("add", job, "--from", snippet(tmp_path / "more.toml", rows), "--json")
    assert p.returncode == 0, p.stderr
    out: dict[str, Any] = json.loads(p.stdout)
    return out


def test_scenario_one(run: Any, tmp_path: Path) -> None:
    assert run("new", "one").returncode == 0
    added(run, tmp_path, "one", s.ONE_START + s.ONE_AS_FOUND)
    v = state(run, "one")
    assert v["as_found"]["error_mm"] == pytest.approx(0.0107, abs=5e-5)
    added(run, tmp_path, "one", s.ONE_TRIAL + s.ONE_BOX)
    v = state(run, "one")
    assert v["shim"]["stack_mm"] == pytest.approx(0.8275, abs=5e-5)
    assert [g["thickness"] for g in v["shim"]["order"]] == ["0.82", "0.80", "0.84"]
    out = added(run, tmp_path, "one", s.ONE_DELIVERED + s.ONE_NEW)
    assert out["next"]["name"] == "pinion-preload"
    # One step by hand, as it is typed at the bench.
    p = run("add", "one", "preload", "where=pinion", "phase=trial", "torque=2.8 N·m", "method=turning", "--by", "CD")
    assert p.returncode == 0, p.stderr
    assert "Next (final-depth): Measure the depth for the last time" in p.stdout
    added(run, tmp_path, "one", s.ONE_FINAL[1:] + s.ONE_CARRIER[:-1])
    p = run("add", "one", "backlash", "phase=trial", "unit=mm", "places=[0.27, 0.28, 0.26, 0.27]")
    assert p.returncode == 0, p.stderr
    assert "Left becomes 1.930 mm, right 1.730 mm" in p.stdout
    added(run, tmp_path, "one", s.ONE_MOVED + s.ONE_END[:1])
    p = run("close", "one", "--not-checked", "noise under load", "recheck=2026-09-01")
    assert p.returncode == 0, p.stderr
    assert p.stdout.endswith("The job is closed.\n")
    v = state(run, "one")
    assert v["predictions"][0]["closure"]["agrees"] is True
    assert v["ring_moves"][0]["learnt_ratio"] == pytest.approx(0.692, abs=5e-4)
    assert v["closed"]["recheck"] == "2026-09-01"
    p = run("check", "one")
    assert p.returncode == 0
    assert "DIFFERENT" not in p.stdout


def test_scenario_two(quick: Any, tmp_path: Path) -> None:
    quick("new", "two", "--unit", "invented axle", "manual=invented manual")
    added(quick, tmp_path, "two", s.TWO_START[1:] + s.TWO_TRIAL)
    v = state(quick, "two")
    assert v["depth"]["error_mm"] / IN == pytest.approx(-0.00627, abs=5e-6)
    assert [g["thickness"] for g in v["shim"]["order"]] == ["0.032", "0.031", "0.033"]
    added(quick, tmp_path, "two", s.TWO_DELIVERED + s.TWO_NEW + s.TWO_FINAL + s.TWO_CARRIER + s.TWO_MOVED)
    v = state(quick, "two")
    assert v["depth"]["error_mm"] / IN == pytest.approx(0.00023, abs=5e-6)
    assert v["ring_moves"][0]["learnt_ratio"] == pytest.approx(0.641, abs=5e-4)
    words = quick("show", "two").stdout
    assert "TOWARD the ring gear's axis" in words
    assert "a competent person decides" in words


def test_scenario_three(quick: Any, tmp_path: Path) -> None:
    quick("new", "three")
    added(quick, tmp_path, "three", s.THREE_START + s.THREE_HOT)
    p = quick("void", "three")
    assert "too far apart" in p.stdout
    assert "To measure again:" in p.stdout
    added(quick, tmp_path, "three", s.THREE_COLD)
    v = state(quick, "three")
    assert v["shim"]["far"]["needed_mm"] == pytest.approx(1.1109, abs=1e-9)
    added(quick, tmp_path, "three", s.THREE_FINAL + s.THREE_RING)
    v = state(quick, "three")
    assert v["depth"]["error_mm"] == pytest.approx(0.0021, abs=1e-9)
    assert v["carrier"]["backlash"]["finding"] == "within"


def test_a_nut_retorqued(quick: Any, tmp_path: Path) -> None:
    quick("new", "one")
    added(quick, tmp_path, "one", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
    p = quick("add", "one", "state", "nut=torqued", "nut_torque=220 N·m")
    assert p.returncode == 0
    assert "Measure the depth again: entry" in p.stdout
    out = json.loads(quick("void", "one", "--json").stdout)
    assert out["redo"][0]["kind"] == "depth"
    assert "nut torqued (220 N·m)" in out["void"][-1]["reasons"][-1]["reason"]
    assert json.loads(quick("next", "one", "--json").stdout)["next"]["name"] == "trial"


def test_a_recorded_stream_becomes_a_set(run: Any, tmp_path: Path) -> None:
    run("new", "j")
    added(run, tmp_path, "j", STREAM_START)
    stream = record(tmp_path / "recorded.jsonl", 1, 8)
    p = run("set", "j", stream, "--phase", "trail")
    assert p.returncode == 1
    assert 'set.phase: given "trail"; allowed: one of: as-found, trial, final' in p.stderr
    assert list((tmp_path / "j" / "streams").iterdir()) == []
    p = run("set", "j", stream, "--phase", "trial", "person=CD", "--json")
    assert p.returncode == 0, p.stderr
    assert json.loads(p.stdout)["entries"][0]["data"]["stream"] == "streams/recorded/recorded.jsonl"
    run("add", "j", "zeroing", "when=after", "reading=0.000 mm")
    v = state(run, "j")
    assert (v["depth"]["status"], v["readings"][0]["by"]) == ("valid", "CD")
    shutil.move(tmp_path / "j", tmp_path / "moved")
    p = run("check", "moved", "--json")
    assert (p.returncode, json.loads(p.stdout)["same"]) == (0, True)
    (tmp_path / "moved" / "streams" / "recorded" / "recorded.jsonl").unlink()
    p = run("check", "moved")
    assert p.returncode == 1
    assert "DIFFERENT" in p.stdout


def test_wrong_usage_is_two_and_work_that_cannot_be_done_is_one(quick: Any, tmp_path: Path) -> None:
    assert quick("new", "j").returncode == 0
    before = (tmp_path / "j" / NAME).read_bytes()
    for code, words, args in (
        (2, "--by: given nothing", ("add", "j", "note", "text=x")),
        (2, "given no =", ("add", "j", "note", "text", "--by", "AB")),
        (2, "no list or table", ("add", "j", "backlash", "places=[0.1", "--by", "AB")),
        (2, "one of the two", ("add", "j", "--by", "AB")),
        (1, "nearest valid name: limit", ("add", "j", "limt", "x=1", "--by", "AB")),
        (1, "holds a job already", ("new", "j")),
        (1, "holds no job", ("show", "nowhere")),
        (1, "no such folder", ("stock", "nowhere")),
        (1, "no such file", ("add", "j", "--from", "nothing.toml", "--by", "AB")),
        (1, "first intake, or leave it out", ("close", "j", "--not-checked", "all", "--by", "AB")),
    ):
        p = quick(*args, by=None)
        assert (p.returncode, p.stdout) == (code, ""), (args, p.stderr)
        assert words in p.stderr, args
        assert "Traceback" not in p.stderr
    assert (tmp_path / "j" / NAME).read_bytes() == before
    (tmp_path / "bad.toml").write_text("[[entry]]\nkind = 'note'\ntext = 'one'\n[[entry]]\nkind = 'note'\n")
    p = quick("add", "j", "--from", "bad.toml")
    assert p.returncode == 1
    assert "entry 2, note.text: given nothing" in p.stderr
    assert (tmp_path / "j" / NAME).read_bytes() == before


def test_a_new_job_that_is_refused_leaves_no_folder(quick: Any, tmp_path: Path) -> None:
    p = quick("new", "j", "--unit", "axle", "colour=red")
    assert p.returncode == 1
    assert "intake.colour" in p.stderr
    assert not (tmp_path / "j").exists()


def test_corrections_and_marks_stay_as_typed(quick: Any, tmp_path: Path) -> None:
    quick("new", "j")
    p = quick(
        "add", "j", "gearset", "pinion_pair=417", "ring_pair=417", "mark=+14", "form=deviation", "nominal=61.50 mm"
    )
    assert p.returncode == 0, p.stderr
    assert (
        quick(
            "add",
            "j",
            "gearset",
            "count=0.01 mm",
            "sense=adds",
            "form=deviation",
            "nominal=",
            "nominal=61.55 mm",
            "--corrects",
            "1",
        ).returncode
        == 0
    )
    v = state(quick, "j")
    assert v["gearset"]["mark"] == "+14"
    assert v["gearset"]["nominal"] == "61.55 mm"
    words = quick("show", "j", "--entries").stdout
    assert "corrected by 2" in words
    assert "nominal 61.50 mm" in words


def test_kinds_are_listed(quick: Any) -> None:
    p = quick("kinds", "zeroing")
    assert p.stdout.startswith(
        "zeroing: the display on the master, before or after\n    when (needed): one of: before, after\n"
    )
    assert len(json.loads(quick("kinds", "--json").stdout)["kinds"]) > 30
    p = quick("kinds", "zero")
    assert (p.returncode, "allowed: intake" in p.stderr) == (2, True)


def test_shims_of_the_shop(quick: Any, tmp_path: Path) -> None:
    quick("new", "shop/a")
    quick("new", "shop/b")
    quick("add", "shop/a", "piece", "id=0.82", "readings=[0.823, 0.823, 0.823]", "unit=mm", "marked=0.82 mm")
    assert quick("add", "shop/b", "reserve", "piece=0.82").returncode == 0
    rows = json.loads(quick("stock", "shop", "--json").stdout)["stock"]
    assert [(r["id"], r["job"], r["state"], r["state_in"]) for r in rows] == [("0.82", "a", "reserved", "b")]
    assert "reserved in b" in quick("stock", "shop/a").stdout
    p = quick("add", "shop/a", "fit", "place=depth", "pieces=0.82")
    assert p.returncode == 1
    assert "job b has it reserved" in p.stderr


def test_jobs_are_served(tmp_path: Path) -> None:
    """A real server, a real port: a job begun and written into over HTTP is the folder's job."""
    process = subprocess.Popen(
        [SCRIPT, "serve", "push", "--port", "0", "--no-browser", "--jobs", "shop", "--record", "rec"],
        stdout=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
    )
    try:
        assert process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
        assert found is not None
        with httpx.Client(base_url=found.group(), timeout=60) as c:
            assert c.post("/api/jobs", json={"job": "a"}).status_code == 201
            entry = {"kind": "intake", "by": "AB", "data": {"unit": "invented axle"}}
            assert c.post("/api/jobs/a/entries", json=entry).status_code == 201
            assert c.get("/api/jobs/a/next").json()["next"]["say"].startswith("State the manual")
    finally:
        process.terminate()
        process.communicate(timeout=60)
    assert (tmp_path / "shop" / "a" / NAME).read_bytes().count(b"\n") == 2


def test_what_is_odd_is_told_when_it_is_written_down(quick: Any) -> None:
    quick("new", "j", "--unit", "invented axle")
    quick("add", "j", "state", "bearings=new", "seal=out", "nut=torqued", "turns=20", "bearings_seated=yes")
    done = quick("add", "j", "preload", "where=pinion", "phase=trial", "torque=19 lb·ft")
    assert done.returncode == 0
    said = [x for x in done.stdout.splitlines() if x.startswith("Look again at entry 3: ")]
    assert len(said) == 1
    assert "Likely 19 lb·in (2.15 N·m)" in said[0]
    assert "job add j preload FIELD=VALUE … --corrects 3" in done.stdout
    right = quick("add", "j", "preload", "torque=19 lb·in", "--corrects", "3", "--json")
    told = json.loads(right.stdout)
    assert told["remarks"] == []
    assert told["entries"][0]["data"]["torque"] == "19 lb·in"
    page = ("page=4-10",)
    quick("add", "j", "limit", "name=depth-tolerance", "value=0.05 mm", *page)
    odd = json.loads(quick("add", "j", "limit", "name=depth-tolerance", "value=0.03 mm", *page, "--json").stdout)
    assert "Look which one is for this unit" in odd["remarks"][0]
    assert "Problem: The limit depth-tolerance is 0.05 mm" in quick("show", "j").stdout
    refused = quick("add", "j", "confirm", "entry=3", "what=limit", "reason=r")
    assert refused.returncode == 1
    assert "the number of a limit: 5, 6" in refused.stderr
    held = quick("add", "j", "confirm", "entry=5", "what=limit", "reason=serial number")
    assert "Look again" not in held.stdout
