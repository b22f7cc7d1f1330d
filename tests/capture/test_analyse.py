"""Many streams: in the order given, the same with one process or two, and one bad file costs only itself."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from capture.analyse import analyse_many, analyse_stream
from capture.rawstream import StreamWriter
from capture.setup_file import load_setup
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO

# Invented bench; the figures of the set-up are those of the demonstration.
SETUP = """
[gearset]
nominal = 59.90
etched = "+6"
etched_step = 0.01
etched_sense = "adds"
tolerance = 0.03
[arbor]
master = { distance = 58.000, reading = 0.000, u = 0.0015 }
reading_sense = "grows"
tip_radius = 1.5
[indicator]
resolution = 0.001
mpe = 0.004
repeatability = 0.001
"""


def record(path: Path, seed: int, sweeps: int = 3) -> Path:
    """A simulated set, written as the recorder writes it."""
    scenario = replace(DEMO, seatings=1, sweeps=sweeps, faults={}, rate=20.0)
    profile = {"use": "text-line", "unit": "mm", "resolution": 0.001, "rate": 20.0}
    w = StreamWriter(path, "serial:simulated-bench", profile, "2026-03-02T09:14:05Z")
    w.link(0.0, "opened")
    events, _ = simulate(scenario, seed)
    for e in events:
        if e.kind == "data":
            w.rx(e.t, e.data)
        else:
            w.mark(e.t, e.kind)
    w.close()
    return path


@pytest.fixture(scope="module")
def streams(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Five recordings of different lengths, long ones first, so that they finish out of order."""
    folder = tmp_path_factory.mktemp("recordings")
    return [record(folder / f"{seed}.jsonl", seed, sweeps) for seed, sweeps in enumerate((8, 2, 5, 1, 3), start=1)]


def lines(results: Any) -> list[str]:
    """Results as they are printed."""
    return [json.dumps(r) for r in results]


def test_results_come_in_the_order_given(streams: list[Path]) -> None:
    for order in (streams, streams[::-1]):
        assert [r["stream"] for r in analyse_many(order)] == [str(p) for p in order]


def test_two_processes_give_what_one_gives_in_the_same_order(streams: list[Path], tmp_path: Path) -> None:
    setup_file = tmp_path / "setup.toml"
    setup_file.write_text(SETUP, "utf-8")
    setup = load_setup(setup_file)
    order = [streams[0], tmp_path / "absent.jsonl", *streams[1:], streams[0]]
    one = lines(analyse_many(order, setup, workers=1))
    two = lines(analyse_many(order, setup, workers=2))
    assert one == two
    assert [json.loads(x)["stream"] for x in two] == [str(p) for p in order]
    assert one[0] == one[-1]


def test_the_same_stream_gives_the_same_line_each_time(streams: list[Path]) -> None:
    first, second = lines(analyse_many([streams[2], streams[2]]))
    assert first == second


def test_the_sweeps_are_those_that_were_made(streams: list[Path]) -> None:
    for path, sweeps in zip(streams, (8, 2, 5, 1, 3), strict=True):
        r = analyse_stream(path)
        assert len(r["sweeps"]) == sweeps
        assert r["bad_frames"] == 0
        assert r["depth"]["distance_mm"] is None
        assert "set-up" in r["depth"]["reason"]


@pytest.mark.parametrize("workers", [None, 2])
def test_one_bad_file_gives_its_error_line_and_the_rest_still_run(
    streams: list[Path], tmp_path: Path, workers: int | None
) -> None:
    bad = {
        "absent.jsonl": None,
        "empty.jsonl": b"",
        "other.jsonl": b"PK\x03\x04",
        "newer.jsonl": b'{"format":"shimwright-stream/9","profile":{"use":"text-line"}}\n',
        "damaged.jsonl": streams[1].read_bytes().replace(b'{"t":', b"?", 2)[:4000] + b"\n",
        "profile.jsonl": b'{"format":"shimwright-stream/1","profile":{"use":"text-line","resolution":-1}}\n',
        "unknown.jsonl": b'{"format":"shimwright-stream/1","profile":{"use":"txt-line"}}\n',
    }
    for name, content in bad.items():
        if content is not None:
            (tmp_path / name).write_bytes(content)
    order = [streams[1]]
    for name in bad:
        order += [tmp_path / name, streams[3]]
    order.append(tmp_path)  # a folder
    results = list(analyse_many(order, workers=workers))
    assert [r["stream"] for r in results] == [str(p) for p in order]
    for path, r in zip(order, results, strict=True):
        if path in streams:
            assert "error" not in r
            assert r["readings"] > 0
        else:
            assert set(r) == {"stream", "error"}
            assert str(path) in r["error"]
            assert "\n" not in r["error"]
            assert "could not be analysed" not in r["error"]  # that is the word for what nobody foresaw
    told = {p.name: r["error"] for p, r in zip(order, results, strict=True) if "error" in r}
    assert "no such file" in told["absent.jsonl"]
    assert "line 1" in told["other.jsonl"]
    assert "shimwright-stream/9" in told["newer.jsonl"]
    assert "line 2" in told["damaged.jsonl"]
    assert "line 1, profile, resolution: given -1" in told["profile.jsonl"]
    assert "nearest valid name: text-line" in told["unknown.jsonl"]


def test_a_torn_stream_gives_what_it_holds(streams: list[Path], tmp_path: Path) -> None:
    whole = streams[1].read_bytes()
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes(whole[: len(whole) - 7])
    r = analyse_stream(torn)
    assert "error" not in r
    assert r["readings"] == analyse_stream(streams[1])["readings"] - 1


def test_no_streams_give_no_lines() -> None:
    assert list(analyse_many([])) == []
    assert list(analyse_many([], workers=2)) == []


def test_results_are_handed_over_as_they_are_ready_not_at_the_end(streams: list[Path], tmp_path: Path) -> None:
    late = tmp_path / "late.jsonl"
    results = analyse_many([streams[3], late])
    assert next(results)["readings"] > 0
    late.write_bytes(streams[1].read_bytes())
    assert "error" not in next(results)


def test_a_display_said_to_run_the_other_way_is_asked_after(tmp_path: Path) -> None:
    """The turning points between the sweeps are taken for bottoms then, and scatter as play would; the direction is what to look at."""
    folder = Path(__file__).parents[2] / "recorded_streams" / "clean-mm"
    setup = tmp_path / "setup.toml"
    text = (folder / "setup.toml").read_text("utf-8")
    setup.write_text(text.replace('"grows"', '"shrinks"'), "utf-8")
    depth = analyse_stream(folder / "stream.jsonl", load_setup(setup))["depth"]
    assert abs(depth["error_mm"]) > 1
    assert any("which way the display runs (push the plunger in and watch)" in n for n in depth["notes"])
    right = analyse_stream(folder / "stream.jsonl", load_setup(folder / "setup.toml"))["depth"]
    assert not any("which way the display runs" in n for n in right["notes"])
