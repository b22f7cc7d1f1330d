"""Which programs hold a device open (Linux), and which group may open it."""

from __future__ import annotations

import os
from pathlib import Path


def holders(device: str) -> list[str]:
    """Programs that have `device` open, as "name (process 123)"; empty where that cannot be known."""
    real = os.path.realpath(device)
    found: list[str] = []
    for process in Path("/proc").glob("[0-9]*"):
        if int(process.name) == os.getpid():
            continue
        try:
            if any(os.path.realpath(fd) == real for fd in (process / "fd").iterdir()):
                name = (process / "comm").read_text().strip()
                found.append(f"{name} (process {process.name})")
        except OSError:
            continue
    return found


def group_of(device: str) -> str:
    """Group that owns a device, as one writes it in a command."""
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return "dialout"
