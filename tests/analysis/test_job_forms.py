"""What a form is told of every field: enough to ask for it, and nothing the rules would refuse."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job.entries import JobEntryError, check_entry, kinds_as_list
from analysis.job.kinds import KINDS
from analysis.job.rules import LIMITS

KIND: dict[str, dict[str, Any]] = {str(k["kind"]): k for k in kinds_as_list()}
TYPES = {
    "text",
    "name",
    "made",
    "file",
    "date",
    "flag",
    "figure",
    "quantity",
    "whole",
    "number",
    "choice",
    "list",
    "unit",
    "table",
}


def test_every_field_has_a_known_type() -> None:
    for kind in KIND.values():
        for f in kind["fields"]:
            assert f["type"] in TYPES
            if f["type"] == "list":
                assert f["of"]["type"] in TYPES - {"list", "made"}


def test_only_what_is_worked_out_is_not_asked_for() -> None:
    made = {(k, f["field"]) for k, kind in KIND.items() for f in kind["fields"] if f["type"] == "made"}
    assert made >= {("fit", "predicted"), ("set", "result"), ("set", "stream"), ("set", "sha256"), ("photo", "sha256")}
    assert all(name in ("predicted", "result", "stream", "sha256") for _, name in made)


def test_every_choice_that_is_offered_is_taken() -> None:
    for name, kind in KIND.items():
        for f in kind["fields"]:
            for c in f.get("choices", ()):
                assert KINDS[name].fields[f["field"]].check(c) == c


@pytest.mark.parametrize("name", LIMITS)
def test_a_limit_is_taken_with_the_fields_its_variant_names(name: str) -> None:
    v = KIND["limit"]["variants"]
    row = v["fields"][name]
    unit = {"length": "mm", "torque": "N·m"}[row["dimension"]]
    names = [f for f in row["fields"] if f != "condition" and not f.startswith("also_")]
    assert [f"also_{f}" for f in names] == [f for f in row["fields"] if f.startswith("also_")]
    given = dict.fromkeys(names[:2] if len(names) == 4 else names, f"0.004 {unit}")
    more = {"condition": "new"} if "condition" in row["fields"] else {}
    assert check_entry("limit", {"name": name, "page": "1", **given, **more})
    with pytest.raises(JobEntryError):
        check_entry("limit", {"name": name, "page": "1"})


def test_a_seating_of_a_set_is_described_field_by_field() -> None:
    field = next(f for f in KIND["set"]["fields"] if f["field"] == "seatings")
    assert field["of"]["type"] == "table"
    assert [x["field"] for x in field["of"]["fields"]][:2] == ["readings", "unit"]
