"""``shimwright store``: what is printed, and with which exit code."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from tests.capture.store_live import RECORDINGS
from web.cli.store import _Progress, backup_command, check_command, list_command, rebuild_command

ROOT = Path(__file__).parents[2]


def command(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    code = "from web.cli.main import run; run()"
    return subprocess.run(
        [sys.executable, "-c", f"import sys; sys.argv[0] = 'shimwright'; {code}", *arguments],
        cwd=ROOT,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def streams(tmp_path: Path) -> Path:
    folder = tmp_path / "streams"
    for name in ("clean-mm", "too-fast"):
        shutil.copytree(RECORDINGS / name, folder / name)
    return folder


def test_the_store_of_the_environment_is_used_and_errors_are_one_paragraph(tmp_path: Path, streams: Path) -> None:
    file = tmp_path / "e.sqlite"
    done = command("store", "list", SHIMWRIGHT_STORE=str(file))
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith(f"shimwright: There is no evidence store at {file}.")
    assert done.stderr.count("\n") == 1
    done = command("store", "rebuild", str(streams), SHIMWRIGHT_STORE=str(file))
    assert (done.returncode, done.stderr) == (0, "")
    assert f"2 streams with 408 readings are in {file}" in done.stdout


def test_rebuild_takes_the_recordings_folder_by_default(
    tmp_path: Path, streams: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    (tmp_path / "data" / "shimwright").mkdir(parents=True)
    streams.rename(tmp_path / "data" / "shimwright" / "streams")
    assert rebuild_command(None, None, None) == 0
    assert f"in {tmp_path}/data/shimwright/evidence.sqlite" in capsys.readouterr().out


def test_a_stream_that_cannot_be_read_is_named_and_the_rest_goes_in(
    tmp_path: Path, streams: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (streams / "bad").mkdir()
    (streams / "bad" / "stream.jsonl").write_text('{"format":"shimwright-stream/9"}\n')
    assert rebuild_command(streams, str(tmp_path / "e.sqlite"), None) == 1
    told = capsys.readouterr()
    assert "2 streams with 408 readings" in told.out
    assert "1 streams are not." in told.out
    assert "shimwright-stream/9" in told.err


def test_a_set_up_file_gives_depths(tmp_path: Path, streams: Path, capsys: pytest.CaptureFixture[str]) -> None:
    setup = streams / "clean-mm" / "setup.toml"
    setup.rename(tmp_path / "unit.toml")
    where = str(tmp_path / "e.sqlite")
    assert rebuild_command(streams, where, tmp_path / "unit.toml") == 0
    capsys.readouterr()
    assert list_command(where, json_out=True) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    expected = json.loads((RECORDINGS / "clean-mm" / "expected.jsonl").read_text())
    (clean,) = [r for r in rows if r["name"] == "clean-mm/stream.jsonl"]
    assert clean["distance_mm"] == pytest.approx(expected["depth"]["distance_mm"], abs=1e-6)  # kept to seven places
    assert clean["profile"]["use"] == "text-line"
    assert list_command(where, json_out=False) == 0
    out = capsys.readouterr().out
    assert f"{expected['depth']['distance_mm']:.4f} ± " in out
    assert f"{expected['depth']['ruling']}" in out


def test_check_and_backup(tmp_path: Path, streams: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = str(tmp_path / "e.sqlite")
    rebuild_command(streams, where, None)
    assert check_command(where, json_out=False) == 0
    assert backup_command(tmp_path / "b.sqlite", where) == 0
    out = capsys.readouterr().out
    assert "fine     2 streams: rows complete" in out
    assert "is copied to" in out
    assert check_command(str(tmp_path / "b.sqlite"), json_out=True) == 0
    assert {f["state"] for f in json.loads(capsys.readouterr().out)} == {"fine"}
    with closing(sqlite3.connect(where)) as c:
        c.execute("DELETE FROM readings WHERE n = 3")
        c.commit()
    assert check_command(where, json_out=False) == 1
    out = capsys.readouterr().out
    assert "357 readings stated, 356 there" in out
    assert "cure: Make its rows again: shimwright store rebuild" in out


def test_rebuild_and_backup_as_data(tmp_path: Path, streams: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "e.sqlite"
    bad = streams / "bad" / "stream.jsonl"
    bad.parent.mkdir()
    bad.write_text('{"format":"shimwright-stream/9"}\n')
    assert rebuild_command(streams, str(file), None, json_out=True) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["store"], told["streams"], told["readings"]) == (str(file), 2, 408)
    assert list(told["problems"]) == [str(bad)]
    assert "shimwright-stream/9" in told["problems"][str(bad)]
    copy = tmp_path / "b.sqlite"
    assert backup_command(copy, str(file), json_out=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {"store": str(file), "file": str(copy), "bytes": copy.stat().st_size}


def test_progress_shows_on_a_terminal_after_a_second_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = [0.0]
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    show = _Progress(lambda: now[0])
    show(1, 10, "streams")
    assert capsys.readouterr().err == ""
    now[0] = 1.5
    show(5, 10, "streams")
    assert "5 of 10 streams" in capsys.readouterr().err
    show.clear()
    assert capsys.readouterr().err.endswith("\r")
