"""Recordings and the evidence store: whether they are what they were."""

from __future__ import annotations

import json
import os
import time
from dataclasses import replace
from pathlib import Path

from capture.doctor.finding import Finding
from capture.doctor.machine import data_folder
from capture.errors import CaptureError
from capture.rawstream import verify
from capture.rawstream.reader import LONGEST_LINE

NEWEST = 20
"""Recordings looked at."""

LARGEST = 20_000_000
"""Bytes of a file above which its sum is left to ``sha256sum -c``."""

LIMIT_S = 3.0
"""Longest look at the recordings, and at the store: whoever asks what is wrong is waiting for the answer."""

PATIENCE_S = 2.0

CURE = "Do what it says; the recordings are complete without the store, and shimwright store rebuild makes it again from them."


def recordings(folder: Path | None = None) -> list[Finding]:
    """The newest recordings: sums, files that could not be trusted, clock steps."""
    folder = folder or data_folder() / "streams"
    files = sorted(folder.glob("*/*.jsonl"), key=lambda p: p.stat().st_mtime_ns)[-NEWEST:] if folder.is_dir() else []
    found: list[Finding] = []
    steps = looked = 0
    until = time.monotonic() + LIMIT_S
    large = 0
    for file in reversed(files):
        if file.stat().st_size > LARGEST:
            large += 1
            continue
        try:
            if time.monotonic() > until or (told := verify(file, until)) == "no time":
                break
            if told == "differs":
                found.append(
                    Finding(
                        f"{file} is no longer what it was when it was closed",
                        "wrong",
                        "Somebody or something has changed it: take it from a copy, and look after this disk.",
                    )
                )
        except CaptureError as e:
            found.append(Finding(str(e), "wrong", "Look after this disk."))
        looked += 1
        suspect, set_ = _remarks(file)
        steps += set_
        if suspect:
            found.append(
                Finding(
                    f"{file} was begun because the disk did not take the file before it",
                    "note",
                    "Nothing acknowledged was lost. Look after this disk.",
                )
            )
    if steps:
        found.append(
            Finding(
                f"the computer's clock was set {steps} times during the newest recordings",
                "note",
                "Times within a recording are not affected; dates may be. A clock battery may be empty.",
            )
        )
    if looked + large < len(files):
        found.append(
            Finding(
                f"recordings: the newest {looked} of {len(files)} in {folder} were looked at, then time was up",
                "note",
                f"To look at all of them: cd {folder} && for f in */; do (cd $f && sha256sum -c *.sha256); done",
            )
        )
    elif large:
        found.append(
            Finding(
                f"recordings: {looked} looked at in {folder}; {large} are too large to be summed here",
                "note",
                "In the folder of each: sha256sum -c *.sha256",
            )
        )
    return found or [Finding(f"recordings: {looked} looked at in {folder}", "fine")]


def _remarks(file: Path) -> tuple[bool, int]:
    """Whether a file follows one that could not be trusted, and how many clock steps it notes."""
    with open(file, "rb") as f:
        try:
            follows = json.loads(f.readline(LONGEST_LINE)).get("follows") or {}
            suspect = bool(follows.get("suspect"))
        except (ValueError, AttributeError, RecursionError):
            suspect = False
        return suspect, sum(b'"step_s":' in line and b'"rx":' not in line for line in f)


def store(file: Path | None = None) -> list[Finding]:
    """Whether the evidence store is sound and agrees with the recordings.

    Parameters
    ----------
    file : Path, optional
        The store; if not given, the one that ``SHIMWRIGHT_STORE`` names, or the user's own.
    """
    from capture.store.location import locate

    said = file or os.environ.get("SHIMWRIGHT_STORE") or None
    if said == "off":
        return [Finding("evidence store: switched off by SHIMWRIGHT_STORE", "fine")]
    try:
        location = locate(said)
        if location.file is not None and not location.file.exists():
            return [Finding(f"evidence store: none yet at {location.shown}", "fine")]
        # The database library is loaded for a store only.
        from capture.store.checks import check
        from capture.store.database import Store

        with Store(location, make=False, busy_s=PATIENCE_S) as opened:
            found = [replace(f, what=f"evidence store: {f.what}") for f in check(opened, limit_s=LIMIT_S)]
        return _together(found)
    except CaptureError as e:
        return [Finding(f"evidence store: {e}", "wrong", CURE)]


def _together(found: list[Finding]) -> list[Finding]:
    """Findings with one cure in one line: thirty lost recordings must not push all else off the page."""
    out: list[Finding] = []
    by_cure: dict[tuple[str, str], list[Finding]] = {}
    for f in found:
        same = by_cure.setdefault((f.state, f.cure), [])
        same.append(f)
        if not f.cure or len(same) == 1:
            out.append(f)
    for (_, cure), same in by_cure.items():
        if cure and len(same) > 1:
            first = out.index(same[0])
            more = f"{same[0].what}, and {len(same) - 1} more like it (shimwright store check lists them)"
            out[first] = replace(same[0], what=more)
    return out
