"""Which serial port a SOURCE text stands for: by its name, by a pattern, or by what stays when it is unplugged.

===========================================  =================================================================================
``serial:/dev/ttyUSB0``, ``serial:COM3``     that name
``serial:/dev/ttyUSB*``                      the one port that fits, by name, description or hardware identity
``serial:VVVV:PPPP``                         the one port of that USB vendor and product, four hex digits each
``serial:VVVV:PPPP:NUMBER``                  the one with that serial number
``serial:VVVV:PPPP:NUMBER:PART``             one of its ports, where it has several: the interface's number, or its name
``serial:at:PLACE``                          whatever is plugged into that place, such as ``1-1.4``, for those without a number
===========================================  =================================================================================

An identity is looked for anew at every opening, so the port's name may change while it is unplugged.
"""

from __future__ import annotations

import fnmatch
import glob
import os
import re
from collections.abc import Callable
from typing import Any

from serial.tools import list_ports

from capture.errors import LinkLostError, SourceError

_USB = re.compile(r"(?P<vid>[0-9A-Fa-f]{4}):(?P<pid>[0-9A-Fa-f]{4})(:(?P<rest>.+))?", re.DOTALL)
_AT = "at:"
_PART = re.compile(r":[^:.]*\.(\w+)$")
"""The interface's number at the end of a place such as ``1-1.4:1.0``."""


def find_port(text: str) -> str:
    """The one port a name, pattern or identity stands for, as the system calls it now.

    Parameters
    ----------
    text : str
        What follows ``serial:``.

    Raises
    ------
    LinkLostError
        If no port fits now.
    SourceError
        If several do.
    """
    if (fits := _identity(text)) is not None:
        return _by_identity(text, fits)
    if not any(c in text for c in "*?["):
        return text
    found = sorted(glob.glob(text))
    if not found:
        found = sorted(
            p.device
            for p in list_ports.comports()
            if any(fnmatch.fnmatch(x or "", text) for x in (p.device, p.description, p.hwid))
        )
    if not found:
        raise LinkLostError(f"no port fits {text}")
    real = {os.path.realpath(p) for p in found}
    if len(real) > 1:
        raise SourceError(f"{len(real)} ports fit {text}: {', '.join(found)}. Name one of them.")
    return found[0]


def present(text: str) -> bool | None:
    """Whether a port that `text` stands for is there; None if only opening it can tell."""
    if (fits := _identity(text)) is not None:
        return any(fits(p) for p in list_ports.comports())
    if not text.startswith("/"):
        return None
    return bool(glob.glob(text)) or os.path.exists(text)


def identity_of(port: Any) -> str | None:
    """The text that stands for a port whatever its name, or None where the system tells nothing of it that stays.

    Parameters
    ----------
    port : ListPortInfo
        As the serial library lists it.
    """
    place = getattr(port, "location", None)
    if port.vid is None or port.pid is None:
        return None
    if not port.serial_number:
        return f"{_AT}{place}" if place else None
    part = _PART.search(place or "")
    number = f"{port.vid:04x}:{port.pid:04x}:{port.serial_number}"
    return f"{number}:{part[1]}" if part is not None and part[1] != "0" else number


def _identity(text: str) -> Callable[[Any], bool] | None:
    """Whether a listed port is the one; None if the text is a name or a pattern."""
    if text.startswith(_AT) and len(text) > len(_AT):
        place = text.removeprefix(_AT).casefold()

        def at(p: Any) -> bool:
            # The place of a device is that of its first part too.
            there = (getattr(p, "location", None) or "").casefold()
            return there == place or (":" not in place and there.partition(":")[0] == place and _part(p) in ("0", ""))

        return at
    m = _USB.fullmatch(text)
    if m is None:
        return None
    vid, pid, rest = int(m["vid"], 16), int(m["pid"], 16), m["rest"]

    def fits(p: Any) -> bool:
        if (p.vid, p.pid) != (vid, pid):
            return False
        number = (p.serial_number or "").casefold()
        if rest is None or number == rest.casefold():
            return True
        # Numbers with colons in them exist: the part is what follows the last one.
        head, colon, part = rest.rpartition(":")
        return bool(colon) and head.casefold() in ("", number) and part.casefold() in (_part(p), _name(p))

    return fits


def _part(p: Any) -> str:
    m = _PART.search(getattr(p, "location", None) or "")
    return m[1] if m is not None else ""


def _name(p: Any) -> str:
    return (getattr(p, "interface", None) or "").casefold()


def _by_identity(text: str, fits: Callable[[Any], bool]) -> str:
    found = sorted((p for p in list_ports.comports() if fits(p)), key=lambda p: str(p.device))
    if len({os.path.realpath(p.device) for p in found}) == 1:
        return str(found[0].device)
    if not found:
        raise LinkLostError(f"no port fits serial:{text}: that indicator is not plugged in")
    whole = {f"serial:{x}" if (x := identity_of(p)) else str(p.device): str(p.device) for p in found}
    if len(whole) < len(found):
        # Alike to the last digit: only the sockets tell them apart.
        whole = {
            f"serial:{_AT}{place}" if (place := getattr(p, "location", None)) else p.device: p.device for p in found
        }
    said = ", ".join(f"{device} is {name}" for name, device in whole.items())
    raise SourceError(f"{len(found)} ports fit serial:{text}: {said}. Name one of them so.")
