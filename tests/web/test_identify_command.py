"""What identify shows at a terminal."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from web.cli.identify import identify_command

STREAM = Path(__file__).parents[2] / "recorded_streams" / "three-seatings-warming" / "stream.jsonl"


def test_two_profiles_that_read_the_same_are_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A plain pattern and a wider one explain these bytes alike: nobody could choose between them by looking at the display."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert identify_command(f"replay:{STREAM}", 5.0, None, None, True, False) == 0
    out, err = capsys.readouterr()
    told = re.findall(r"^\d\. (.*)\n   last values: (.*)$", out, flags=re.M)
    assert len(told) == len(set(told)) >= 2
    assert "Kept as" in err
