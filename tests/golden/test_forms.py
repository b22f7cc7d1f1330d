"""Recordings of wire forms give what was sent: nothing is invented, and no more is lost than what finding the first frame takes."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from analysis.readings import Reading
from analysis.session import Session
from capture.pipeline import Pipeline
from capture.profiles import load_profile
from capture.rawstream import hand_over, read_header, read_records
from tests.golden import compare

FOLDERS = [f for f in compare.folders() if compare.measures(f) == "readings"]

FINDING = 5
"""Readings it may take to find where frames begin, at first and after damage."""


def test_there_are_recordings() -> None:
    assert len(FOLDERS) >= 14


@pytest.mark.parametrize("folder", FOLDERS, ids=compare.slug)
def test_what_was_sent_is_read_and_nothing_else(folder: Path) -> None:
    sent = tomllib.loads((folder / "about.toml").read_text("utf-8"))["sent"]
    heard: list[Reading] = []
    header = read_header(folder / "stream.jsonl")
    pipe = Pipeline(load_profile(header.profile), Session(None), lambda r, _: heard.append(r))
    for record in read_records(folder / "stream.jsonl"):
        hand_over(record, pipe)
    units = ["mm"] * sent["inches_from"] + ["in"] * (len(sent["counts"]) - sent["inches_from"])
    wanted = list(zip(sent["counts"], units, strict=True))
    left = iter(wanted)
    got = [(r.counts, r.scale.unit) for r in heard]
    assert all(one in left for one in got), "a reading that was not sent, or not in this order"
    by_itself = header.profile["use"] != "text-line" or "length" not in header.profile
    assert len(got) >= len(wanted) - (1 if by_itself else 3 * FINDING)
