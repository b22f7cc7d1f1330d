"""What stands between an indicator and this program, and how to cure it."""

from __future__ import annotations

import os
import shutil
import socket
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from capture.sources.holders import holders

State = Literal["fine", "note", "wrong"]
LEAST_FREE = 200 * 1024 * 1024
PORT_GRABBERS = ("ModemManager", "brltty")


@dataclass(frozen=True)
class Finding:
    """One thing looked at."""

    what: str
    state: State
    cure: str = ""

    def as_dict(self) -> dict[str, str]:
        """For JSON."""
        return asdict(self)


def examine() -> list[Finding]:
    """Everything looked at, in order."""
    checks: tuple[Callable[[], list[Finding]], ...] = (_ports, _grabbers, _bluetooth, _disk, _clock)
    return [finding for check in checks for finding in check()]


def _ports() -> list[Finding]:
    from serial.tools import list_ports

    out: list[Finding] = []
    for port in sorted(list_ports.comports(), key=lambda p: p.device):
        name = f"serial port {port.device} ({port.description})"
        if port.device.startswith("/dev/ttyS") and port.hwid == "n/a":
            continue
        if not os.access(port.device, os.R_OK | os.W_OK):
            out.append(Finding(f"{name}: no permission", "wrong", _group_cure(port.device)))
            continue
        held = holders(port.device)
        if held:
            out.append(Finding(f"{name}: in use by {', '.join(held)}", "wrong", "Close that program."))
        else:
            out.append(Finding(f"{name}: free", "fine"))
    if not out:
        out.append(
            Finding(
                "no serial port found", "note", "Plug the indicator's cable in; a charging-only cable shows no port."
            )
        )
    return out


def _group_cure(device: str) -> str:
    try:
        import grp

        group = grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        group = "the port's group"
    return f"sudo usermod -aG {group} $USER, then log out and in again."


def _grabbers() -> list[Finding]:
    running = set()
    for process in Path("/proc").glob("[0-9]*/comm"):
        try:
            running.add(process.read_text().strip())
        except OSError:
            continue
    return [
        Finding(
            f"{name} is running and may open serial ports by itself", "note", f"sudo systemctl disable --now {name}"
        )
        for name in PORT_GRABBERS
        if name in running
    ]


def _bluetooth() -> list[Finding]:
    address = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/run/dbus/system_bus_socket")
    path = address.partition("path=")[2].partition(",")[0]
    if os.name != "posix" or not Path("/proc").exists():
        return []
    if path:
        probe = socket.socket(socket.AF_UNIX)
        try:
            probe.connect(path)
        except OSError:
            return [
                Finding(
                    f"Bluetooth: no system D-Bus at {path}",
                    "note",
                    "Needed for Bluetooth indicators only: start dbus and bluetooth.",
                )
            ]
        finally:
            probe.close()
    if not any(Path("/sys/class/bluetooth").glob("hci*")):
        return [Finding("Bluetooth: no adapter", "note", "Needed for Bluetooth indicators only: plug an adapter in.")]
    return [Finding("Bluetooth: adapter and bus are there", "fine")]


def _disk() -> list[Finding]:
    from platformdirs import user_data_path

    folder = user_data_path("shimwright")
    while not folder.exists():
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    if not os.access(folder, os.W_OK):
        return [
            Finding(
                f"{folder} cannot be written to",
                "wrong",
                "Give yourself write permission, or record elsewhere with --record.",
            )
        ]
    if free < LEAST_FREE:
        return [
            Finding(
                f"{free // 1_000_000} MB free at {folder}", "wrong", "Make room: recordings stop when the disk is full."
            )
        ]
    return [Finding(f"{free // 1_000_000} MB free at {folder}", "fine")]


def _clock() -> list[Finding]:
    if time.time() < 1_700_000_000:
        return [
            Finding("the computer's clock stands in the past", "wrong", "Set date and time: they go into every record.")
        ]
    return [Finding("clock", "fine")]
