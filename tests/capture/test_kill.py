"""Killed at random moments, the program loses no reading it printed and doubles none; the long form is tests/long/kill_loop.py."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from capture.rawstream import StreamWriter, repair_folder, verify
from tests.long import kill_loop


def test_sixty_kills_lose_nothing(tmp_path: Path) -> None:
    seed = int.from_bytes(os.urandom(4))
    tally = kill_loop.run(60, tmp_path, seed)
    told = f"seed {seed}: {tally}; {tally.lost} {tally.doubled} {tally.invented}"
    assert tally.lost + tally.doubled + tally.invented == [], told
    assert tally.kills == 60
    assert tally.printed > 60, told
    repair_folder(tmp_path / "streams")
    for path in (tmp_path / "streams").glob("*/stream.jsonl"):
        assert verify(path) == "same"
        assert kill_loop.readings(path)[1] == 0


@pytest.mark.parametrize("fault", ["lost", "doubled", "invented"])
def test_the_judge_of_kills_can_find_fault(tmp_path: Path, fault: str) -> None:
    sent = {"lost": [1, 2, 4], "doubled": [1, 2, 2, 3], "invented": [1, 2, 3, 9999]}[fault]
    w = StreamWriter(tmp_path / "streams" / "a" / "stream.jsonl", "x", {"use": "text-line"}, "")
    for n in sent:
        w.rx(n, kill_loop.line_of(n))
    w.close()
    tally = kill_loop.Tally()
    printed = b"".join(b'{"counts": %d}\n' % n for n in (1, 2, 3))
    kill_loop._judge(0, printed, 0, 10, tmp_path / "streams", tally)
    assert {"lost": tally.lost, "doubled": tally.doubled, "invented": tally.invented}[fault]
    assert not tally.good
