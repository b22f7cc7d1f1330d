"""What no longer holds, why, and what must be measured again."""

from __future__ import annotations

from typing import Any

from analysis.job.state import Job

WORDS = {
    "depth": "depth",
    "backlash": "backlash",
    "pinion-preload": "pinion preload",
    "carrier-preload": "carrier preload",
    "run-out": "run-out",
    "pattern": "contact pattern",
    "end-play": "end play",
}


def void_list(job: Job) -> list[dict[str, Any]]:
    """Readings that are not used, each with its reasons; they stay in the record."""
    out = []
    for r in job.readings:
        reasons = [{"entry": v.entry, "reason": v.reason} for v in r.voided]
        if not reasons and r.status in ("wrong state", "question"):
            reasons = [{"entry": r.n, "reason": x} for x in (*r.questions, *r.wrong)]
        if reasons:
            out.append({"entry": r.n, "kind": r.kind, "phase": r.phase, "status": r.status, "reasons": reasons})
    return out


def redo_list(job: Job) -> list[dict[str, Any]]:
    """What to measure again: every kind of reading that once was good and of which none holds now."""
    out = []
    for kind, words in WORDS.items():
        rows = [r for r in job.readings if r.kind == kind and r.phase != "as-found"]
        if not rows or any(r.usable for r in rows):
            continue
        last = rows[-1]
        first = (
            f"entry {last.voided[0].entry}: {last.voided[0].reason}"
            if last.voided
            else (*last.questions, *last.wrong, "it was not used")[0]
        )
        out.append({"kind": kind, "what": words, "entries": [r.n for r in rows], "because": first})
    return out


def asked_again(row: dict[str, Any]) -> str:
    """The sentence by which a step asks for one of these again."""
    do = "Take" if row["kind"] == "pattern" else "Measure"
    return f"{do} the {row['what']} again: {row['because']}."
