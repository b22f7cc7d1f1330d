"""How the next step is typed: every command that is named is one, with fields that are there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from analysis.job.kinds import KINDS
from analysis.job.steps import STEPS
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import changed, folded
from tests.analysis.job_scenarios import Row
from tests.analysis.test_job_traps import TO_AS_FOUND, TO_TRIAL
from tests.web.test_job_commands import quick as quick
from web.cli.job_hints import ways

JOBS: dict[str, list[Row]] = {
    "empty": [],
    "to as-found": TO_AS_FOUND,
    "to trial": TO_TRIAL,
    "whole": s.ONE,
    "inches": s.TWO,
    "packs": s.THREE,
    "two pages": [
        ("limit", {"name": "depth-tolerance", "value": v, "page": p}) for v, p in (("0.03 mm", "1"), ("0.3 mm", "2"))
    ],
    "sleeve": changed(s.ONE, "family", preload_by="crush sleeve"),
    "spacer": changed(s.ONE, "family", preload_by="solid spacer"),
}


@pytest.mark.parametrize("name", JOBS)
@pytest.mark.parametrize("step", STEPS)
def test_every_way_names_fields_that_are_there(step: str, name: str) -> None:
    said = ways(folded(JOBS[name]), step, Path("shop/a b"))
    assert step == "close" or said[-1] == f"shimwright job add 'shop/a b' skip step={step} reason=…   (to leave it out)"
    for one in (part for way in said for part in way.split("typed: ")):
        words = shlex.split(one.partition("   ")[0])
        assert words[:2] == ["shimwright", "job"]
        assert words[3] == "shop/a b"
        if words[2] != "add":
            continue
        fields = [w.partition("=") for w in words[5:] if "=" in w]
        assert {key for key, _, _ in fields} - {"FIELD"} <= KINDS[words[4]].fields.keys(), one
        # What is to be filled in is left open: no figure stands there that somebody might leave.
        assert not any(re.search(r"\d", value) for key, _, value in fields if key not in ("entry", "step")), one


def test_the_list_of_kinds_says_what_a_field_may_hold(quick: object) -> None:
    said = quick("kinds").stdout  # type: ignore[operator]
    assert "drive (needed): where it lies; any of: centre, high, low, toe, heel" in said
    assert 'seatings: typed, a seating each: "1.553 1.551 1.554 mm; ' in said
    assert "or tables with readings, unit" in said
    assert "torque: a torque, such as" in said
    assert "nut: one of: as found, loose, nipped, torqued" in said
    assert "phase (needed): as-found, trial or final\n" in said, "no choice is said twice"


def test_inches_where_the_job_is_in_inches() -> None:
    assert any('reading="… in"' in w for w in ways(folded(s.TWO), "zero-after", Path("j")))


def test_the_next_step_says_how_it_is_typed(quick: object) -> None:
    said = quick("new", "j", "--unit", "invented axle").stdout  # type: ignore[operator]
    assert "    shimwright job add j intake manual=… --corrects 1" in said


def test_a_reading_in_a_wrong_state_says_how_it_is_made_to_count(quick: object) -> None:
    go = quick
    go("new", "j", "--unit", "invented axle")  # type: ignore[operator]
    go("add", "j", "state", "seal=in", "turns=20")  # type: ignore[operator]
    said = go("add", "j", "preload", "where=pinion", "phase=trial", "torque=2.0 N·m").stdout  # type: ignore[operator]
    assert "the seal: in, must be out" in said
    assert "shimwright job add j state FIELD=VALUE … --corrects 2" in said
    assert "shimwright job add j allow entry=3 reason=…" in said
    assert "--corrects 3" not in said, "the reading itself is right; the state it was taken in is not"
