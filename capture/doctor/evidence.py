"""Recordings and the evidence store: whether they are what they were."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

from capture.doctor.finding import Finding
from capture.doctor.machine import data_folder
from capture.errors import CaptureError
from capture.rawstream import verify

NEWEST = 20
"""Recordings looked at."""

LARGEST = 20_000_000
"""Bytes of a file above which its sum is left to ``sha256sum -c``."""


def recordings(folder: Path | None = None) -> list[Finding]:
    """The newest recordings: sums, files that could not be trusted, clock steps."""
    folder = folder or data_folder() / "streams"
    files = sorted(folder.glob("*/*.jsonl"), key=lambda p: p.stat().st_mtime_ns)[-NEWEST:] if folder.is_dir() else []
    found: list[Finding] = []
    steps = 0
    for file in files:
        if file.stat().st_size > LARGEST:
            continue
        try:
            if verify(file) == "differs":
                found.append(
                    Finding(
                        f"{file} is no longer what it was when it was closed",
                        "wrong",
                        "Somebody or something has changed it: take it from a copy, and look after this disk.",
                    )
                )
        except CaptureError as e:
            found.append(Finding(str(e), "wrong", "Look after this disk."))
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
    return found or [Finding(f"recordings: {len(files)} looked at in {folder}", "fine")]


def _remarks(file: Path) -> tuple[bool, int]:
    """Whether a file follows one that could not be trusted, and how many clock steps it notes."""
    with open(file, "rb") as f:
        try:
            follows = json.loads(f.readline()).get("follows") or {}
            suspect = bool(follows.get("suspect"))
        except (ValueError, AttributeError):
            suspect = False
        return suspect, sum(b'"step_s":' in line and b'"rx":' not in line for line in f)


def store(file: Path | None = None) -> list[Finding]:
    """Whether the evidence store is sound, by its own quick check."""
    from capture.store.location import default_file

    file = file or default_file()
    if not file.exists():
        return [Finding(f"evidence store: none yet at {file}", "fine")]
    try:
        connection = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=2.0)
        try:
            said = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        finally:
            connection.close()
    except sqlite3.Error as e:
        said = str(e)
    if said != "ok":
        return [
            Finding(
                f"evidence store {file}: {said}",
                "wrong",
                "Put the file aside, and have the store made again from the recordings: shimwright store rebuild",
            )
        ]
    return [Finding(f"evidence store: sound ({file})", "fine")]
