"""Recordings of a rocked or turned ring gear give what the invented bench knew, within the interval stated."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.golden import compare

ROCKED = [f for f in compare.folders() if compare.measures(f) == "backlash"]


def _about(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "about.toml").read_text("utf-8"))


def test_there_are_recordings() -> None:
    assert len(ROCKED) >= 3


@pytest.mark.parametrize("folder", ROCKED, ids=compare.slug)
def test_the_backlash_lies_within_the_stated_interval(folder: Path) -> None:
    about = _about(folder)
    found = compare.replay(folder)["places"]
    assert [p["n"] for p in found] == list(range(1, len(about["truth"]["backlash_mm"]) + 1))
    for p, gap in zip(found, about["truth"]["backlash_mm"], strict=True):
        soft = p["n"] == about["scenario"].get("soft_place")
        assert p["accepted"] is not soft, p
        if soft:
            assert p["reasons"] == ["soft-stop"]
        else:
            assert abs(p["backlash_mm"] - gap) <= p["U95_mm"]


TURNED = [f for f in compare.folders() if compare.measures(f) == "run-out"]


def test_there_are_turned_gears() -> None:
    assert len(TURNED) >= 2


@pytest.mark.parametrize("folder", TURNED, ids=compare.slug)
def test_the_run_out_lies_within_the_stated_interval_or_is_refused(folder: Path) -> None:
    about = _about(folder)
    found = compare.replay(folder)
    if about["scenario"]["turns"] != 2:
        assert "not-whole" in found["reasons"]
        return
    assert found["reasons"] == []
    assert abs(found["total_mm"] - about["truth"]["run_out_mm"]) <= found["total_U95_mm"]
    assert abs(found["wave_mm"] - about["scenario"]["wave"]) <= found["wave_U95_mm"]
