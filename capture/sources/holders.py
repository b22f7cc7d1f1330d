"""Which programs hold a device open (Linux), and which group may open it."""

from __future__ import annotations

import os
from pathlib import Path

PROC = Path("/proc")


def holders(device: str) -> list[str]:
    """Programs that have `device` open, as "name (process 123)"; empty where that cannot be known."""
    real = os.path.realpath(device)
    found: list[str] = []
    for process in PROC.glob("[0-9]*"):
        if int(process.name) == os.getpid():
            continue
        try:
            if any(os.path.realpath(fd) == real for fd in (process / "fd").iterdir()):
                name = (process / "comm").read_text().strip()
                found.append(f"{name} (process {process.name})")
        except OSError:
            continue
    return found


GRABBERS = ("ModemManager", "brltty")
"""Services that open serial ports by themselves, and take or disturb an indicator's."""


def grabbers_running() -> list[str]:
    """Those of `GRABBERS` that run; empty where that cannot be known."""
    running: set[str] = set()
    for process in PROC.glob("[0-9]*/comm"):
        try:
            running.add(process.read_text("utf-8", "replace").strip())
        except OSError:
            continue
    return [name for name in GRABBERS if name in running]


def group_of(device: str) -> str:
    """Group that owns a device, as one writes it in a command."""
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return "dialout"
