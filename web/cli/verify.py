"""``shimwright verify``."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from web.report.checking import Check, Finding

EXIT = {"same": 0, "evidence": 1, "computed": 3, "ruling": 4}
"""Exit code by verdict; 1 also where the work could not be done, 2 is wrong usage."""

_SAID = {
    "changed": "CHANGED",
    "missing": "MISSING",
    "cut off": "CUT OFF",
    "sheet": "SHEET CHANGED",
    "computed": "OTHERWISE",
    "follows": "DIFFERENT",
}


def verify_command(sheet: Path, streams: Sequence[Path], json_out: bool) -> int:
    """Say line by line whether a sheet is what its raw streams give, or a job's sheet or folder what the job gives.

    Returns
    -------
    int
        Exit code: 0 all is the same; 1 a file or the sheet was changed, is missing or cut off; 3 every file is the same and this program
        computes otherwise; 4 the same, and a ruling is another.

    Raises
    ------
    CaptureError
        If the sheet or a stream cannot be read.
    """
    result, thing, source = _check(sheet, streams)
    if json_out:
        sys.stdout.write(json.dumps(_as_dict(result, thing, sheet), ensure_ascii=False) + "\n")
        return EXIT[result.verdict]
    for f in result.findings:
        sys.stdout.write(_line(f, thing))
    count = Counter(f.word for f in result.findings)
    told = f"{count['same']} lines the same, {count['different']} different"
    if count["not compared"]:
        told += f", {count['not compared']} not compared"
    verdict = f"The {thing} is {'' if result.same else 'NOT '}what {source}."
    sys.stdout.write(f"\n{sheet}: {told}. {verdict}\n{_why(result, thing)}\n")
    return EXIT[result.verdict]


def _line(f: Finding, thing: str) -> str:
    where = f"{f.section}: " if f.section else ""
    if f.word == "same":
        return f"same       {where}{f.stated}\n"
    word = _SAID.get(f.cause, f.word.upper())
    apart = "" if f.um is None else f"\n             apart: {f.um:g} µm"
    apart += "\n             another ruling" if f.ruling else ""
    return f"{word:<10} {where}\n             {thing + ':':<6} {f.stated}\n             now:   {f.now}{apart}\n"


def _why(r: Check, thing: str) -> str:
    """What is the case, in words."""
    from web.report.checking import program_of

    programs = f"Written by {program_of(r.wrote)}; looked at by {program_of(r.here)}."
    if r.verdict == "same":
        return programs
    out: list[str] = []
    causes = Counter(f.cause for f in r.different)
    for cause, what in (
        ("changed", "changed"),
        ("missing", "missing"),
        ("cut off", "cut off before its end"),
    ):
        names = dict.fromkeys(_name(f) for f in r.different if f.cause == cause)
        if names:
            out.append(f"{what.capitalize()}: {', '.join(names)}.")
    if causes["sheet"]:
        out.append("The sheet itself was changed after it was written: its lines are not those it was made with.")
    if r.verdict == "evidence":
        if causes["follows"]:
            out.append(f"{causes['follows']} more lines differ, which may follow from that.")
        return " ".join([*out, programs])
    out.append("Every file is the same, by its SHA-256.")
    by = "no length that can be set against another differs" if r.um is None else f"lengths differ by up to {r.um:g} µm"
    out.append(f"This program computes or words {causes['computed']} lines otherwise; {by}.")
    changed = [f for f in r.different if f.ruling]
    out.append(
        "No ruling is another."
        if not changed
        else "A RULING IS ANOTHER: " + "; ".join(f"{f.stated} → {f.now}" for f in changed) + "."
    )
    if thing == "sheet" and not r.sealed:
        out.append("This sheet bears no sum of itself, so that a line changed by hand would look the same.")
    return " ".join([*out, programs])


def _name(f: Finding) -> str:
    """A file by its name, without its sum."""
    if f.section in ("raw stream", "job.jsonl"):
        return f.section if f.section == "job.jsonl" else f.stated.rsplit(" ", 1)[0]
    return f"{f.section}, {f.stated}"


def _as_dict(r: Check, thing: str, sheet: Path) -> dict[str, object]:
    return {
        thing: str(sheet),
        "same": r.same,
        "verdict": r.verdict,
        "files_same": not any(f.cause in ("changed", "missing", "cut off") for f in r.different),
        "sealed": r.sealed,
        "largest_um": r.um,
        "ruling_changed": any(f.ruling for f in r.different),
        "written_by": None if r.wrote is None else r.wrote.as_dict(),
        "looked_at_by": None if r.here is None else r.here.as_dict(),
        "lines": [f.as_dict() for f in r.findings],
    }


def _check(sheet: Path, streams: Sequence[Path]) -> tuple[Check, str, str]:
    """What was found, what was looked at, and what it was set against."""
    if sheet.is_dir():
        from capture.jobs import JobFileError
        from web.report.job_checking import check_job_folder

        if streams:
            raise JobFileError(f"{sheet} is a job's folder: given {len(streams)} more paths; allowed: the folder alone")
        return check_job_folder(sheet), "job", "its entries and raw streams give"
    from web.report.job_checking import check_job_sheet, job_sheet

    parts = job_sheet(sheet)
    if parts is not None:
        return check_job_sheet(sheet, parts, streams), "sheet", "its job gives"
    from web.report.checking import check

    return check(sheet, streams), "sheet", "its raw streams give"
