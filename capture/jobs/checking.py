"""Reading a job again from what lies on the disk: lines, streams, results and photos, one finding each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from analysis.job.apart import Apart, figures_apart, rulings_apart, told
from analysis.job.entries import Entry
from analysis.job.fold import fold
from capture.errors import CaptureError
from capture.jobs.journal import Journal
from capture.jobs.streams import files_of, inside_of, result_of, sum_of_file, sum_of_stream
from capture.rawstream.segments import open_stream
from capture.stamp import Stamp, stamp, stamp_from

STREAMED = {
    "set": "sweeps, set and play are",
    "backlash": "every place and its backlash are",
    "end-play": "the play is",
    "run-out": "the run-out is",
}
"""Kinds of entries that a raw stream gives, and what is worked out from it."""

Cause = Literal["", "changed", "missing", "cut off", "computed"]
"""Why something is not the same: a file is another, is not there, lacks its end; or all files are the same and this program gives something else."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at.

    Attributes
    ----------
    entry : int
        The entry it belongs to; 0 for the whole job.
    what, say : str
    same : bool
    cause : Cause
        Empty where it is the same.
    um : float or None
        Of a result that is another: the largest difference of a length, in micrometres.
    ruling : str
        Of a result that is another: which rulings are others with it.
    """

    entry: int
    what: str
    same: bool
    say: str
    cause: Cause = ""
    um: float | None = None
    ruling: str = ""

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def check_job(path: Path, journal: Journal) -> list[Finding]:
    """Everything a job's entries refer to, worked out again."""
    out = [
        Finding(
            n,
            "line",
            False,
            f"the line before entry {n} is not the one that stood there when it was written",
            "changed",
        )
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
    except CaptureError as why:
        return [Finding(e.n, name, False, str(why), "changed" if (path / name).exists() else "missing")]
    try:
        found = sum_of_stream(stream)
    except CaptureError as why:
        return [Finding(e.n, name, False, str(why), "changed")]
    if found != e.data["sha256"]:
        cut = _ends_within_a_line(stream)
        tail = " It ends within a line: its end is missing." if cut else ""
        say = f"the stream is not the one that was measured: SHA-256 {found}, was {e.data['sha256']}.{tail}"
        return [Finding(e.n, name, False, say, "cut off" if cut else "changed")]
    same = Finding(e.n, name, True, "SHA-256 is the same")
    try:
        # As it was known when the stream was attached: later entries have no part in it.
        again = result_of(e.kind, stream, fold(journal.entries[: e.n - 1]), e.data)
    except CaptureError as why:
        say = f"the stream is the one that was measured, and {_by(stamp())} makes nothing of it: {why}"
        return [same, Finding(e.n, f"{name}, result", False, say, "computed")]
    apart = figures_apart({k: e.data.get(k) for k in again}, again)
    what = f"{name}, result"
    if not apart:
        return [same, Finding(e.n, what, True, f"{STREAMED[e.kind]} the same")]
    return [same, _otherwise(what, journal, e, again, apart)]


def _otherwise(what: str, journal: Journal, e: Entry, again: Mapping[str, object], apart: Sequence[Apart]) -> Finding:
    """A stream that is the same and gives something else now."""
    lengths = [abs(a.um) for a in apart if a.um is not None]
    um = max(lengths) if lengths else None
    changed = rulings_apart(journal.entries, {e.n: again})
    ruling = "; ".join(f"{k}: was {a}, is {b}" for k, (a, b) in changed.items())
    wrote, here = stamp_from(e.extra.get("program")), stamp()
    figures = f"{told(apart)}. " + (f"Another ruling: {ruling}." if ruling else "No ruling is another.")
    if e.n in journal.altered or e.n + 1 in journal.altered:
        say = f"the stream is the one that was measured, and the line it was written down in was changed: {figures}"
        return Finding(e.n, what, False, say, "changed", um, ruling)
    if wrote == here and (um is None or um > FAINT_UM):
        say = (
            "the stream is the one that was measured and the program the one that wrote this down, so what is written down was changed "
            f"afterwards: {figures}"
        )
        return Finding(e.n, what, False, say, "changed", um, ruling)
    say = f"the stream is the one that was measured. Written down by {_by(wrote)}; {_by(here)} gives something else: {figures}"
    return Finding(e.n, what, False, say, "computed", um, ruling)


FAINT_UM = 0.001
"""Two processors may round one program's figures this far apart."""


def _by(s: Stamp | None) -> str:
    return "a program that did not say which it was" if s is None else s.say


def _ends_within_a_line(stream: Path) -> bool:
    last = b"\n"
    try:
        for part in files_of(stream):
            with open_stream(part) as file:
                while block := file.read(1 << 20):
                    last = block[-1:]
    except (OSError, EOFError, CaptureError):
        return True
    return last != b"\n"


def _photo(path: Path, e: Entry) -> Finding:
    name = str(e.data["file"])
    photo = path / "photos" / name
    try:
        found = sum_of_file(photo)
    except CaptureError as why:
        return Finding(e.n, name, False, str(why), "changed" if photo.exists() else "missing")
    if found == e.data["sha256"]:
        return Finding(e.n, name, True, "SHA-256 is the same")
    return Finding(e.n, name, False, "the photo is not the one that was written down", "changed")
