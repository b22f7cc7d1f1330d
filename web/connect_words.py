"""What the connect screen says of a profile, in a mechanic's words."""

from __future__ import annotations

import shlex
from typing import Any

from capture.identify import Candidate

KINDS = {
    "text-line": "lines of text",
    "json-lines": "lines of named values (JSON)",
    "packed-decimal": "digits packed in half bytes",
    "counted-binary": "whole numbers in binary",
    "gatt-length": "a Bluetooth length that describes itself",
}
_GUESSED = {"unit": "mm or inch", "resolution": "the smallest step", "places": "where the decimal point stands"}


def line_words(line: dict[str, Any]) -> str:
    """The link's settings."""
    if "baud" in line:
        parity = "no parity" if line.get("parity", "none") == "none" else f"{line['parity']} parity"
        return f"{line['baud']} baud, {line.get('bytesize', 8)} data bits, {parity}"
    if "characteristic" in line:
        return f"characteristic {line['characteristic']}"
    return ""


def candidate_as_dict(n: int, c: Candidate) -> dict[str, Any]:
    """A candidate for the page; the newest value is the last of ``shown``."""
    use = str(c.table["use"])
    step = f"{c.table['resolution']:.6f}".rstrip("0").rstrip(".") if "resolution" in c.table else ""
    scale = f"display step {step} {c.table.get('unit', '')}".strip() if step else ""
    return {
        "n": n,
        "use": use,
        "kind": KINDS.get(use, f"a profile of your own, {use}"),
        "line": line_words(c.table),
        "scale": scale,
        "rate": c.table.get("rate"),
        "readings": c.readings,
        "explained_percent": int(100 * c.explained),
        "sure": c.sure,
        "shown": c.shown,
        "guessed": [_GUESSED.get(g, g) for g in c.guessed],
    }


def nothing_words(received: int, sample: bytes, asked: bool) -> str:
    """What to do when no profile was found."""
    if received == 0:
        said = "Nothing came. Switch the indicator on, press its send key, and look at the cable."
        return said if asked else f"{said} Some must be asked for each reading: see “It must be asked” below."
    return (
        f"{received} bytes came, and no profile explains them. They begin with {sample[:16].hex(' ')}. "
        "Look at what the indicator's manual says of its output, and write a profile for it: the README lists the keys."
    )


def command_words(source: str, profile: str) -> str:
    """The command that listens with a profile from now on."""
    return shlex.join(["shimwright", "serve", source, "--profile", profile])
