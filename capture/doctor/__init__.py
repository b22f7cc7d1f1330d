"""What stands between an indicator and this program, and how to cure it."""

from __future__ import annotations

from collections.abc import Callable

from capture.doctor.evidence import recordings, store
from capture.doctor.finding import Finding
from capture.doctor.machine import clock, disk, profiles, sound
from capture.doctor.radio import bluetooth
from capture.doctor.serial_ports import grabbers, ports


def examine() -> list[Finding]:
    """Everything looked at, in order.  A look that itself fails is a finding, and the others go on."""
    looks: tuple[Callable[[], list[Finding]], ...] = (
        ports,
        grabbers,
        bluetooth,
        sound,
        disk,
        clock,
        profiles,
        recordings,
        store,
    )
    found: list[Finding] = []
    for look in looks:
        try:
            found += look()
        except Exception as e:
            found.append(
                Finding(
                    f"{look.__name__}: could not be looked at ({type(e).__name__}: {e})",
                    "note",
                    "Nothing is known about this; the rest of the list holds.",
                )
            )
    return found


__all__ = ["Finding", "examine"]
