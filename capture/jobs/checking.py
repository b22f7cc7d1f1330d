"""Reading a job again from what lies on the disk: lines, streams, results and photos, one finding each."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from analysis.job.derive import setup_for
from analysis.job.entries import Entry
from analysis.job.fold import fold
from analysis.setup import SetupError
from capture.errors import CaptureError
from capture.jobs.journal import Journal
from capture.jobs.streams import inside_of, result_of, sum_of_file, sum_of_stream


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
        if e.kind == "set" and "stream" in e.data and e.corrects is None:
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
    # As it was known when the stream was attached: later entries have no part in it.
    job = fold(journal.entries[: e.n - 1])
    try:
        setup = setup_for(job, None, shims=False)
    except SetupError:
        setup = None
    try:
        again = result_of(stream, setup)
    except CaptureError as why:
        return [*out, Finding(e.n, name, False, str(why))]
    different = [k for k in again if _plain(again[k]) != _plain(_in(e.data["result"], k))]
    say = "sweeps, set and play are the same" if not different else f"worked out again, {', '.join(different)} differ"
    return [*out, Finding(e.n, f"{name}, result", not different, say)]


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
