"""Tables of results: what the result says, typed, and nothing more."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from analysis import frame
from analysis.readings import Reading, Scale
from capture.analyse import analyse_stream
from capture.frames import load
from capture.rerun import rerun
from capture.setup_file import load_setup

STREAMS = Path(__file__).parents[2] / "recorded_streams"
WARMING = STREAMS / "three-seatings-warming"
KNOCKS = STREAMS / "knocks-and-half-sweeps" / "stream.jsonl"


def test_a_set_is_one_row_that_says_what_the_result_says() -> None:
    setup = load_setup(WARMING / "setup.toml")
    r = analyse_stream(WARMING / "stream.jsonl", setup)
    table = frame.sets([r])
    assert {c: str(t) for c, t in table.dtypes.items()} == frame.SETS
    row = table.iloc[0]
    assert row["stream"] == r["stream"]
    for name in ("accepted", "rejected", "seats", "minimum_mm", "sd_mm", "seat_sd_mm", "u_mm", "dof", "drift_p"):
        assert row[name] == r["set"][name]
    for name in ("distance_mm", "U95_mm", "k", "target_mm", "error_mm", "tolerance_mm", "ruling", "p_within"):
        assert row[name] == r["depth"][name]
    assert row["depth_dof"] == r["depth"]["dof"]
    assert row["play"] == r["play"]["finding"]
    assert row["stack_mm"] == r["shim"]["stack_mm"]
    assert row["gaps"] == len(r["gaps"]) == 2


def test_what_is_not_known_is_nan_and_never_nought() -> None:
    row = frame.sets([analyse_stream(KNOCKS)]).iloc[0]
    for name in ("distance_mm", "U95_mm", "error_mm", "p_within", "stack_mm", "seat_sd_mm", "play_size_mm"):
        assert np.isnan(row[name])
    assert row["ruling"] == ""


def test_rejected_sweeps_stay_in_the_table_with_their_reasons() -> None:
    r = analyse_stream(KNOCKS)
    table = frame.sweeps([r])
    assert {c: str(t) for c, t in table.dtypes.items()} == frame.SWEEPS
    assert list(table["n"]) == [s["n"] for s in r["sweeps"]]
    assert list(table["reasons"].str.split()) == [s["reasons"] for s in r["sweeps"]]
    assert 0 < (~table["accepted"]).sum() == r["set"]["rejected"]
    assert (table.loc[~table["accepted"], "reasons"] != "").all()


def test_the_budget_adds_up_and_unlimited_freedom_is_infinite() -> None:
    setup = load_setup(WARMING / "setup.toml")
    r = analyse_stream(WARMING / "stream.jsonl", setup)
    table = frame.budgets([r])
    assert {c: str(t) for c, t in table.dtypes.items()} == frame.BUDGETS
    assert set(table["of"]) == {"depth"}
    # GUM 5.1.2: the combined standard uncertainty is the root sum of squares
    assert np.hypot.reduce(table["u_mm"]) == pytest.approx(r["depth"]["u_mm"], rel=1e-12)
    assert np.isinf(table.loc[table["kind"] == "B", "dof"]).all()
    assert set(frame.budgets([analyse_stream(KNOCKS)])["of"]) == {"set"}


def test_readings_are_exact_counts_with_their_step() -> None:
    inch = Scale(Decimal("0.0005"), "in")
    table = frame.readings("a", [Reading(0.5, 3, inch), Reading(0.6, -(1 << 70), inch)])
    assert list(table["counts"]) == [3, -(1 << 70)]
    assert table["mm"][0] == 0.0381  # 3 x 0.0005 in x 25.4 mm, exact by definition of the inch
    assert set(table["step"]) == {"0.0005"}
    assert set(table["unit"]) == {"in"}


def test_no_streams_give_empty_tables_of_the_same_columns() -> None:
    got = load([])
    for table, columns in zip(got[:4], (frame.SETS, frame.SWEEPS, frame.BUDGETS, frame.READINGS), strict=True):
        assert len(table) == 0
        assert list(table.columns) == list(columns)


def test_load_gives_every_stream_and_names_the_one_it_cannot_read(tmp_path: Path) -> None:
    bad = tmp_path / "bad.jsonl"
    bad.write_text("no stream\n", "utf-8")
    got = load([KNOCKS, bad, WARMING / "stream.jsonl"], WARMING / "setup.toml")
    assert list(got.sets["stream"]) == [str(KNOCKS), str(WARMING / "stream.jsonl")]
    assert list(got.errors) == [str(bad)]
    assert "line 1" in got.errors[str(bad)]
    assert len(got.readings) == got.sets["readings"].sum()
    one = load(WARMING / "stream.jsonl", WARMING / "setup.toml")
    assert one.sets["distance_mm"][0] == got.sets["distance_mm"][1]


@pytest.mark.parametrize("name", ["clean-mm", "shrinks", "coarse-inch", "knocks-and-half-sweeps", "play-two-levels"])
def test_running_a_stream_again_changes_nothing_and_keeps_the_fits(name: str) -> None:
    path = STREAMS / name / "stream.jsonl"
    again = rerun(path)
    assert again.result() == analyse_stream(path)
    traces = again.session.traces
    assert [t.sweep for t in traces] == list(again.session.sweeps)
    for t in traces:
        if not t.sweep.accepted:
            continue
        assert t.fit is not None
        assert t.residual is not None
        assert t.sweep.minimum_mm is not None
        assert t.fit + t.residual == pytest.approx(t.mm, abs=1e-12)
        # the curve stays on its side of the bottom (up to what a rest of the hand may leave)
        side = 1 if np.median(t.mm) > t.sweep.minimum_mm else -1
        assert (side * (t.fit - t.sweep.minimum_mm)).min() > -0.004
        assert abs(side * (t.fit - t.sweep.minimum_mm)).min() < 0.02
        near = np.abs(t.residual) < 5 * max(0.0127, 0.003)
        assert near.all()


def test_pandas_is_not_imported_before_a_table_is_asked_for() -> None:
    code = "import sys, analysis.frame, capture.frames; sys.exit('pandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, cwd=STREAMS.parent).returncode == 0


def test_people_are_compared_by_their_seatings() -> None:
    setup = load_setup(WARMING / "setup.toml")
    r = analyse_stream(WARMING / "stream.jsonl", setup)
    other = {**r, "stream": "second", "depth": {**r["depth"], "distance_mm": r["depth"]["distance_mm"] + 0.004}}
    sets, sweeps = frame.sets([r, other]), frame.sweeps([r, other])
    of = {r["stream"]: "morning", "second": "evening"}
    levels = frame.levels(sets, sweeps, of)
    assert {c: str(t) for c, t in levels.dtypes.items()} == frame.LEVELS
    assert len(levels) == 2 * r["set"]["seats"]
    got = frame.reproducibility(levels)
    assert [(c.of, c.n) for c in got.cells] == [("morning", r["set"]["seats"]), ("evening", r["set"]["seats"])]
    assert got.cells[0].mean == pytest.approx(r["depth"]["distance_mm"], abs=1e-9)
    assert got.difference == pytest.approx(0.004, abs=1e-9)
    # repeatability is the scatter of the seatings' means within one set
    seat = sweeps[sweeps["accepted"] & (sweeps["stream"] == "second")].groupby("seat")["minimum_mm"].mean()
    assert got.analysis.sd_within == pytest.approx(float(seat.std()), rel=1e-6)
    each = frame.levels(sets, sweeps, of, each="sweep")
    assert len(each) == 2 * r["set"]["accepted"]
    with pytest.raises(ValueError, match="no set of third"):
        frame.levels(sets, sweeps, {"third": "night"})


def test_readings_as_displayed_are_compared_where_a_stream_has_no_distance() -> None:
    r = analyse_stream(WARMING / "stream.jsonl")
    levels = frame.levels(frame.sets([r]), frame.sweeps([r]), {r["stream"]: "one"})
    assert abs(levels["mm"].mean() - r["set"]["minimum_mm"]) < 0.01
    with pytest.raises(ValueError, match="at least 2"):
        frame.reproducibility(levels)
