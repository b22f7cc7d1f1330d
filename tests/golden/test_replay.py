"""Every recording, replayed whole, byte by byte and in random splits, gives its expected result."""

from __future__ import annotations

import copy
import itertools
import json
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.distributions import t_quantile
from tests.golden import compare

FOLDERS = compare.folders()
SIMULATED = [f for f in FOLDERS if (f / "about.toml").is_file() and compare.measures(f) == "set"]


def _bytes(data: bytes) -> Iterator[bytes]:
    return (data[i : i + 1] for i in range(len(data)))


def _random(seed: int) -> Callable[[bytes], list[bytes]]:
    rng = np.random.default_rng(seed)

    def cut(data: bytes) -> list[bytes]:
        if len(data) < 2:
            return [data]
        at = np.unique(rng.integers(0, len(data) + 1, size=rng.integers(0, 6)))
        edges = [0, *at.tolist(), len(data)]
        return [data[a:b] for a, b in itertools.pairwise(edges)]

    return cut


def test_there_are_recordings() -> None:
    assert len(FOLDERS) >= 8


@pytest.mark.parametrize("folder", FOLDERS, ids=compare.slug)
def test_replay_gives_the_expected_result(folder: Path) -> None:
    got = compare.replay(folder)
    assert list(compare.differences(compare.expected(folder), json.loads(compare.as_text(got)))) == []


@pytest.mark.parametrize("folder", FOLDERS, ids=compare.slug)
def test_how_the_bytes_are_cut_changes_nothing(folder: Path) -> None:
    whole = compare.replay(folder)
    assert compare.replay(folder, _bytes) == whole
    assert compare.replay(folder, _random(int.from_bytes(folder.name.encode()[-4:]))) == whole


@pytest.mark.parametrize("folder", FOLDERS, ids=compare.slug)
def test_every_recording_says_why_it_is_expected(folder: Path) -> None:
    lines = [x for x in (folder / "CHANGES.md").read_text("utf-8").splitlines() if x.startswith("- 2")]
    assert lines, f"{folder.name}/CHANGES.md gives no reason"
    assert all(len(x.partition(": ")[2]) > 10 for x in lines)


def _hopeless(about: dict[str, Any]) -> bool:
    """Whether no sweep of the recording has a bottom that can be had."""
    scenario = about["scenario"]
    return bool(scenario.get("sweep_s", 2.6) <= 1.0 or scenario.get("hole") or scenario.get("flat_tip"))


@pytest.mark.parametrize("folder", SIMULATED, ids=compare.slug)
def test_the_bench_truth_lies_within_the_stated_interval(folder: Path) -> None:
    """Held against what the simulated bench knew, not against an earlier result."""
    about = tomllib.loads((folder / "about.toml").read_text("utf-8"))
    result = compare.replay(folder)
    found = result["set"]
    if _hopeless(about):
        assert found["accepted"] == 0, "no bottom can be had from such sweeps"
        return
    truth = about["truth"]["minimum_mm"]
    if not about["scenario"].get("play"):
        # 99.9 %: seventeen recordings must all pass
        assert abs(found["minimum_mm"] - truth) <= t_quantile(0.9995, found["dof"]) * found["u_mm"]
    sound = [s for s in about["truth"]["sweeps"] if "fault" not in s]
    for sweep in result["sweeps"]:
        near = min(about["truth"]["sweeps"], key=lambda s: abs(s["t"] - sweep["bottom_s"]))
        if sweep["accepted"]:
            assert near in sound, f"sweep {sweep['n']} was spoilt ({near}) and is accepted"
            if about["scenario"].get("play_kind") != "inside":
                assert abs(sweep["minimum_mm"] - near["minimum_mm"]) <= max(5 * sweep["u_mm"], 0.001)


@pytest.mark.parametrize("folder", SIMULATED, ids=compare.slug)
def test_good_sweeps_are_kept(folder: Path) -> None:
    about = tomllib.loads((folder / "about.toml").read_text("utf-8"))
    if _hopeless(about):
        pytest.skip("every sweep of this recording is spoilt")
    sound = [s for s in about["truth"]["sweeps"] if "fault" not in s]
    result = compare.replay(folder)
    lost = about["scenario"].get("unplug_at")
    key = about["scenario"].get("unit_key_at")
    # What comes after the end of a set is found, and stands apart for that alone.
    kept = [s["bottom_s"] for s in result["sweeps"] if s["accepted"] or s["reasons"] == ["after-the-end"]]
    # A hand that rests at the bottom is there for a while.
    near = 0.6 + about["scenario"].get("dwell_s", 0.0)
    for s in sound:
        if lost is not None and abs(s["t"] - lost) < 4.0:
            continue
        if key is not None and abs(s["t"] - key) < 1.5:
            continue
        assert any(abs(s["t"] - t) < near for t in kept), f"the good sweep at {s['t']} s is not counted"


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r["set"].update(minimum_mm=r["set"]["minimum_mm"] + 3e-5),
        lambda r: r["sweeps"].pop(),
        lambda r: r["sweeps"][0].update(accepted=False),
        lambda r: r["sweeps"][0]["reasons"].append("knock"),
        lambda r: r.update(readings=r["readings"] + 1),
        lambda r: r.update(decoded_sha256="0" * 64),
        lambda r: r["play"].update(finding="present"),
        lambda r: r["shim"].update(say=r["shim"]["say"].replace("toward", "away from")),
        lambda r: r["depth"].pop("U95_mm"),
        lambda r: r.update(new_key=1),
    ],
    ids=["length", "sweep gone", "verdict", "reason", "count", "bytes", "finding", "direction", "key gone", "key new"],
)
def test_the_comparison_can_fail(spoil: Callable[[dict[str, object]], object]) -> None:
    want = compare.expected(compare.ROOT / "clean-mm")
    got = copy.deepcopy(want)
    assert list(compare.differences(want, got)) == []
    spoil(got)
    assert list(compare.differences(want, got))


def test_the_command_fails_when_a_result_differs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import shutil

    from tests.golden.__main__ import main

    shutil.copytree(compare.ROOT / "clean-mm", tmp_path / "clean-mm")
    monkeypatch.setattr(compare, "ROOT", tmp_path)
    monkeypatch.setattr("sys.argv", ["golden", "check"])
    assert main() == 0
    file = tmp_path / "clean-mm" / "expected.jsonl"
    file.write_text(file.read_text("utf-8").replace('"accepted":8', '"accepted":7'), "utf-8")
    assert main() == 1
    file.unlink()
    assert main() == 1, "a recording without its expected result is a failure"
