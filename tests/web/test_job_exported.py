"""A job of typed readings through export and back: the sets it makes are in the tables, and give the same statistics again."""

from __future__ import annotations

import json
import math
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from analysis.job import job_as_dict
from analysis.job.typed import typed_statistics
from capture.frames import load_job
from capture.jobs import JobFile, JobFileError, JobFolder
from capture.jobs.importing import import_job
from tests.analysis import job_scenarios as s
from tests.web.test_export import COLUMNS, READERS
from web.cli import main
from web.cli.export import export_command
from web.report.job_checking import check_job_folder

BY = "AB"


def typed_job(folder: Path, rows: list[s.Row]) -> JobFile:
    job = JobFolder(folder / "shop").new("one")
    for kind, data in rows:
        job.add(kind, data, BY)
    return job


def seatings_again(name: str, sweeps: pd.DataFrame, readings: pd.DataFrame) -> list[dict[str, Any]]:
    """The seatings of a typed set out of the tables it was exported to, as the fields of a ``set`` entry."""
    mine, typed = (t[t["stream"] == name] for t in (sweeps, readings))
    assert len(mine) == len(typed) > 0
    out: dict[int, dict[str, Any]] = {}
    for (_, sweep), (_, reading) in zip(mine.iterrows(), typed.iterrows(), strict=True):
        row = out.setdefault(int(sweep["seat"]), {"readings": [], "unit": str(reading["unit"])})
        row["readings"].append(f"{int(reading['counts']) * Decimal(str(reading['step'])):f}")
        if not sweep["accepted"]:
            row["rejected"] = str(sweep["reasons"])
    return [out[seat] for seat in sorted(out)]


def close(a: object, b: object) -> bool:
    if a is None or (isinstance(a, float) and math.isnan(a)):
        return b is None or bool(pd.isna(b))  # type: ignore[call-overload]
    return a == pytest.approx(b, abs=1e-12)


@pytest.mark.parametrize("kind", ["csv", "json", "parquet"])
@pytest.mark.parametrize("rows", [s.ONE, s.TWO_START + s.TWO_TRIAL], ids=["millimetres", "inches and a bumped unit"])
def test_what_was_typed_is_in_the_tables_and_gives_the_same_set_again(
    kind: str, rows: list[s.Row], tmp_path: Path
) -> None:
    if kind == "parquet":
        pytest.importorskip("pyarrow", reason="needs pyarrow, which is not installed here")
    job = typed_job(tmp_path, rows)
    assert export_command([job.path], None, kind, tmp_path / "out") == 0
    table = {n: READERS[kind](tmp_path / "out" / f"{n}.{kind}", COLUMNS[n]) for n in COLUMNS}
    shown = {r["entry"]: r for r in job_as_dict(job.job())["readings"] if r["kind"] == "depth"}
    assert list(table["sets"]["stream"]) == [f"job.jsonl#{n}" for n in shown]
    for n, r in shown.items():
        row = table["sets"].set_index("stream").loc[f"job.jsonl#{n}"]
        again = typed_statistics({"seatings": seatings_again(f"job.jsonl#{n}", table["sweeps"], table["readings"])})
        for key in ("accepted", "rejected", "seats", "minimum_mm", "sd_mm", "seat_sd_mm", "u_mm", "dof"):
            assert close(r["set"][key], row[key]), key
            assert close(r["set"][key], getattr(again, key)), key
        assert close(r["depth"]["distance_mm"], row["distance_mm"])

    back = import_job(tmp_path / "out", tmp_path / "shop2" / "one")
    assert [(e.n, e.at, e.by, e.kind, e.data, e.corrects) for e in back.journal().entries] == [
        (e.n, e.at, e.by, e.kind, e.data, e.corrects) for e in job.journal().entries
    ]
    assert job_as_dict(back.job()) == job_as_dict(job.job())
    assert all(f.same for f in back.check())
    assert check_job_folder(back.path).findings[0].word == "same"
    pd.testing.assert_frame_equal(load_job(back.path)[0].sets, load_job(job.path)[0].sets, check_exact=True)


def test_a_seating_left_out_stays_in_the_tables_with_its_reason(tmp_path: Path) -> None:
    job = typed_job(tmp_path, s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
    sweeps = load_job(job.path)[0].sweeps
    left_out = sweeps[~sweeps["accepted"]]
    assert len(left_out) == 4
    assert all("push and pull" in x or "grit" in x for x in left_out["reasons"])


def test_a_correction_and_a_withdrawn_set_come_back_as_they_were(tmp_path: Path) -> None:
    job = typed_job(tmp_path, s.ONE_START + s.ONE_AS_FOUND)
    n = next(e.n for e in job.journal().entries if e.kind == "set")
    job.add("set", {"note": "in the morning"}, "CD", corrects=n)
    job.add("withdraw", {"entry": n, "reason": "of another unit"}, "CD")
    assert export_command([job.path], None, "csv", tmp_path / "out") == 0
    assert load_job(job.path)[0].sets.empty
    back = import_job(tmp_path / "out" / "entries.csv", tmp_path / "back")
    assert job_as_dict(back.job()) == job_as_dict(job.job())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[]", "no entry in it"),
        ("{}", "a list of entries"),
        ("nonsense", "cannot be read"),
        ('[{"n": 1}]', "no column at, by, kind, says"),
        (
            '[{"n": 2, "at": "2026-03-02T09:14:05Z", "by": "AB", "kind": "note", "says": "{\\"text\\": \\"x\\"}"}]',
            "numbered 2",
        ),
        ('[{"n": 1, "at": "today", "by": "AB", "kind": "note", "says": "{\\"text\\": \\"x\\"}"}]', "a moment"),
        ('[{"n": 1, "at": "2026-03-02T09:14:05Z", "by": "AB", "kind": "limit", "says": "{}"}]', "limit.name"),
        ('[{"n": 1, "at": "2026-03-02T09:14:05Z", "by": "AB", "kind": "note", "says": "[]"}]', "says is no object"),
        ("[" * 100_000, "cannot be read"),
        (
            '[{"n": 1, "at": "2026-03-02T09:14:05Z", "by": "AB", "kind": "note", "says": "' + "[" * 100_000 + '"}]',
            "entry 1: .*says holds an object",
        ),
        (
            '[{"n": 1, "at": "2026-03-02T09:14:05Z", "by": "AB", "kind": "note", "corrects": 1e999, "says": "{}"}]',
            "entry 1: .*says holds an object",
        ),
    ],
)
def test_what_is_no_table_of_entries_makes_nothing(text: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "entries.json").write_text(text, "utf-8")
    with pytest.raises(JobFileError, match=said):
        import_job(tmp_path, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    job = typed_job(tmp_path, s.ONE_START)
    export_command([job.path], None, "json", tmp_path / "out")

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["shimwright", *map(str, words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as e:
            main.run()
        out, err = capsys.readouterr()
        return int(e.value.code or 0), out, err

    code, out, _ = run("job", "import", tmp_path / "out", tmp_path / "b", "--json")
    told: dict[str, Any] = json.loads(out)
    assert (code, told["entries"], told["findings"]) == (0, len(s.ONE_START), [])
    code, out, err = run("job", "import", tmp_path / "out", tmp_path / "b")
    assert (code, out) == (1, "")
    assert "holds a job already" in err
