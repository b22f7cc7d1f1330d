"""What a device may do that is not this machine.

Nothing that is not named here: a new command is this machine's own until somebody writes it down as a device's.
"""

from __future__ import annotations

from web.door.devices import Device

READING = {"GET", "HEAD"}

BEFORE_PAIRING = {
    ("GET", "/pair"),
    ("HEAD", "/pair"),
    ("GET", "/api/pair"),
    ("POST", "/api/pair"),
    ("GET", "/static/pair.js"),
    ("GET", "/static/pair.css"),
    ("GET", "/static/theme.js"),
    ("GET", "/static/page.css"),
    ("GET", "/static/icon.svg"),
}
"""All that a device gets before it is paired: the pairing page and what that is made of."""

DISPLAY_AND_PEDAL = {"/api/mark", "/api/new-set", "/api/pair", "/api/pair/leave"}
"""Commands of every paired device: it is a display, a loudspeaker and a foot switch."""

JOBS = ("/api/jobs", "/api/new-job", "/api/bench")
"""Where commands write into jobs: for devices that were given leave to."""

THIS_MACHINE = ("/api/devices", "/api/connect/")
"""What only this machine may even read: codes, other devices, ports, files."""


def under(path: str, places: tuple[str, ...]) -> bool:
    """Whether a path is one of these places or lies below one."""
    return any(path == x or path.startswith(x if x.endswith("/") else x + "/") for x in places)


def refusal(device: Device, method: str, path: str) -> str | None:
    """Why a paired device may not do this, or None if it may."""
    if under(path, THIS_MACHINE):
        return "Only the computer that runs shimwright may do this: open this page there."
    if method in READING or path in DISPLAY_AND_PEDAL:
        return None
    if under(path, JOBS):
        if device.writes:
            return None
        return (
            "This device shows readings and makes marks; it may not write into jobs. "
            "On the computer that runs shimwright, open Devices and let it."
        )
    return "Only the computer that runs shimwright may do this: open this page there."
