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


def permission_cure(device: str) -> str:
    """What gives somebody the right to open a device."""
    try:
        about = os.stat(device)
    except OSError:
        about = None
    if about is not None and (about.st_gid == 0 or about.st_mode & 0o060 != 0o060):
        # To be in such a group would give a right to everything else, or none to this.
        return (
            f"No group of users may open it: sudo chown $USER {device} does until it is unplugged; for good, give it to a group "
            'with a line in /etc/udev/rules.d/90-indicator.rules that ends in GROUP="dialout", MODE="0660".'
        )
    return f"Add yourself to its group: sudo usermod -aG {group_of(device)} $USER, then log out and in again."
