"""What was looked at and how it is cured, on the standard output."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence

from capture.doctor import Finding


def tell(findings: Sequence[Finding], json_out: bool) -> int:
    """Exit code: 0 if nothing is wrong, 1 otherwise."""
    if json_out:
        sys.stdout.write(json.dumps([f.as_dict() for f in findings], ensure_ascii=False) + "\n")
    else:
        for f in findings:
            sys.stdout.write(f"{f.state:<8} {f.what}\n")
            if f.cure:
                sys.stdout.write(f"         cure: {f.cure}\n")
    return 1 if any(f.state == "wrong" for f in findings) else 0
