"""Which job is at the bench, kept beside the jobs: a program that is started again goes on with it."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

NAME = ".at-bench"


def remember(root: Path, job: str | None) -> None:
    """Keep the job's name, or forget it; a disk that refuses costs only the memory."""
    with suppress(OSError):
        if job is None:
            (root / NAME).unlink(missing_ok=True)
            return
        part = root / f"{NAME}.{os.getpid()}.part"
        part.write_text(job + "\n", "utf-8")
        part.replace(root / NAME)


def remembered(root: Path) -> str | None:
    """The job that was at the bench last; None where there was none."""
    try:
        return (root / NAME).read_text("utf-8").strip() or None
    except (OSError, UnicodeDecodeError):
        return None
