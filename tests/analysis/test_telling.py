"""What a message says of a value that somebody gave."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.job.entries import JobEntryError, check_who_when
from analysis.telling import LONGEST, printable, shown


@given(st.text(max_size=200))
def test_a_value_is_told_on_one_line_that_every_terminal_and_file_can_carry(text: str) -> None:
    told = shown(text)
    assert told.isprintable()
    assert len(told) <= LONGEST + 2
    told.encode("utf-8")


def test_what_cannot_be_printed_is_written_as_an_escape_and_the_rest_stays() -> None:
    assert printable("Grüße, 0.5 µm") == "Grüße, 0.5 µm"
    assert printable("\x1b[2J\r\n\ud800\u202e") == "\\x1b[2J\\r\\n\\ud800\\u202e"


@pytest.mark.parametrize("name", ["A\x1b[31m", "A\nB", "A\x9b", "A\ud800"])
def test_a_name_with_what_is_no_part_of_one_is_refused(name: str) -> None:
    with pytest.raises(JobEntryError, match="by: given"):
        check_who_when(name, "2026-03-02T09:14:05Z")
    check_who_when("Zoë\u00a0K.", "2026-03-02T09:14:05Z")
