"""A job's sheet, or a job's folder, against what the folder gives now, line by line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from analysis.job.apart import figures_apart, told
from analysis.job.fold import fold
from analysis.job.response import prediction
from capture.errors import CaptureError
from capture.jobs.checking import check_job
from capture.jobs.journal import NAME, Journal, read_journal
from capture.stamp import stamp, stamp_from
from web.report.checking import (
    Cause,
    Check,
    Finding,
    figures_compared,
    files_compared,
    judged,
    lines_compared,
    program_of,
)
from web.report.job_gather import JOB_FORMAT, gather_job, is_job
from web.report.job_view import job_view
from web.report.page import render_page
from web.report.reading import Parts, SheetFileError, take_apart


def job_sheet(path: Path) -> Parts | None:
    """The parts of a job's sheet; None where it is none.

    Raises
    ------
    SheetFileError
        If it is one whose record is damaged.
    """
    try:
        parts = take_apart(path.read_bytes().decode("utf-8"))
    except (OSError, UnicodeDecodeError):
        return None
    r = parts.record
    if r.get("format") != JOB_FORMAT:
        return None
    job, streams = r.get("job"), r.get("streams")
    if (
        not isinstance(job, dict)
        or not all(isinstance(job.get(k), str) for k in ("path", "sha256"))
        or not isinstance(job.get("entries"), int)
        or not isinstance(streams, list)
        or not all(isinstance(r.get(k), str) for k in ("written", "version"))
        or not (r.get("by") is None or isinstance(r["by"], str))
    ):
        raise SheetFileError(f"{path}: the sheet's record of its job is damaged, so nothing can be checked")
    return parts


def check_job_sheet(sheet: Path, stated: Parts, places: Sequence[Path] = ()) -> Check:
    """Work a job's sheet out again from the job's folder.

    Parameters
    ----------
    places : sequence of Path
        The job's folder, where it no longer lies where the sheet says; at most one.

    Raises
    ------
    CaptureError
        If the folder is not found or cannot be read.
    """
    record = stated.record
    if len(places) > 1:
        raise SheetFileError(
            f"{sheet} is a job's sheet: given {len(places)} more paths; allowed: the job's folder only"
        )
    folder = places[0] if places else sheet.parent / str(record["job"]["path"])
    if not is_job(folder):
        raise SheetFileError(
            f"{sheet}: the job's folder {folder} is not there. Put it back, or give it where it lies now: shimwright verify {sheet} JOB"
        )
    matter = gather_job(
        folder,
        str(record["job"]["path"]),
        written=record["written"],
        version=record["version"],
        by=record["by"],
        entries=int(record["job"]["entries"]),
        program=stamp_from(record.get("program")),
    )
    now = take_apart(render_page(job_view(matter)))
    evidence = list(_record(record, now.record))
    found = judged(stated, evidence, [*lines_compared(stated.lines, now.lines), *figures_compared(stated, now)], now)
    later = len(read_journal(folder / NAME).entries) - int(record["job"]["entries"])
    if later <= 0:
        return found
    more = Finding(
        "not compared", "job", f"{record['job']['entries']} entries", f"{later} more were written afterwards"
    )
    return replace(found, findings=(*found.findings, more))


def _record(stated: dict[str, Any], now: dict[str, Any]) -> Iterator[Finding]:
    was, there = stated["job"], now["job"]
    fewer = there["entries"] < was["entries"]
    for key in ("entries", "sha256"):
        same = was.get(key) == there[key]
        cause: Cause = "" if same else "cut off" if fewer else "changed"
        yield Finding(
            "same" if same else "different", "job.jsonl", f"{key} {was.get(key)}", f"{key} {there[key]}", cause
        )
    a, b = (
        {str(s.get("path")): _listed(s.get("files")) for s in r["streams"] if isinstance(s, dict)}
        for r in (stated, now)
    )
    for name in dict.fromkeys((*a, *b)):
        if a.get(name) or b.get(name):
            yield from files_compared(_under(name, a.get(name)), _under(name, b.get(name)))
        else:
            yield Finding("same", "raw stream", f"{name} not there", f"{name} not there")


def _listed(files: object) -> list[dict[str, Any]]:
    listed = files if isinstance(files, list) else []
    return [f for f in listed if isinstance(f, dict) and {"name", "sha256"} <= f.keys()]


def _under(path: str, files: list[dict[str, Any]] | None) -> list[dict[str, Any]]:
    """A stream's files by the path of the first."""
    return [{**f, "name": path if i == 0 else f"{path}: {f['name']}"} for i, f in enumerate(files or [])]


def check_job_folder(folder: Path) -> Check:
    """Work everything a job's journal holds out again: lines, streams, results, photos, predictions, and sheets in the folder.

    Raises
    ------
    CaptureError
        If the job cannot be read.
    """
    journal = read_journal(folder / NAME)
    found = [
        Finding(
            "same" if f.same else "different",
            f"entry {f.entry}" if f.entry else "job",
            f.what,
            f.say,
            f.cause,
            f.um,
            bool(f.ruling),
        )
        for f in check_job(folder, journal)
    ]
    found += _predictions(journal)
    wrote = {s for e in journal.entries if (s := stamp_from(e.extra.get("program"))) is not None}
    for sheet in sorted(folder.glob("*.html")):
        parts = job_sheet(sheet)
        if parts is None:
            continue
        try:
            found += check_job_sheet(sheet, parts, [folder]).findings
        except CaptureError as e:
            found.append(Finding("different", sheet.name, "the sheet", str(e), "sheet"))
    if not any(f.section == "job.jsonl" for f in found):
        found.append(
            Finding(
                "not compared",
                "job",
                f"last line {journal.last_sum}",
                "no line follows it to vouch for it; compare it with the job's sheet",
            )
        )
    return Check(tuple(found), next(iter(wrote)) if len(wrote) == 1 else None, stamp())


def _predictions(journal: Journal) -> Iterator[Finding]:
    """What was predicted before building, predicted again from the entries before it."""
    for e in journal.entries:
        if e.kind != "fit" or e.corrects is not None or "predicted" not in e.data:
            continue
        data = {k: v for k, v in e.data.items() if k != "predicted"}
        stack = fold([*journal.entries[: e.n - 1], type(e)(e.n, e.at, e.by, e.kind, data)]).stacks.get("depth")
        again = None if stack is None else prediction(fold(journal.entries[: e.n - 1]), stack)
        kept = e.data["predicted"]
        apart = figures_apart(kept, again)
        if not apart and isinstance(kept, dict) and isinstance(again, dict):
            yield Finding("same", f"entry {e.n}", f"predicted {_plain(kept)}", f"predicted {_plain(again)}")
            continue
        wrote, here = stamp_from(e.extra.get("program")), stamp()
        vouched = not {e.n, e.n + 1} & set(journal.altered)
        other = vouched and wrote != here
        say = f"predicted {_plain(again)}"
        if other:
            say += f". Written down by {program_of(wrote)}; {here.say} gives something else: {told(apart)}"
        lengths = [abs(x.um) for x in apart if x.um is not None]
        um = max(lengths) if lengths else None
        cause: Cause = "computed" if other else "changed"
        yield Finding("different", f"entry {e.n}", f"predicted {_plain(kept)}", say, cause, um)


def _plain(x: object) -> str:
    if not isinstance(x, dict):
        return str(x)
    return ", ".join(f"{k} {v}" for k, v in sorted(x.items()))
