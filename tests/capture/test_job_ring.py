"""A job's backlash from a recorded stream: figures, sum and result come out of it, and are worked out again by the check."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from capture.jobs import EntryRefusedError, JobFile, JobFolder
from capture.jobs.journal import NAME
from tests.golden.compare import ROOT

BY = "AB"
ROCKED = ROOT / "rocked-four-places" / "stream.jsonl"
INCH = ROOT / "rocked-inch-mirrored" / "stream.jsonl"
SOFT = ROOT / "rocked-soft-and-knocked" / "stream.jsonl"
SWEEPS = ROOT / "clean-mm" / "stream.jsonl"


@pytest.fixture
def job(tmp_path: Path) -> JobFile:
    """An invented job with its carrier in."""
    file = JobFolder(tmp_path / "shop").new("j")
    file.add("state", {"carrier": "in", "covers": "torqued"}, BY)
    file.add("instrument", {"id": "I", "type": "indicator", "mpe": "0.004 mm"}, BY)
    file.add("limit", {"name": "backlash", "value": "0.18 mm", "tolerance": "0.03 mm", "page": "12"}, BY)
    return file


def _attach(job: JobFile, stream: Path, **more: object) -> dict[str, object]:
    return job.add("backlash", {"phase": "trial", "stream": job.attach(stream), **more}, BY).data


def test_the_stream_gives_the_places(job: JobFile) -> None:
    d = _attach(job, ROCKED)
    assert d["unit"] == "mm"
    # What the invented bench knew (about.toml).
    assert [float(x) for x in d["places"]] == pytest.approx([0.17, 0.18, 0.19, 0.18], abs=0.004)  # type: ignore[union-attr, attr-defined]
    assert d["result"]["mpe_mm"] == 0.004  # type: ignore[index]
    assert all(f.same for f in job.check())
    assert sum(f.what.endswith("result") for f in job.check()) == 1


def test_scaled_to_the_tooth(job: JobFile) -> None:
    from analysis.job.ring import mean_mm

    _attach(job, ROCKED, radius="62 mm", tooth_radius="88 mm")
    r = job.job().latest("backlash")
    assert r is not None
    # CHECKS 8.4: at another radius reading × r_tooth / r_measured, plain geometry.
    assert mean_mm(job.job(), r) == pytest.approx(0.18 * 88 / 62, abs=0.006)


def test_an_inch_display_gives_inches(job: JobFile) -> None:
    d = _attach(job, INCH)
    assert d["unit"] == "in"
    assert float(d["places"][0]) * 25.4 == pytest.approx(0.20, abs=0.012)  # type: ignore[index]


def test_a_refused_place_is_kept_and_not_used(job: JobFile) -> None:
    d = _attach(job, SOFT)
    assert len(d["places"]) == 3  # type: ignore[arg-type]
    refused = [p for p in d["result"]["places"] if not p["accepted"]]  # type: ignore[index]
    assert [(p["n"], p["reasons"]) for p in refused] == [(2, ["soft-stop"])]


def test_a_stream_without_rocking_is_refused_and_says_what_to_do(job: JobFile) -> None:
    with pytest.raises(EntryRefusedError, match=r"gives no backlash.*lock the pinion"):
        _attach(job, SWEEPS)


def test_what_comes_out_of_the_stream_is_not_typed_or_corrected(job: JobFile) -> None:
    stream = job.attach(ROCKED)
    for key, value in (("places", [0.2]), ("unit", "mm"), ("result", {"places": []}), ("sha256", "0" * 64)):
        with pytest.raises(EntryRefusedError, match="left out"):
            job.add("backlash", {"phase": "trial", "stream": stream, key: value}, BY)
    with pytest.raises(EntryRefusedError, match="left out"):
        job.add("backlash", {"phase": "trial", "places": [0.2], "unit": "mm", "result": {"places": []}}, BY)
    with pytest.raises(EntryRefusedError, match="figures that were read, or a raw stream"):
        job.add("backlash", {"phase": "trial", "unit": "mm"}, BY)
    with pytest.raises(EntryRefusedError, match="never assumed"):
        job.add("backlash", {"phase": "trial", "places": [0.2]}, BY)
    e = job.add("backlash", {"phase": "trial", "stream": stream}, BY)
    with pytest.raises(EntryRefusedError, match="a new backlash for another stream"):
        job.add("backlash", {"places": [0.2]}, BY, corrects=e.n)
    job.add("backlash", {"radius": "62 mm", "tooth_radius": "88 mm"}, BY, corrects=e.n)
    assert all(f.same for f in job.check())


def test_a_changed_stream_or_result_shows(job: JobFile, tmp_path: Path) -> None:
    d = _attach(job, ROCKED)
    copy = tmp_path / "copy" / "j"
    shutil.copytree(job.path, copy)
    inside = copy / str(d["stream"])
    lines = inside.read_text("utf-8").splitlines(keepends=True)
    inside.write_text("".join(lines[:-20]), "utf-8")
    assert next(f.say for f in JobFile(copy).check() if not f.same).startswith("the stream is not the one")
    journal = job.path / NAME
    text = journal.read_text("utf-8")
    first = str(json.loads(text.splitlines()[-1])["data"]["places"][0])
    journal.write_text(text.replace(f'"{first}"', '"0.2500"', 1), "utf-8")
    found = [f for f in JobFile(job.path).check() if not f.same]
    assert [(f.cause, f.um) for f in found] == [("changed", None)]
    assert "what is written down was changed afterwards: places.1 was 0.2500, is " in found[0].say


def test_end_play_typed_and_out_of_a_stream(job: JobFile) -> None:
    from analysis.job import job_as_dict

    job.add("end-play", {"where": "pinion", "phase": "as-found", "play": "0 mm"}, BY)
    stream = job.attach(ROCKED)
    d = job.add("end-play", {"where": "carrier", "phase": "as-found", "stream": stream}, BY).data
    # A shaft with two stops is a gear with two stops: the mean of what the invented bench knew.
    assert str(d["play"]).endswith(" mm")
    assert float(str(d["play"]).split()[0]) == pytest.approx(0.18, abs=0.003)
    rows = [r for r in job_as_dict(job.job())["readings"] if r["kind"] == "end-play"]
    assert [r["end_play"]["finding"] for r in rows] == ["none", "play"]
    assert "no end play" in rows[0]["end_play"]["say"]
    assert "preload is gone" in rows[1]["end_play"]["say"]
    assert all(f.same for f in job.check())
    with pytest.raises(EntryRefusedError, match="write it down as play = 0 mm"):
        job.add("end-play", {"where": "pinion", "phase": "trial", "stream": job.attach(SWEEPS)}, BY)
    with pytest.raises(EntryRefusedError, match="raw stream"):
        job.add("end-play", {"where": "pinion", "phase": "trial"}, BY)


def test_a_nut_that_is_turned_undoes_the_pinion_s_end_play_and_not_the_carrier_s(job: JobFile) -> None:
    for where in ("pinion", "carrier"):
        job.add("end-play", {"where": where, "phase": "trial", "play": "0.02 mm"}, BY)
    job.add("state", {"nut": "torqued"}, BY)
    assert [r.status for r in job.job().readings] == ["void", "valid"]
    assert "takes up the play" in job.job().readings[0].voided[0].reason
    job.add("state", {"carrier": "out"}, BY)
    assert [r.status for r in job.job().readings] == ["void", "void"]


TURNED = ROOT / "turned-two-turns" / "stream.jsonl"
NOT_WHOLE = ROOT / "turned-not-whole" / "stream.jsonl"


def test_run_out_of_a_turned_ring_gear(job: JobFile) -> None:
    from analysis.job import job_as_dict

    job.add("limit", {"name": "run-out", "value": "0.02 mm", "page": "15"}, BY)
    stream = job.attach(TURNED)
    with pytest.raises(EntryRefusedError, match="how many whole turns"):
        job.add("run-out", {"phase": "trial", "stream": stream}, BY)
    d = job.add("run-out", {"phase": "trial", "stream": stream, "turns": 2}, BY).data
    assert len(d["readings"]) == 24  # type: ignore[arg-type]
    r = job_as_dict(job.job())["readings"][0]["run_out"]
    # What the invented bench knew (about.toml): 0.0347 mm in all, 0.034 mm of it one wave a turn.
    assert r["total_mm"] == pytest.approx(0.0347, abs=0.002)
    assert r["first_harmonic_mm"] == pytest.approx(0.034, abs=0.004)
    assert r["finding"] == "above"
    assert "over 2 turns" in r["say"]
    assert "look for dirt" in r["say"]
    assert all(f.same for f in job.check())
    assert sum(f.what.endswith("result") for f in job.check()) == 1
    with pytest.raises(EntryRefusedError, match="begin and end at the same mark"):
        job.add("run-out", {"phase": "trial", "stream": job.attach(NOT_WHOLE), "turns": 2}, BY)
    with pytest.raises(EntryRefusedError, match="left out"):
        job.add("run-out", {"phase": "trial", "stream": stream, "turns": 2, "readings": [0] * 8}, BY)
