"""Bytes that were damaged on a serial line: the wrong parity, no stop bit where one belongs, or a break.

The system's driver sees such damage and, asked to, marks it among the bytes it hands over: FF 00 and then the byte (FF 00 00 for
a break as well), while an FF that came whole is doubled.  The marking is the driver's and not the indicator's, so it is taken out
here: the raw stream holds the bytes as they came, and beside them which were damaged.
"""

from __future__ import annotations

from typing import Any

from capture.received import Received


def mark_damage(fd: int) -> None:
    """Have a port's driver mark damaged bytes.

    Raises
    ------
    termios.error
        If the port is gone.
    """
    import termios

    attributes = termios.tcgetattr(fd)
    attributes[0] |= termios.INPCK | termios.PARMRK
    attributes[0] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
    termios.tcsetattr(fd, termios.TCSANOW, attributes)


class Unmarker:
    """Takes the driver's marking out of what it hands over, in pieces of any size."""

    def __init__(self) -> None:
        self._held = b""

    def take(self, data: bytes) -> bytes:
        """The bytes as they came; a `Received` where any of them was damaged."""
        if not self._held and b"\xff" not in data:
            return data
        data = self._held + data
        out = bytearray()
        bad: list[int] = []
        i = 0
        while i < len(data):
            at = data.find(b"\xff", i)
            if at < 0:
                at = len(data)
            out += data[i:at]
            mark = data[at : at + 3]
            if mark[:2] == b"\xff\x00" and len(mark) == 3:
                bad.append(len(out))
                out.append(mark[2])
                i = at + 3
            elif mark in (b"\xff", b"\xff\x00"):
                # The rest of a marking is on its way.
                break
            else:
                # Doubled; a single one with something else after it is no marking, and is kept as it is.
                out += mark[:1]
                i = at + (2 if mark[1:2] == b"\xff" else 1)
        self._held = bytes(data[at:]) if i < len(data) else b""
        if not bad:
            return bytes(out)
        return Received(bytes(out), bad)


def checks_line(values: dict[str, Any]) -> bool:
    """Whether a profile wants damage on the line noticed: where it has a parity, unless it says otherwise."""
    return bool(values.get("line_errors", "ignore" if values["parity"] == "none" else "check") == "check")
