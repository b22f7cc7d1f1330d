"""Thicknesses in sentences: what was typed as it stands, a mean that does not come out even rounded."""

from __future__ import annotations

import pytest

from analysis.job.quantities import quantity
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import shown


@pytest.mark.parametrize(
    ("written", "brief"),
    [
        ("0.920 mm", "0.920 mm"),
        ("0.03220 in", "0.03220 in"),
        ("0.301333333 mm", "0.3013 mm"),
        ("0.011866667 in", "0.01187 in"),
    ],
)
def test_brief(written: str, brief: str) -> None:
    assert quantity(written, "length").brief == brief


def test_the_reason_a_reading_is_void_shows_no_nine_decimals() -> None:
    piece: s.Row = ("piece", {"id": "S2", "readings": ["0.301", "0.302", "0.301"], "unit": "mm"})
    first: list[s.Row] = [*s.ONE_START, ("fit", {"place": "depth", "stack": "0.920 mm"}), ("state", s.BUILT)]
    rows = first + s.measured(
        "trial", s.seated("mm", "1.6 1.6 1.6", "1.6 1.6 1.6", "1.6 1.6 1.6"), s.ONE_ZERO, "0.000 mm"
    )
    v = shown([*rows, piece, ("fit", {"place": "depth", "pieces": ["S2"]})])
    assert "depth shim 0.920 mm to 0.3013 mm" in v["void"][0]["reasons"][0]["reason"]
    assert v["stacks"]["depth"]["thickness"] == "0.301333333 mm", "what is reckoned with is not rounded"
