"""What the pages read of a job's steps as data, so that no sentence has to be looked through.

Figures invented, those of ``job_scenarios``.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.analysis import job_scenarios as s
from tests.analysis.job_building import shown

DELIVERED = s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL + s.ONE_BOX + s.ONE_DELIVERED


def asking(v: dict[str, Any]) -> set[str]:
    return {x["step"] for x in v["steps"] if x["asks_state"]}


def test_the_next_step_names_what_it_asks_for_again() -> None:
    v = shown(DELIVERED)
    assert (v["next"]["name"], v["next"]["again"]) == ("trial", "depth")
    assert "Measure the depth again: " in v["next"]["say"]
    assert shown(s.ONE_START)["next"]["again"] is None


@pytest.mark.parametrize("kind", ["backlash", "pattern"])
def test_two_that_lapsed_for_one_reason_are_told_apart(kind: str) -> None:
    moved = [
        *s.ONE[:-1],
        ("fit", {"place": "left", "stack": "1.94 mm"}),
        ("fit", {"place": "right", "stack": "1.72 mm"}),
    ]
    because = {x["kind"]: x["because"] for x in shown(moved)["redo"]}
    assert because["backlash"].partition(":")[0] == because["pattern"].partition(":")[0]
    left_out = ["carrier-preload"] if kind == "backlash" else ["carrier-preload", "backlash"]
    v = shown([*moved, *(("skip", {"step": x, "reason": "invented"}) for x in left_out)])
    assert (v["next"]["name"], v["next"]["again"]) == (kind, kind)


def test_a_step_says_whether_it_asks_of_the_build() -> None:
    assert asking(shown(s.ONE_START)) == {"trial", "final-depth"}, "nothing of the build is written down"
    assert asking(shown(DELIVERED)) == set(), "it is as it must be"
    assert asking(shown([*DELIVERED, ("state", {"nut": "loose"})])) == {"trial", "final-depth"}
    backlash = next(r for r in s.ONE_AS_FOUND if r[0] == "backlash")
    assert "as-found" in asking(shown([*s.ONE_START, backlash]))
