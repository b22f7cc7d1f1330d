"""What the connect screen is told of a profile; the words for it are in the catalogue."""

from __future__ import annotations

import shlex
from typing import Any

from capture.identify import Candidate


def line_as_dict(line: dict[str, Any]) -> dict[str, Any]:
    """The link's settings that a person would know it by."""
    if "baud" in line:
        return {"baud": line["baud"], "bits": line.get("bytesize", 8), "parity": line.get("parity", "none")}
    if "characteristic" in line:
        return {"characteristic": line["characteristic"]}
    return {}


def candidate_as_dict(n: int, c: Candidate) -> dict[str, Any]:
    """A candidate for the page; the newest value is the last of ``shown``."""
    step = f"{c.table['resolution']:.6f}".rstrip("0").rstrip(".") if "resolution" in c.table else ""
    return {
        "n": n,
        "use": str(c.table["use"]),
        "line": line_as_dict(c.table),
        "step": step,
        "unit": str(c.table.get("unit", "")),
        "rate": c.table.get("rate"),
        "readings": c.readings,
        "explained_percent": int(100 * c.explained),
        "sure": c.sure,
        "shown": c.shown,
        "guessed": list(c.guessed),
    }


def command_words(source: str, profile: str) -> str:
    """The command that listens with a profile from now on."""
    return shlex.join(["shimwright", "serve", source, "--profile", profile])
