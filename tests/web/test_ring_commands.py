"""Ring gear and end play out of recorded streams, through the commands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.golden.compare import ROOT
from tests.web.test_job_commands import run as run

STREAM = {k: str(ROOT / k / "stream.jsonl") for k in ("rocked-four-places", "turned-two-turns", "clean-mm")}


@pytest.mark.parametrize(
    ("command", "stream", "options", "field"),
    [
        ("backlash", "rocked-four-places", ["radius=62 mm", "tooth_radius=88 mm"], "places"),
        ("run-out", "turned-two-turns", ["--turns", "2"], "readings"),
        ("end-play", "rocked-four-places", ["--where", "carrier"], "play"),
    ],
)
def test_out_of_a_stream(run: Any, tmp_path: Path, command: str, stream: str, options: list[str], field: str) -> None:
    job = str(tmp_path / "shop" / "j")
    assert run("new", job, "--unit", "invented axle", "--by", "AB").returncode == 0
    p = run(command, job, STREAM[stream], "--phase", "as-found", *options, "--by", "AB", "--json")
    assert p.returncode == 0, p.stderr
    (e,) = json.loads(p.stdout)["entries"]
    assert (e["kind"], e["data"]["stream"]) == (command, f"streams/{stream}/stream.jsonl")
    assert e["data"][field]
    assert run("check", job, "--json").returncode == 0
    shown = run("show", job)
    assert command.replace("-", " ").split()[0] in shown.stdout
    p = run(command, job, STREAM["clean-mm"], "--phase", "as-found", *options, "--by", "AB")
    assert p.returncode == 1
    assert "gives no" in p.stderr or "shows no end play" in p.stderr
    # What is refused beforehand copies nothing.
    p = run(command, job, STREAM["clean-mm"], "--phase", "sometime", *options, "--by", "AB")
    assert p.returncode == 1
    assert "as-found" in p.stderr
