"""``shimwright doctor``."""

from __future__ import annotations

from capture.doctor import examine
from web.cli.findings import tell


def doctor_command(json_out: bool) -> int:
    """Exit code: 0 if nothing is wrong, 1 otherwise."""
    return tell(examine(), json_out)
