"""Sentences of a job that is worked in inches: millimetres stay, and inches stand beside them."""

from __future__ import annotations

import re
from typing import Any

from analysis.job.state import Job

_SENTENCES = frozenset({"say", "notes", "steps", "reason", "missing", "alarm", "problems", "void", "why"})
"""Keys of a job's data that hold sentences; what other keys hold is read by programs and stays."""

_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_LENGTH = re.compile(rf"(?<![\w.])({_NUMBER})(?: to ({_NUMBER}))? mm\b(?! ?[(/·])")


def worked_in_inches(job: Job) -> bool:
    """Whether a job is worked in inches: its nominal distance or the limit of its depth is typed so.

    The unit of its set-up does not tell: one shim of the shop in millimetres makes that millimetres.
    """
    said = (job.gearset or {}).get("nominal"), job.limits.get("depth-tolerance", {}).get("value")
    return any(str(x).endswith(" in") for x in said)


def with_inches(text: str) -> str:
    """A sentence with inches beside every length in millimetres that has none yet, one place finer."""
    return _LENGTH.sub(_beside, text)


def _beside(m: re.Match[str]) -> str:
    # A set-up in inches puts the millimetres behind them itself.
    if m.string[: m.start()].endswith(" in (") and m.string[m.end() :].startswith(")"):
        return m[0]
    return f"{m[0]} ({' to '.join(_inches(x) for x in m.groups() if x)} in)"


def _inches(written: str) -> str:
    places = len(written.partition(".")[2]) + 1
    return f"{float(written) / 25.4:{'+' if written.startswith('+') else ''}.{places}f}"


def all_with_inches(x: Any, sentence: bool = False) -> Any:
    """Every sentence within."""
    if isinstance(x, str):
        return with_inches(x) if sentence else x
    if isinstance(x, dict):
        return {k: all_with_inches(v, k in _SENTENCES) for k, v in x.items()}
    if isinstance(x, list):
        return [all_with_inches(v, sentence) for v in x]
    return x
