"""Reading a job again from what lies on the disk: lines, streams, results and photos, one finding each."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from analysis.job.entries import Entry
from analysis.job.fold import fold
from capture.errors import CaptureError
from capture.jobs.journal import Journal
from capture.jobs.streams import inside_of, result_of, sum_of_file, sum_of_stream

STREAMED = {
    "set": "sweeps, set and play are",
    "backlash": "every place and its backlash are",
    "end-play": "the play is",
    "run-out": "the run-out is",
}
"""Kinds of entries that a raw stream gives, and what is worked out from it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at."""

    entry: int
    what: str
    same: bool
    say: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def check_job(path: Path, journal: Journal) -> list[Finding]:
    """Everything a job's entries refer to, worked out again."""
    out = [
        Finding(n, "line", False, f"the line before entry {n} is not the one that stood there when it was written")
        for n in journal.altered
    ]
    if not journal.altered:
        out.append(
            Finding(len(journal.entries), "lines", True, f"{len(journal.entries)} entries, each on the one before it")
        )
    out += [
        Finding(0, "cut off", True, f"a line was cut off and never acknowledged: {text[:60]}") for text in journal.torn
    ]
    for e in journal.entries:
        if e.kind in STREAMED and "stream" in e.data and e.corrects is None:
            out += _stream(path, journal, e)
        elif e.kind == "photo" and "sha256" in e.data:
            out.append(_photo(path, e))
    return out


def _stream(path: Path, journal: Journal, e: Entry) -> list[Finding]:
    name = str(e.data["stream"])
    try:
        stream = inside_of(path, name)
        found = sum_of_stream(stream)
    except CaptureError as why:
        return [Finding(e.n, name, False, str(why))]
    if found != e.data["sha256"]:
        return [
            Finding(
                e.n,
                name,
                False,
                f"the stream is not the one that was measured: SHA-256 {found}, was {e.data['sha256']}",
            )
        ]
    out = [Finding(e.n, name, True, "SHA-256 is the same")]
    try:
        # As it was known when the stream was attached: later entries have no part in it.
        again = result_of(e.kind, stream, fold(journal.entries[: e.n - 1]), e.data)
    except CaptureError as why:
        return [*out, Finding(e.n, name, False, str(why))]
    different = sorted(_differences(again, e.data))
    say = f"{STREAMED[e.kind]} the same" if not different else f"worked out again, {', '.join(different)} differ"
    return [*out, Finding(e.n, f"{name}, result", not different, say)]


def _differences(again: dict[str, Any], kept: dict[str, object]) -> set[str]:
    out = set()
    for key, value in again.items():
        if key == "result":
            out |= {k for k in value if _plain(value[k]) != _plain(_in(kept.get("result"), k))}
        elif _plain(value) != _plain(kept.get(key)):
            out.add(key)
    return out


def _in(result: object, key: str) -> object:
    return result.get(key) if isinstance(result, dict) else None


def _plain(x: object) -> object:
    """Tuples and lists alike."""
    if isinstance(x, list | tuple):
        return [_plain(v) for v in x]
    return {k: _plain(v) for k, v in x.items()} if isinstance(x, dict) else x


def _photo(path: Path, e: Entry) -> Finding:
    name = str(e.data["file"])
    try:
        found = sum_of_file(path / "photos" / name)
    except CaptureError as why:
        return Finding(e.n, name, False, str(why))
    same = found == e.data["sha256"]
    return Finding(e.n, name, same, "SHA-256 is the same" if same else "the photo is not the one that was written down")
