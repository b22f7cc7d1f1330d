"""What is typed at a bench in short: seatings, figures and names in one text, and the same entry comes of it."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job import JobEntryError, check_entry
from tests.analysis import job_scenarios as s


def seatings(text: object) -> Any:
    return check_entry("set", {"phase": "trial", "seatings": text})["seatings"]


@pytest.mark.parametrize(
    "text",
    [
        "1.553 1.551 1.554 mm; 1.548 1.549 mm",
        " 1.553  1.551 1.554mm ;1.548 1.549 mm; ".replace("1.554mm", "1.554 mm"),
        "1.553, 1.551, 1.554 mm; 1.548, 1.549 mm",
        "1,553 1,551 1,554 mm\n1,548 1,549 mm",
    ],
)
def test_seatings_in_short_are_the_tables_they_stand_for(text: str) -> None:
    assert seatings(text) == s.seated("mm", "1.553 1.551 1.554", "1.548 1.549")


def test_each_seating_keeps_its_own_unit_and_what_belongs_to_it() -> None:
    found = seatings(
        "-1.6782 -1.6785 in; -42.640 −42.633 mm push-pull 0.004 mm; 1.679 1.662 mm, rejected grit in the bore, wiped; "
        "0.5 inch push_pull 0.0002 in rejected: knock"
    )
    assert found == [
        {"readings": ["-1.6782", "-1.6785"], "unit": "in"},
        {"readings": ["-42.640", "-42.633"], "unit": "mm", "push_pull": "0.004 mm"},
        {"readings": ["1.679", "1.662"], "unit": "mm", "rejected": "grit in the bore, wiped"},
        {"readings": ["0.5"], "unit": "in", "push_pull": "0.0002 in", "rejected": "knock"},
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1.553 1.551", "at seating 1: figures and their unit"),
        ("1.553 mm; 1.548 1.549", "at seating 2: figures and their unit"),
        ("mm", "1 or more"),
        ("1.553 1.5x1 mm", "a figure"),
        ("1.553 1.551 mm push-pull 0.004", "unit"),
        ("", "1 to 40"),
        ("; ;", "1 to 40"),
        ("1.553 1.551 N·m", "figures and their unit"),
    ],
)
def test_what_is_no_seating_says_why(text: str, says: str) -> None:
    with pytest.raises(JobEntryError) as e:
        seatings(text)
    assert says in str(e.value)


@pytest.mark.parametrize(
    "text", ["0.12 0.19 0.13 0.20", "0.12; 0.19; 0.13; 0.20", "0.12, 0.19, 0.13, 0.20", "0.12 0.19 0.13 0.20 mm"]
)
def test_figures_in_one_text(text: str) -> None:
    found = check_entry("backlash", {"phase": "trial", "places": text, "unit": "mm"})["places"]
    assert isinstance(found, list)
    assert [str(x).removesuffix(" mm") for x in found] == ["0.12", "0.19", "0.13", "0.20"]


def test_a_figure_that_bears_another_unit_than_all_is_refused() -> None:
    with pytest.raises(JobEntryError, match="mm, as stated for all"):
        check_entry("backlash", {"phase": "trial", "places": "0.12 0.19 in", "unit": "mm"})


def test_names_in_one_text() -> None:
    assert check_entry("fit", {"place": "depth", "pieces": "P1 P2, P3"})["pieces"] == ["P1", "P2", "P3"]
    seen = check_entry("pattern", {"phase": "final", "drive": "high toe", "coast": ["centre"]})
    assert (seen["drive"], seen["coast"]) == (["high", "toe"], ["centre"])
