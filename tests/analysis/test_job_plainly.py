"""What a job says names no key of a set-up file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import analysis
from analysis.job.plainly import WORDS, all_plainly, plainly
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import shown

KEY = re.compile(r"\b(?:gearset|arbor|indicator|housing|decision|shims|carrier|preload)\.[a-z_]+(?:\.[a-z_]+)*")

CODE = {"arbor.model_copy"}


@pytest.mark.parametrize(
    "rows", [s.ONE, s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL, s.TWO, s.THREE], ids=["one", "start", "two", "three"]
)
def test_no_sentence_of_a_job_names_a_key(rows: list[s.Row]) -> None:
    v = shown(rows)
    del v["entries"]
    assert KEY.findall(json.dumps(v)) == []


def test_every_key_that_a_sentence_of_the_analysis_names_has_words() -> None:
    folder = Path(analysis.__file__).parent
    for name in ("depth", "advice", "carrier_plan", "closure", "conclusion", "plausibility"):
        text = (folder / f"{name}.py").read_text("utf-8")
        named = {
            m[0].rstrip(".")
            for line in text.splitlines()
            if '"' in line
            for m in re.finditer(r'"[^"]*"', line)
            for m in KEY.finditer(m[0])
        }
        assert {plainly(k) == k for k in named - CODE} <= {False}, named


def test_a_sentence_stays_a_sentence() -> None:
    assert (
        plainly("arbor.master.u is not stated and not included.")
        == "The uncertainty of the master is not stated and not included."
    )
    assert plainly("No indicator.repeatability is stated: judged against the noise.") == (
        "The indicator's repeatability on a still surface is not stated: judged against the noise."
    )
    assert plainly("Neither arbor.constant nor arbor.master is stated: the display is not tied to a distance.") == (
        "Neither a constant of the arbor nor a master is stated: the display is not tied to a distance."
    )
    assert (
        plainly('A thicker shim moves the pinion away: shims.thicker_moves = "away".')
        == "A thicker shim moves the pinion away."
    )
    assert plainly("A plain sentence. It stays.") == "A plain sentence. It stays."
    assert all_plainly({"a": ["indicator.mpe", 3, None]}) == {"a": ["The indicator's largest permitted error", 3, None]}
    assert not [k for k in WORDS if plainly(k) == k]
