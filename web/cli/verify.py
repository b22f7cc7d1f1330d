"""``shimwright verify``."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path


def verify_command(sheet: Path, streams: Sequence[Path], json_out: bool) -> int:
    """Say line by line whether a sheet is what its raw streams give.

    Returns
    -------
    int
        Exit code: 0 if all is the same, 1 if anything differs.

    Raises
    ------
    CaptureError
        If the sheet or a stream cannot be read.
    """
    from web.report.checking import check

    result = check(sheet, streams)
    count = Counter(f.word for f in result.findings)
    if json_out:
        lines = [f.as_dict() for f in result.findings]
        sys.stdout.write(json.dumps({"sheet": str(sheet), "same": result.same, "lines": lines}) + "\n")
        return 0 if result.same else 1
    for f in result.findings:
        where = f"{f.section}: " if f.section else ""
        if f.word == "same":
            sys.stdout.write(f"same       {where}{f.stated}\n")
        else:
            sys.stdout.write(
                f"{f.word.upper():<10} {where}\n             sheet: {f.stated}\n             now:   {f.now}\n"
            )
    told = f"{count['same']} lines the same, {count['different']} different"
    if count["not compared"]:
        told += f", {count['not compared']} not compared (another version)"
    verdict = (
        "The sheet is what its raw streams give." if result.same else "The sheet is NOT what its raw streams give."
    )
    sys.stdout.write(f"\n{sheet}: {told}. {verdict}\n")
    return 0 if result.same else 1
