"""``shimwright verify``."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from web.report.checking import Check


def verify_command(sheet: Path, streams: Sequence[Path], json_out: bool) -> int:
    """Say line by line whether a sheet is what its raw streams give, or a job's sheet or folder what the job gives.

    Returns
    -------
    int
        Exit code: 0 if all is the same, 1 if anything differs.

    Raises
    ------
    CaptureError
        If the sheet or a stream cannot be read.
    """
    result, thing, source = _check(sheet, streams)
    count = Counter(f.word for f in result.findings)
    if json_out:
        lines = [f.as_dict() for f in result.findings]
        sys.stdout.write(json.dumps({thing: str(sheet), "same": result.same, "lines": lines}) + "\n")
        return 0 if result.same else 1
    for f in result.findings:
        where = f"{f.section}: " if f.section else ""
        if f.word == "same":
            sys.stdout.write(f"same       {where}{f.stated}\n")
        else:
            sys.stdout.write(
                f"{f.word.upper():<10} {where}\n             {thing + ':':<6} {f.stated}\n             now:   {f.now}\n"
            )
    told = f"{count['same']} lines the same, {count['different']} different"
    if count["not compared"]:
        told += f", {count['not compared']} not compared"
        told += " (another version)" if source == "its raw streams give" else ""
    verdict = f"The {thing} is {'' if result.same else 'NOT '}what {source}."
    sys.stdout.write(f"\n{sheet}: {told}. {verdict}\n")
    return 0 if result.same else 1


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
