"""``shimwright identify``."""

from __future__ import annotations

import json
import sys
from typing import Any

from capture.identify import Candidate, Finding, identify, keep

MOST_SHOWN = 6


def identify_command(source: str, seconds: float, poll: str | None, name: str | None, yes: bool, json_out: bool) -> int:
    """Exit code; 1 if nothing explains what came."""
    asking = f"asking with {poll!r}" if poll is not None else "sending nothing"
    sys.stderr.write(f"Listening to {source} for up to {seconds:g} s, {asking}. Move the indicator a little.\n")
    found = identify(source, seconds, poll)
    if json_out:
        sys.stdout.write(json.dumps([as_json(c) for c in found.candidates], ensure_ascii=False) + "\n")
    if not found.candidates:
        sys.stderr.write(f"shimwright: {nothing(found, poll)}\n")
        return 1
    shown = told_apart(found.candidates)[:MOST_SHOWN]
    if not json_out:
        sys.stdout.write("".join(f"{n}. {described(c)}\n" for n, c in enumerate(shown, start=1)))
    chosen = shown[0] if yes else None if json_out else _asked(shown)
    if chosen is None:
        return 0
    file = keep(chosen.table, name or _name(yes))
    sys.stderr.write(f"Kept as {file}. Use it with --profile {file.stem}.\n")
    return 0


def told_apart(candidates: list[Candidate]) -> list[Candidate]:
    """Of those that read the same to a person, the first."""
    first: dict[str, Candidate] = {}
    for c in candidates:
        first.setdefault(described(c), c)
    return list(first.values())


def as_json(c: Candidate) -> dict[str, Any]:
    """A candidate for programs."""
    return {
        "profile": c.table,
        "readings": c.readings,
        "explained": round(c.explained, 4),
        "shown": c.shown,
        "guessed": c.guessed,
    }


def described(c: Candidate) -> str:
    """A candidate in words."""
    t = c.table
    line = ""
    if "baud" in t:
        parity = "no parity" if t["parity"] == "none" else f"{t['parity']} parity"
        line = f", {t['baud']} baud, {t['bytesize']} bits, {parity}"
    if "characteristic" in t:
        line = f", characteristic {t['characteristic']}"
    rate = f", {t['rate']:g} a second" if "rate" in t else ""
    guess = f"\n   (the bytes do not tell {' and '.join(c.guessed)}: compare with the display)" if c.guessed else ""
    return (
        f"{t['use']}{line}: {c.readings} readings{rate}, {100 * c.explained:.0f} % of the bytes explained"
        f"\n   last values: {', '.join(c.shown)}{guess}"
    )


def nothing(found: Finding, poll: str | None) -> str:
    """What to do when nothing was found."""
    if found.received == 0:
        ask = "" if poll is not None else "; some must be asked: try --poll '\\r' or what the indicator's manual says"
        return f"Nothing came. Switch the indicator on, press its send key, look at the cable{ask}."
    sample = found.unexplained
    return (
        f"{found.received} bytes came, and no profile explains them. They begin with {sample.hex(' ')} ({sample!r}). "
        "Write a profile for them: the README lists the keys."
    )


def _asked(shown: list[Candidate]) -> Candidate | None:
    if not sys.stdin.isatty():
        sys.stderr.write("Nothing was kept. To keep the first: --yes --name NAME.\n")
        return None
    sys.stderr.write("Which one shows what the display shows? Its number, or Enter for none: ")
    sys.stderr.flush()
    answer = sys.stdin.readline().strip()
    if answer.isascii() and answer.isdigit() and 1 <= int(answer) <= len(shown):
        return shown[int(answer) - 1]
    sys.stderr.write("Nothing was kept.\n")
    return None


def _name(yes: bool) -> str:
    if yes or not sys.stdin.isatty():
        return "my-indicator"
    sys.stderr.write("A name for the profile [my-indicator]: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip() or "my-indicator"
