"""How a simulated indicator writes a reading: text, packed decimal digits, binary counts, JSON, a Bluetooth value.

Frames are those of the packaged profiles.
"""

from __future__ import annotations

import json
import math

MM_PER_UNIT = {"mm": 1.0, "in": 25.4}
PACKED_POINT_PLACES = 6


def frame_of(counts: int, step: float, unit: str, wire: str) -> bytes:
    """A reading as bytes.

    Parameters
    ----------
    counts : int
        Display steps.
    step : float
        Display step, in `unit`.
    unit : {"mm", "in"}
    wire : str
        See `capture.simulator.scenario.Scenario.wire`.
    """
    if wire == "packed":
        return _packed(counts, step, unit)
    if wire == "counted":
        return _counted(counts)
    if wire == "value":
        return counts.to_bytes(4, "little", signed=True)
    if wire == "json":
        return _json(counts, step, unit)
    return _text(counts * step, step, unit, wire)


def _places(step: float) -> int:
    return max(0, round(-math.log10(step) + 0.49)) if step < 1 else 0


def _text(value: float, step: float, unit: str, wire: str) -> bytes:
    places = _places(step)
    if wire == "unit":
        return f"{value:.{places}f} {unit}\r\n".encode()
    if wire == "comma":
        return f"{abs(value):.{places}f}{'-' if value < 0 else '+'}\r".replace(".", ",").encode()
    body = f"{value:+0{places + 5}.{places}f}"
    if wire == "sum":
        body += f"*{sum(body.encode() + b'*') & 0xFF:02X}"
    return f"{body}\r\n".encode()


def _packed(counts: int, step: float, unit: str) -> bytes:
    """``ED s p dddddd u F``, high nibble first."""
    places = min(_places(step), PACKED_POINT_PLACES)
    digits = round(abs(counts) * step * 10**places)
    return bytes.fromhex(f"ED{'D' if counts < 0 else 'C'}{places}{digits % 10**6:06d}{1 if unit == 'in' else 0}F")


def _counted(counts: int) -> bytes:
    """``5A C3``, the counts in four bytes, lowest first, and the check of ITU-T X.25."""
    body = b"\x5a\xc3" + counts.to_bytes(4, "little", signed=True)
    check = 0xFFFF
    for byte in body:
        check ^= byte
        for _ in range(8):
            check = (check >> 1) ^ (0x8408 if check & 1 else 0)
    return body + (check ^ 0xFFFF).to_bytes(2, "little")


def _json(counts: int, step: float, unit: str) -> bytes:
    value = round(counts * step, _places(step))
    return json.dumps({"value": value, "unit": unit, "step": step}).encode() + b"\n"
