"""What the serial library says of a port."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class PortInfo:
    """A port as ``serial.tools.list_ports`` lists it."""

    device: str
    description: str = "Cable"
    hwid: str = "USB"
    vid: int | None = 0x1234
    pid: int | None = 0x00AB
    serial_number: str | None = "A1"
