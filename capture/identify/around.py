"""What could be an indicator: serial ports and who holds them; Bluetooth devices heard just now."""

from __future__ import annotations

import asyncio
import os
import re
from dataclasses import dataclass
from pathlib import Path

from capture.doctor.serial_ports import lasting_name
from capture.errors import CaptureError
from capture.identify.watching import Watch
from capture.sources.holders import holders, permission_cure

MOST_HEARD = 30
"""Bluetooth devices shown; the nearest first."""

_TTY = Path("/sys/class/tty")
_PTS = re.compile(r"/dev/pts/\d+")


@dataclass(frozen=True)
class Port:
    """A serial port.

    Attributes
    ----------
    device : str
    about : str
        What the system calls it.
    stays : str or None
        A name that stays when the port's own changes.
    sure : bool
        Whether that name also stays in another socket.
    held_by : list of str
        Other programs that have it open.
    allowed : bool
        Whether this program may open it.
    cure : str
        What to do where it cannot be used.
    """

    device: str
    about: str
    stays: str | None
    sure: bool
    held_by: list[str]
    allowed: bool
    cure: str


def port_of(device: str, about: str = "") -> Port:
    """Look at one port."""
    stays, sure = lasting_name(device)
    allowed = os.name != "posix" or os.access(device, os.R_OK | os.W_OK)
    held = holders(device) if allowed else []
    cure = ""
    if not allowed:
        cure = permission_cure(device)
    elif held:
        cure = "Close that program."
    return Port(device, about, stays, sure, held, allowed, cure)


def ports_around() -> list[Port]:
    """Every serial port that has something behind it."""
    from serial.tools import list_ports

    found = sorted(list_ports.comports(), key=lambda p: str(p.device))
    return [
        port_of(p.device, p.description if p.description != "n/a" else "")
        for p in found
        if not (p.device.startswith("/dev/ttyS") and p.hwid == "n/a")
    ]


def is_port(device: str) -> bool:
    """Whether a name is that of a serial port, so that opening it does no harm to anything else."""
    from serial.tools import list_ports

    real = os.path.realpath(device)
    if any(device == p.device or real == os.path.realpath(p.device) for p in list_ports.comports()):
        return True
    if os.name != "posix" or not os.path.exists(real):
        return False
    # A terminal without a device behind it is a screen and keyboard of the computer itself.
    return bool(_PTS.fullmatch(real)) or (real.startswith("/dev/") and (_TTY / real[5:] / "device").exists())


@dataclass(frozen=True)
class Heard:
    """A Bluetooth device that spoke just now; its name, or nothing where it gives none."""

    address: str
    name: str
    strength_dbm: int


def bluetooth_around(seconds: float, watch: Watch) -> list[Heard]:
    """Bluetooth devices that advertise themselves, the nearest first, those with a name before those without.

    Raises
    ------
    CaptureError
        If Bluetooth cannot be used here.
    SearchCancelledError
        If `watch` was cancelled.
    """
    from capture.identify.bluetooth import watched

    with asyncio.Runner() as runner:
        return runner.run(watched(_scan(seconds), watch))


async def _scan(seconds: float) -> list[Heard]:
    from bleak import BleakScanner

    from capture.sources.bluetooth.reasons import explained
    from capture.sources.bluetooth.source import forget_bus

    try:
        heard = await BleakScanner.discover(seconds, return_adv=True)
    except Exception as e:
        raise CaptureError(str(explained(e, "Bluetooth"))) from None
    finally:
        await forget_bus()
    found = [Heard(d.address, said.local_name or d.name or "", said.rssi) for d, said in heard.values()]
    return sorted(found, key=lambda h: (not h.name, -h.strength_dbm, h.address))[:MOST_HEARD]
