"""Serial ports: which there are, who holds them, and what may grab them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from capture.doctor.finding import Finding
from capture.sources.holders import grabbers_running, holders, permission_cure
from capture.sources.serial_finding import identity_of

_BY_ID = Path("/dev/serial/by-id")
_BY_PATH = Path("/dev/serial/by-path")


def ports() -> list[Finding]:
    """Every serial port, with a name that stays."""
    from serial.tools import list_ports

    found: list[Finding] = []
    for port in sorted(list_ports.comports(), key=lambda p: p.device):
        if port.device.startswith("/dev/ttyS") and port.hwid == "n/a":
            continue
        found.append(_port(port))
    if not found:
        found.append(
            Finding(
                "no serial port found", "note", "Plug the indicator's cable in; a charging-only cable shows no port."
            )
        )
    return found


def _port(port: Any) -> Finding:
    name = f"serial port {port.device} ({port.description})"
    if os.name == "posix" and not os.access(port.device, os.R_OK | os.W_OK):
        return Finding(f"{name}: no permission", "wrong", permission_cure(port.device))
    held = holders(port.device)
    if held:
        return Finding(f"{name}: in use by {', '.join(held)}", "wrong", "Close that program.")
    stays, sure = lasting_name(port.device)
    if stays is None:
        return Finding(f"{name}: free", "fine")
    if sure:
        return Finding(f"{name}: free; the name that stays is serial:{stays}", "fine")
    return Finding(
        f"{name}: free; it has no number of its own and is known by its socket, serial:{stays}",
        "note",
        "Leave it in that socket, or name it anew after moving it.",
    )


def lasting_name(device: str) -> tuple[str | None, bool]:
    """What ``serial:`` takes and stays when the device's own name changes, and whether it also stays in another socket."""
    real = os.path.realpath(device)
    for folder, sure in ((_BY_ID, True), (_BY_PATH, False)):
        names = sorted(p for p in folder.glob("*") if os.path.realpath(p) == real) if folder.is_dir() else []
        if names:
            return str(names[0]), sure
    from serial.tools import list_ports

    listed = list_ports.comports()
    mine = [p for p in listed if os.path.realpath(p.device) == real]
    named = [identity_of(p) for p in listed]
    # Cables that bear one number are told apart by nothing that could be named here.
    if mine and (name := identity_of(mine[0])) is not None and named.count(name) == 1:
        return name, bool(mine[0].serial_number)
    return None, False


def grabbers() -> list[Finding]:
    """Services that open serial ports by themselves."""
    running = grabbers_running()
    found: list[Finding] = []
    if "ModemManager" in running:
        rules = [r for r in (_rule(p) for p in _usb_ports()) if r]
        cure = (
            "In /etc/udev/rules.d/90-indicator.rules: "
            + "; ".join(rules)
            + " — then unplug the cable and plug it in again."
            if rules
            else "Plug the indicator in and look again: the rule that keeps the service off it needs its numbers."
        )
        found.append(Finding("ModemManager is running and asks new serial ports for a modem", "note", cure))
    if "brltty" in running:
        found.append(
            Finding(
                "brltty is running and may take common USB cables for a braille display",
                "note",
                "If nobody here needs a braille display: sudo systemctl mask --now brltty-udev brltty",
            )
        )
    return found


def _usb_ports() -> list[Any]:
    from serial.tools import list_ports

    return [p for p in list_ports.comports() if p.vid is not None and p.pid is not None]


def _rule(port: Any) -> str:
    """A rule for this very cable: one for every cable with its chip would take other people's modems away."""
    if not port.serial_number:
        return ""
    return (
        f'ATTRS{{idVendor}}=="{port.vid:04x}", ATTRS{{idProduct}}=="{port.pid:04x}", '
        f'ATTRS{{serial}}=="{port.serial_number}", ENV{{ID_MM_DEVICE_IGNORE}}="1"'
    )
