"""Exported tables: read back, they equal what was exported."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from analysis import frame
from capture.errors import CaptureError
from capture.frames import load
from capture.jobs import JobFile
from web.cli.export import TABLES, export_command

STREAMS = Path(__file__).parents[2] / "recorded_streams"
PATHS = [STREAMS / n / "stream.jsonl" for n in ("three-seatings-warming", "knocks-and-half-sweeps", "coarse-inch")]
SETUP = STREAMS / "three-seatings-warming" / "setup.toml"
COLUMNS = dict(zip(TABLES, (frame.SETS, frame.SWEEPS, frame.BUDGETS, frame.READINGS), strict=True))


def read_csv(path: Path, columns: dict[str, str]) -> pd.DataFrame:
    turn = {
        "float64": lambda x: float(x) if x else float("nan"),
        "int64": int,
        "bool": {"True": True, "False": False}.get,
    }
    with path.open(newline="", encoding="utf-8") as file:
        rows = [{k: turn.get(columns[k], str)(v) for k, v in row.items()} for row in csv.DictReader(file)]
    return frame.typed(pd.DataFrame(rows, columns=list(columns), dtype="object"), columns)


def read_json(path: Path, columns: dict[str, str]) -> pd.DataFrame:
    rows: list[dict[str, Any]] = json.loads(path.read_text("utf-8"))
    for row in rows:
        for name, value in row.items():
            if value == "unlimited" and columns[name] == "float64":
                row[name] = float("inf")
    return frame.typed(pd.DataFrame(rows, columns=list(columns), dtype="object"), columns)


READERS = {"csv": read_csv, "json": read_json, "parquet": lambda p, c: frame.typed(pd.read_parquet(p), c)}


@pytest.mark.parametrize("kind", ["csv", "json", "parquet"])
def test_what_is_read_back_equals_what_was_exported(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if kind == "parquet":
        pytest.importorskip("pyarrow", reason="needs pyarrow, which is not installed here")
    assert export_command(PATHS, SETUP, kind, tmp_path / "out") == 0
    want = load(PATHS, SETUP)
    for name in TABLES:
        got = READERS[kind](tmp_path / "out" / f"{name}.{kind}", COLUMNS[name])
        pd.testing.assert_frame_equal(got, getattr(want, name), check_exact=True)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(f"{n}.{kind}" for n in TABLES)
    said = capsys.readouterr()
    assert "3 sets" in said.out
    assert said.err == ""


def test_parquet_without_its_package_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(CaptureError, match="pip install pyarrow"):
        export_command(PATHS[:1], None, "parquet", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_an_unknown_kind_says_what_is_allowed(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r'given "xls"; allowed: csv, parquet, json'):
        export_command(PATHS[:1], None, "xls", tmp_path)


def test_tables_that_are_there_are_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "sets.csv").write_text("mine\n", "utf-8")
    with pytest.raises(CaptureError, match=r"already holds sets\.csv"):
        export_command(PATHS[:1], None, "csv", tmp_path)
    assert (tmp_path / "sets.csv").read_text("utf-8") == "mine\n"
    assert not (tmp_path / "sweeps.csv").exists()
    assert export_command(PATHS[:1], None, "csv", tmp_path, replace=True) == 0
    assert "mine" not in (tmp_path / "sets.csv").read_text("utf-8")
    capsys.readouterr()


def test_one_bad_stream_costs_only_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.jsonl"
    bad.write_text("no stream\n", "utf-8")
    assert export_command([bad, PATHS[1]], None, "csv", tmp_path / "out") == 1
    assert list(read_csv(tmp_path / "out" / "sets.csv", frame.SETS)["stream"]) == [str(PATHS[1])]
    assert str(bad) in capsys.readouterr().err
    assert export_command([bad], None, "csv", tmp_path / "none") == 1
    assert not list((tmp_path / "none").iterdir())


def test_a_folder_that_cannot_be_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(CaptureError, match="Choose a folder"):
        export_command(PATHS[:1], None, "csv", tmp_path / "file")


@pytest.mark.parametrize("kind", ["csv", "json", "parquet"])
def test_a_job_is_exported_by_its_folder_with_its_entries(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if kind == "parquet":
        pytest.importorskip("pyarrow", reason="needs pyarrow, which is not installed here")
    job = JobFile.new(tmp_path / "one")
    job.add("intake", {"unit": "invented axle"}, "AB")
    job.add("set", {"phase": "as-found", "stream": job.attach(PATHS[0])}, "AB")
    job.add("intake", {"unit": "invented axle", "serial": "7"}, "CD", corrects=1)
    assert export_command([job.path], None, kind, tmp_path / "out") == 0
    assert capsys.readouterr().out.endswith("readings, 3 entries\n")
    stream = tmp_path / "one" / "streams" / "three-seatings-warming" / "stream.jsonl"
    want = load(stream)
    for name in TABLES:
        got = READERS[kind](tmp_path / "out" / f"{name}.{kind}", COLUMNS[name])
        pd.testing.assert_frame_equal(got, getattr(want, name), check_exact=True)
    file = tmp_path / "out" / f"entries.{kind}"
    rows: list[dict[str, Any]] = {
        "csv": lambda: list(csv.DictReader(file.read_text("utf-8").splitlines())),
        "json": lambda: json.loads(file.read_text("utf-8")),
        "parquet": lambda: pd.read_parquet(file).to_dict("records"),
    }[kind]()
    assert [(int(r["n"]), r["by"], r["kind"]) for r in rows] == [
        (1, "AB", "intake"),
        (2, "AB", "set"),
        (3, "CD", "intake"),
    ]
    assert [json.loads(r["says"]) for r in rows] == [e.data for e in job.journal().entries]
    assert [str(r["corrects"]) in ("1", "1.0") for r in rows] == [False, False, True]


def test_a_job_with_something_beside_it_is_refused(tmp_path: Path) -> None:
    job = JobFile.new(tmp_path / "one")
    for paths, setup in (([job.path, PATHS[0]], None), ([job.path], SETUP)):
        with pytest.raises(CaptureError, match="one job's folder alone"):
            export_command(paths, setup, "csv", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_set_of_a_job_whose_stream_is_gone_is_named_and_the_rest_is_exported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = JobFile.new(tmp_path / "one")
    for path in PATHS[:2]:
        job.add("set", {"phase": "as-found", "stream": job.attach(path)}, "AB")
    (job.path / "streams" / "three-seatings-warming" / "stream.jsonl").unlink()
    assert export_command([job.path], None, "csv", tmp_path / "out") == 1
    said = capsys.readouterr()
    assert "three-seatings-warming" in said.err
    assert "1 sets" in said.out
    assert "2 entries" in said.out


def test_as_json_the_files_are_named_with_their_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert export_command([PATHS[0], tmp_path / "absent.jsonl"], SETUP, "csv", tmp_path / "t", json_out=True) == 1
    told = json.loads(capsys.readouterr().out)
    assert set(told["tables"]) == set(TABLES)
    for row in told["tables"].values():
        with Path(row["file"]).open(newline="", encoding="utf-8") as file:
            assert len(list(csv.DictReader(file))) == row["rows"]
    assert [Path(p).name for p in told["errors"]] == ["absent.jsonl"]
