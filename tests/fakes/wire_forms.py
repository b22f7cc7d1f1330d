"""Invented indicators that write a reading in ways of their own: what each sends, what it meant by it, and the profile that reads it.

They share nothing with the simulator's wires.  What spoils a line is written out, so that it is the same every time.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

CRC_16 = {"width": 16, "poly": 0x8005, "init": 0xFFFF, "reflected": True, "xorout": 0}
"""The polynomial and presets of the serial line's remote units (Modbus over serial line, 6.2.2)."""

Maker = Callable[[int, str, int], bytes]
"""Bytes for counts of the step, in a unit, of a reading by its number."""


@dataclass(frozen=True)
class Form:
    """One indicator.

    Attributes
    ----------
    name, about : str
    make : callable
    profile : dict
    step_in : float or None
        Display step in inches, where the unit key is pressed half-way.
    between : dict
        Bytes sent after a reading, by its number: lines that are no readings.
    spoilt : dict
        What is done to the bytes of a reading, by its number.
    hidden : bool
        Whether the profile does not tell the unit after the unit key was pressed: those readings are refused.
    """

    name: str
    about: str
    make: Maker
    profile: dict[str, Any]
    step_in: float | None = None
    between: dict[int, bytes] = field(default_factory=dict)
    spoilt: dict[int, Callable[[bytes], bytes]] = field(default_factory=dict)
    hidden: bool = False

    @property
    def step_mm(self) -> float:
        """Display step in millimetres."""
        return float(self.profile.get("resolution", 0.001))


@dataclass(frozen=True)
class Sent:
    """One reading as it was meant; `counts` is None where its bytes were spoilt or tell no unit."""

    data: bytes
    counts: int | None
    unit: str


def readings(form: Form, count: int = 120) -> list[Sent]:
    """What an indicator sends while its tip goes to and fro about zero."""
    out = []
    for n in range(count):
        mm = 0.62 * math.sin(n / 7.3) + 0.11 * math.sin(n / 2.9)
        other = form.step_in is not None and n >= count // 2
        step = form.step_in if other and form.step_in else form.step_mm
        counts = round(mm / step / (25.4 if other else 1.0))
        data = form.make(counts, "in" if other else "mm", n)
        good = n not in form.spoilt and not (other and form.hidden)
        data = form.spoilt[n](data) if n in form.spoilt else data
        out.append(Sent(data + form.between.get(n, b""), counts if good else None, "in" if other else "mm"))
    return out


def _signed(counts: int, places: int, whole: int = 3) -> str:
    return f"{'-' if counts < 0 else '+'}{abs(counts) / 10**places:0{whole + 1 + places}.{places}f}"


def _xor(data: bytes) -> int:
    out = 0
    for b in data:
        out ^= b
    return out


def crc_16(data: bytes) -> bytes:
    """Check of a frame, low byte first (Modbus over serial line, 6.2.2)."""
    r = 0xFFFF
    for b in data:
        r ^= b
        for _ in range(8):
            r = (r >> 1) ^ (0xA001 if r & 1 else 0)
    return r.to_bytes(2, "little")


def _checked_between(counts: int, unit: str, n: int) -> bytes:
    body = f"LEN,{_signed(counts, 3)},{unit}".encode()
    return b"$" + body + b"*%02X\r\n" % _xor(body)


def _float(counts: int, unit: str, n: int) -> bytes:
    body = b"\xf1\x0a" + struct.pack("<f", counts / 1000)
    return body + crc_16(body)


def _two_orders(counts: int, unit: str, n: int) -> bytes:
    body = b"\x01\x03\x04" + struct.pack(">i", counts)
    return body + crc_16(body)


def _offset(counts: int, unit: str, n: int) -> bytes:
    body = b"\x3c\xc3" + (0x800000 + counts).to_bytes(3, "big")
    return body + bytes([-sum(body) & 0xFF])


def _packed(counts: int, unit: str, n: int) -> bytes:
    body = bytes.fromhex(f"5A{1 if counts < 0 else 0}{abs(counts):06d}0")
    return body + bytes([_xor(body)])


def _metres(counts: int, unit: str, n: int) -> bytes:
    return f"{counts / 1e6:+.6E}\n".encode()


def _json(counts: int, unit: str, n: int) -> bytes:
    value = counts / (1000 if unit == "mm" else 10000)
    return (json.dumps({"v": value, "unit": unit}) + "\n").encode()


def _cut(length: int) -> Callable[[bytes], bytes]:
    return lambda data: data[:-length] + b"\r\n"


def _without(text: bytes) -> Callable[[bytes], bytes]:
    return lambda data: data.replace(text, b"", 1)


def _flipped(place: int) -> Callable[[bytes], bytes]:
    return lambda data: data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]


TEXT = {"use": "text-line", "rate": 20}
BINARY = {"use": "counted-binary", "rate": 20}

FORMS: dict[str, Form] = {
    f.name: f
    for f in (
        Form(
            "text-between-marks",
            "Text between a start and an end mark, without a line end.",
            lambda c, u, n: b"\x02" + _signed(c, 3).encode() + b"\x03",
            TEXT | {"end": "\\x03"},
        ),
        Form(
            "text-of-one-length",
            "Text of eight characters with nothing between values; one character is lost at reading 50.",
            lambda c, u, n: _signed(c, 3).encode(),
            TEXT | {"length": 8, "pattern": r"^(?P<sign>[+-])(?P<value>\d{3}\.\d{3})$"},
            spoilt={50: lambda data: data[:4] + data[5:]},
        ),
        Form(
            "text-power-of-ten",
            "Metres with a power of ten; the last digit of the power is lost at reading 60.",
            _metres,
            TEXT | {"power": 3, "pattern": r"^(?P<sign>[+-])(?P<value>\d\.\d+)E(?P<exponent>[+-]\d+)$"},
            spoilt={60: lambda data: data[:-2] + b"\n"},
        ),
        Form(
            "text-unit-letter",
            "A letter for the unit before the value; the unit key is pressed half-way.",
            lambda c, u, n: f"{'M' if u == 'mm' else 'I'}{_signed(c, 3 if u == 'mm' else 5)}\r\n".encode(),
            TEXT | {"pattern": r"^(?:(?P<mm>M)|(?P<inch>I))(?P<sign>[+-])(?P<value>\d+\.\d+)$"},
            step_in=0.00001,
        ),
        Form(
            "text-checked-between",
            "Check digits over what is between a start and an end mark; a digit is wrong at reading 40.",
            _checked_between,
            TEXT
            | {
                "pattern": r"^\$(?P<summed>LEN,(?P<sign>[+-])(?P<value>\d+\.\d+),(?P<unit>mm|in))\*(?P<sum>..)$",
                "checksum": "xor-hex",
            },
            spoilt={40: _flipped(9)},
        ),
        Form(
            "text-notices-between",
            "Between readings the indicator tells of its battery and its temperature: numbers, but no readings.",
            lambda c, u, n: f"{_signed(c, 3)}\r\n".encode(),
            TEXT,
            between={n: b"BAT 2.950\r\n" if n % 2 else b"TEMP 21.500\r\n" for n in range(11, 120, 9)},
        ),
        Form(
            "text-unit-key-untold",
            "The unit key is pressed half-way, and the lines do not tell the unit: no inch is taken for a millimetre.",
            lambda c, u, n: f"{_signed(c, 3 if u == 'mm' else 5)}\r\n".encode(),
            TEXT,
            step_in=0.00001,
            hidden=True,
        ),
        Form(
            "text-unit-lost",
            "The unit follows the value; some lines lose it, in inches, where the display shows them with thousandths.",
            lambda c, u, n: f"{_signed(c, 3)} {u}\r\n".encode(),
            TEXT,
            step_in=0.001,
            spoilt={n: _cut(5) for n in (70, 85, 100)},
        ),
        Form(
            "json-unit-lost",
            "JSON lines that name their unit; some lose the name of it, in inches.",
            _json,
            {"use": "json-lines", "rate": 20, "value_key": "v", "step_in": 0.0001, "resolution": 0.001},
            step_in=0.0001,
            spoilt={
                66: _without(b"u"),
                80: lambda data: data.replace(b"unit", b"uniit"),
                95: _without(b'"unit": "in"'),
            },
        ),
        Form(
            "json-micrometres-in-list",
            "JSON lines with whole micrometres in a list.",
            lambda c, u, n: (json.dumps({"n": n, "ch": [c, 1234]}) + "\n").encode(),
            {"use": "json-lines", "rate": 20, "value_key": "ch.0", "power": -3},
        ),
        Form(
            "binary-fraction",
            "A binary fraction of a millimetre in four bytes, with a check of sixteen bits; one byte is wrong at reading 30.",
            _float,
            BINARY | {"layout": "F1 0A vv vv vv vv cc cc", "number": "float", "check": "crc", "crc": CRC_16},
            spoilt={30: _flipped(4)},
        ),
        Form(
            "binary-two-orders",
            "Counts with the high byte first and a check with the low byte first, as remote units answer.",
            _two_orders,
            BINARY
            | {
                "layout": "01 03 04 vv vv vv vv cc cc",
                "endian": "big",
                "check_endian": "little",
                "check": "crc",
                "crc": CRC_16,
            },
        ),
        Form(
            "binary-from-the-lowest",
            "Counts from the lowest value, checked by the complement of the sum; one byte is lost at reading 30.",
            _offset,
            BINARY | {"layout": "3C C3 vv vv vv cc", "endian": "big", "sign": "offset", "check": "complement"},
            spoilt={30: lambda data: data[:3] + data[4:]},
        ),
        Form(
            "packed-checked",
            "Packed digits with a check byte; a digit is wrong at reading 30.",
            _packed,
            {
                "use": "packed-decimal",
                "rate": 20,
                "layout": "5A s dddddd 0 cc",
                "plus": [0],
                "minus": [1],
                "check": "xor",
            },
            spoilt={30: _flipped(3)},
        ),
    )
}
