"""The README's pictures: there, small, described, and said to be invented."""

from __future__ import annotations

import re
import struct
from pathlib import Path

ROOT = Path(__file__).parents[2]
PICTURE = re.compile(r"!\[([^\]]*)\]\(([^)]+)\)")


def test_every_picture_is_there_small_and_described() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    found = PICTURE.findall(readme)
    assert 2 <= len(found) <= 3
    for said, where in found:
        assert not where.startswith(("http", "/")), "nothing is fetched from elsewhere"
        data = (ROOT / where).read_bytes()
        assert data.startswith(b"\x89PNG\r\n\x1a\n")
        assert len(data) <= 120_000
        width, height = struct.unpack(">II", data[16:24])
        assert 300 <= width <= 1400
        assert 300 <= height <= 1400
        assert len(said) >= 40, "whoever cannot see it is told what it shows"
        assert "invented" in said.lower()
    assert {(ROOT / where).resolve() for _, where in found} == set((ROOT / "tests" / "pictures").glob("*.png"))
